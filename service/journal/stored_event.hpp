// What the journal keeps of one event: the event itself, what was decided about it and by which rules and
// program. This is the chain; every query table can be made from it again. The field names are stored: add,
// never rename. Plain values; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "service/interlock/decide.hpp"

namespace tautgate::journal {

using domain::EventNumber;
using domain::PersonNumber;
using domain::Revision;

// ---- what became of stays -----------------------------------------------------------------------------
// The event and its outcome do not say which unit stands where afterwards; these do.

struct StayBegan {
    EventNumber stay;
    domain::BayId bay;
    domain::Token token;
    std::int64_t utc_us = 0;
    Revision rules;
    bool operator==(const StayBegan&) const = default;
};
TAUTGATE_FIELDS(StayBegan, stay, bay, token, utc_us, rules);

// A ticket was scanned for the stay. Not accepted: of a kind that the unit has already.
struct TicketFiled {
    EventNumber stay;
    EventNumber scanned;
    std::string kind;
    domain::Serial serial;
    std::string order;
    std::string type;
    bool accepted = true;
    bool operator==(const TicketFiled&) const = default;
};
TAUTGATE_FIELDS(TicketFiled, stay, scanned, kind, serial, order, type, accepted);

// A corrected scan, or an answered question, took it out of the stay. It stays in the record.
struct TicketWithdrawn {
    EventNumber stay;
    EventNumber scanned;
    std::string kind;
    domain::Serial serial;
    bool operator==(const TicketWithdrawn&) const = default;
};
TAUTGATE_FIELDS(TicketWithdrawn, stay, scanned, kind, serial);

// Which unit it is, or (empty texts) that this is not known any more.
struct StayIdentified {
    EventNumber stay;
    domain::Serial unit;
    std::string variant;
    std::string plan;
    std::string plan_revision;
    bool operator==(const StayIdentified&) const = default;
};
TAUTGATE_FIELDS(StayIdentified, stay, unit, variant, plan, plan_revision);

struct StayLeavesIncomplete {
    EventNumber stay;
    EventNumber decided;
    bool operator==(const StayLeavesIncomplete&) const = default;
};
TAUTGATE_FIELDS(StayLeavesIncomplete, stay, decided);

// The unit was moved to another bay, and its stay went with it.
struct StayMovedOn {
    EventNumber stay;
    domain::BayId from;
    domain::BayId to;
    domain::PermissiveId permissive;
    bool unproven = false;  // that was withheld
    bool operator==(const StayMovedOn&) const = default;
};
TAUTGATE_FIELDS(StayMovedOn, stay, from, to, permissive, unproven);

// A joint of the unit is done in another way than planned.
struct StayDoneOtherwise {
    EventNumber stay;
    domain::JointId joint;
    std::string alternate;  // id
    EventNumber bypass;     // that leads to it
    bool operator==(const StayDoneOtherwise&) const = default;
};
TAUTGATE_FIELDS(StayDoneOtherwise, stay, joint, alternate, bypass);

struct StayEnded {
    EventNumber stay;
    bool operator==(const StayEnded&) const = default;
};
TAUTGATE_FIELDS(StayEnded, stay);

// People decided that a sub-assembly was taken out of the unit that it was in, and is in this one.
struct SubassemblyTakenOut {
    EventNumber stay;
    domain::Serial serial;
    domain::Serial from;
    bool operator==(const SubassemblyTakenOut&) const = default;
};
TAUTGATE_FIELDS(SubassemblyTakenOut, stay, serial, from);

// A corrected scan took it out of this stay: that decision was about another one.
struct SubassemblyLeftIn {
    EventNumber stay;
    domain::Serial serial;
    domain::Serial from;
    bool operator==(const SubassemblyLeftIn&) const = default;
};
TAUTGATE_FIELDS(SubassemblyLeftIn, stay, serial, from);

// The unit of the stay left with its order done.
struct OrderBuilt {
    EventNumber stay;
    std::string order;
    domain::Serial unit;
    bool operator==(const OrderBuilt&) const = default;
};
TAUTGATE_FIELDS(OrderBuilt, stay, order, unit);

// It left otherwise; the order stays open for this unit.
struct OrderBegun {
    EventNumber stay;
    std::string order;
    domain::Serial unit;
    bool operator==(const OrderBegun&) const = default;
};
TAUTGATE_FIELDS(OrderBegun, stay, order, unit);

using StayChange = std::variant<StayBegan, TicketFiled, TicketWithdrawn, StayIdentified, StayLeavesIncomplete,
                                StayEnded, SubassemblyTakenOut, SubassemblyLeftIn, OrderBuilt, OrderBegun,
                                StayMovedOn, StayDoneOtherwise>;

// ---- the stored event ---------------------------------------------------------------------------------

struct StoredEvent {
    std::uint32_t format = 1;
    std::string program;  // version of the program that decided
    Revision rules;       // under which it decided; empty: none were in force
    interlock::Event event;
    interlock::Record record;
    std::string decision;                   // hex digest of the decision (digest.hpp)
    std::optional<PersonNumber> operator_;  // signed on at the bay that a result belongs to
    std::vector<StayChange> stays;
    bool operator==(const StoredEvent&) const = default;
};
TAUTGATE_FIELDS(StoredEvent, format, program, rules, event, record, decision, operator_, stays);

// ---- what is written beside it, in the same transaction -----------------------------------------------

// A text named by its digest: kind "config" is a station description.
struct Document {
    std::string digest;  // hex SHA-256 of `text`
    std::string kind;
    std::string text;
    bool operator==(const Document&) const = default;
};

// Names and secrets stand outside of the chain, so that a name can be taken out without breaking it.
struct PersonName {
    PersonNumber number;
    std::string name;
    std::string badge;  // empty: has none
    std::string salt;   // of the mark (person_marks.hpp)
    bool operator==(const PersonName&) const = default;
};
struct Credential {
    PersonNumber number;
    std::string argon2id;  // PHC text
    bool operator==(const Credential&) const = default;
};

// A name that is taken out; its mark in the chain stays, and says no more who it was.
struct ErasedName {
    PersonNumber number;
    bool operator==(const ErasedName&) const = default;
};

// The samples of a TraceReceived, in the bytes of protocol/TRACE.md; written compressed.
struct TraceSamples {
    std::string digest;  // hex SHA-256 of `bytes`
    std::string bytes;
    bool operator==(const TraceSamples&) const = default;
};

using Attachment = std::variant<Document, PersonName, Credential, TraceSamples, ErasedName>;

struct Entry {
    StoredEvent stored;
    std::vector<Attachment> attachments;
};

// Sees which stays began, changed and ended from one state to the next. One for the life of the station,
// used by the thread that decides; begins with the state that was recovered.
class StayWatch {
  public:
    explicit StayWatch(const interlock::State& now);
    [[nodiscard]] std::vector<StayChange> changes(const interlock::State& now);

  private:
    struct Seen {
        EventNumber stay;
        domain::BayId bay;
        std::vector<interlock::Ticket> tickets;
        std::vector<interlock::Ticket> refused;
        interlock::Identified identity;
        std::optional<EventNumber> leaves_incomplete;
        std::vector<interlock::ReuseAccepted> reuses;
        std::string order;  // that it is known to be built for
        interlock::OtherWays other_ways;
    };
    static std::vector<Seen> look(const interlock::State& state);
    std::vector<Seen> seen_;
};

// Everything that the journal keeps of a decided event. `program` is the version of the running program.
[[nodiscard]] Entry entry_of(StayWatch& watch, interlock::Event event, const interlock::State& after,
                             interlock::Record record, std::string program,
                             std::vector<Attachment> attachments = {});

}  // namespace tautgate::journal
