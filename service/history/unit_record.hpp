// The story of one serial number, as the journal has it: each stay with its tickets, tightenings, releases
// and decisions, oldest first. Nothing is judged here again; every line is what was stored at the time. Only
// what a tightening looks like (evaluation/pattern.hpp) is read anew from its stored values and curve: a
// hint. Reading blocks: call it on a worker.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <vector>

#include "service/domain/ids.hpp"
#include "service/evaluation/pattern.hpp"
#include "service/journal/journal_error.hpp"

namespace tautgate::journal {
class Reader;
}

namespace tautgate::history {

struct TicketLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string kind;
    std::string serial;
    std::string order;
    std::string type;
    bool accepted = false;
    std::optional<domain::EventNumber> withdrawn;  // by this event
};

struct TighteningLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string tool;
    std::string epoch;
    std::uint64_t counter = 0;
    std::string outcome;   // kind of interlock::Outcome, as stored
    std::string why;       // of an unassigned one
    std::string joint;     // empty: counted for none
    std::string fastener;  // its name in the rules of the stay
    std::string pass;
    std::optional<std::uint32_t> attempt;  // 1..
    std::string verdict;                   // empty: not judged
    std::string findings;                  // codes, comma between
    std::string direction;
    std::optional<std::int64_t> torque_micro_nm;
    std::optional<std::int64_t> angle_micro_deg;
    std::string torque_received;  // as the tool sent it
    std::string torque_unit_received;
    std::string angle_received;
    std::optional<domain::PersonNumber> operator_;
    std::optional<domain::EventNumber> assigned_by;  // filed by hand by this decision
    std::uint32_t traces = 0;                        // curves that came for it, equal ones counted once
    // What it looks like; of one that counted for a fastener, and was not OK or has a curve.
    std::vector<evaluation::SeenPattern> patterns = {};
    std::string curve_fault =
        {};  // why its curve was not looked at for them; empty: it was, or there is none
};

// A permissive whose output or reasons changed.
struct OutputLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string permissive;
    std::string output;   // kind of interlock::Output, as stored
    std::string reasons;  // codes, worst first, comma between
};

// The unit was moved to another bay, and its stay went with it.
struct MoveLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string from;
    std::string to;
    std::string permissive;
    bool unproven = false;  // that was withheld
};

// A joint that was done in another way than planned.
struct OtherWayLine {
    std::string joint;
    std::string alternate;  // id
    std::string name;       // by the rules of the stay
    domain::EventNumber bypass;
};

struct DecisionLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string kind;                                  // kind of the event, as stored
    std::string action;                                // kind of interlock::Action, or empty
    std::string subject;                               // joint, tool, serial ...: what it is about
    std::optional<domain::EventNumber> subject_event;  // the result or the event set aside that it is about
    std::string fastener;                              // that it is about: its name in the rules of the stay
    std::string outcome;                               // kind of interlock::Outcome, as stored
    std::string refusal;
    std::optional<domain::EventNumber> proposal;
    std::optional<domain::EventNumber> applied_by;  // of a proposal that waited: the consent
    // Of one that was refused or taken back, and of an override that counted no longer: tightened again, say.
    std::optional<domain::EventNumber> ended_by;
    std::optional<domain::PersonNumber> person;
    std::optional<domain::PersonNumber> second_person;  // of a proposal that waited: who consented
    std::string reason_code;
    std::string reason_text;
    std::string verified;        // of an override, or a restart
    std::string checked_torque;  // of an override: measured by hand; empty: nothing was
};

struct StayRecord {
    domain::EventNumber stay;
    std::string bay;  // where the unit is now, or was last
    std::uint32_t token = 0;
    std::int64_t began_utc_us = 0;
    std::optional<domain::EventNumber> ended;  // by this event
    std::optional<std::int64_t> ended_utc_us;
    std::optional<domain::EventNumber> leaves_incomplete;  // by this decision
    std::string unit;                                      // empty: never identified
    std::string variant;
    std::string plan;
    std::string plan_revision;
    std::string rules;  // digest
    std::vector<TicketLine> tickets;
    std::vector<TighteningLine> tightenings;
    std::vector<OutputLine> outputs;
    std::vector<DecisionLine> decisions;
    std::vector<MoveLine> moves = {};
    std::vector<OtherWayLine> other_ways = {};  // by joint
};

// A sub-assembly in a unit, from the stay in which it was joined until it was corrected, replaced by another
// of its kind, or taken out for another unit.
struct PartLine {
    std::string serial;
    std::string unit;
    std::string kind;
    std::string type;
    domain::EventNumber stay;
    domain::EventNumber since;
    std::int64_t since_utc_us = 0;
    std::optional<domain::EventNumber> until;  // none: it is in the unit
    std::optional<std::int64_t> until_utc_us;
    std::string ended_as;
};

struct UnitRecord {
    std::string serial;
    std::vector<StayRecord> stays;       // oldest first
    std::vector<PartLine> parts = {};    // that were or are in it, by kind
    std::vector<PartLine> used_in = {};  // units in which it was or is
    // Quality holds that people placed on it and lifted, also after it had left.
    std::vector<DecisionLine> holds = {};
};

// Everything stored about a serial number of a unit or of a sub-assembly in it; no stays if the journal never
// saw it.
[[nodiscard]] std::expected<UnitRecord, journal::JournalError> unit_record(journal::Reader& reader,
                                                                           const domain::Serial& serial);

}  // namespace tautgate::history
