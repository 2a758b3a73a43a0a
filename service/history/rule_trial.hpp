// Proposed rules tried on units of the past: the events of whole stays go once more through decide(), once by
// the rules of then and once by those of the proposal, and what differs is listed.
//
// What is honest about it, and how far it goes:
// - People acted on what they saw. So each event is decided in the course that things took then; what the
//   proposal would have made of one fastener is kept beside that until the fastener was turned again. A
//   tightening is never judged as if it had been of another fastener, nor for what people would have done.
// - A decision of people is put to the proposal as that sees the unit by then: one that it would not have
//   needed, or would have refused, is listed, and so is one that only the proposal asks for.
// - What nobody did then is not judged (trial_rules.hpp). Labels, clocks and links are as they were read
// then.
// - "Then" is what this program makes of the event by the rules of then. Where that is not what is stored,
// the
//   stay says so.
//
// Reads and writes nothing, and knows no clock. One thread at a time.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "service/history/trial_rules.hpp"
#include "service/interlock/decide.hpp"

namespace tautgate::history {

// What a tightening was taken for.
enum class Taken : std::uint8_t {
    ok,
    not_ok,
    not_decidable,
    undefined,
    awaits_curve,  // its curve came too late or not at all
    rehit,
    loosening,
    unassigned,
    tools_own_word,  // the values fit; the tool, by the limits that it had then, said not OK: cannot be told
    something_else
};
TAUTGATE_ENUM(Taken, ok, not_ok, not_decidable, undefined, awaits_curve, rehit, loosening, unassigned,
              tools_own_word, something_else);

struct View {
    Taken taken = Taken::something_else;
    std::string joint;     // id; empty: of none
    std::string fastener;  // its name; empty: of none
    std::vector<evaluation::Finding> findings;
    std::optional<interlock::UnassignedWhy> why;
};

struct TighteningDifference {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    domain::ToolId tool;
    View was;
    View would_be;
};

enum class ReleaseKind : std::uint8_t {
    would_not_have_come,
    would_have_come_later,
    would_have_come_earlier,
    would_have_come,       // and never came
    would_have_been_lost,  // it came, and would have been withheld again before the unit left
    cannot_be_told         // it hangs on a curve that is not stored
};
TAUTGATE_ENUM(ReleaseKind, would_not_have_come, would_have_come_later, would_have_come_earlier,
              would_have_come, would_have_been_lost, cannot_be_told);

struct ReleaseDifference {
    domain::PermissiveId permissive;
    ReleaseKind kind = ReleaseKind::would_not_have_come;
    std::optional<domain::EventNumber> was;       // the first event that released it
    std::optional<domain::EventNumber> would_be;  // by the proposal
    std::vector<interlock::Reason> reasons;       // that would have held it when it came, worst first
};

enum class ActKind : std::uint8_t {
    needed,      // by the proposal only
    not_needed,  // by the proposal there was nothing to decide
    refused,     // by the proposal only
    accepted,    // by the proposal only
    second_needed,
    second_not_needed,
    judged_otherwise  // a torque measured by hand
};
TAUTGATE_ENUM(ActKind, needed, not_needed, refused, accepted, second_needed, second_not_needed,
              judged_otherwise);

// Where people would have had to act otherwise.
struct ActDifference {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    ActKind kind = ActKind::needed;
    std::string what;      // kind of the event or action as stored; of a needed one the reason's code
    std::string sentence;  // what the proposal has to say
};

struct JointTally {
    std::uint32_t tightenings = 0;  // that counted for one of its fasteners then
    std::uint32_t ok_to_not_ok = 0;
    std::uint32_t not_ok_to_ok = 0;
    std::uint32_t otherwise = 0;
    std::uint32_t not_told = 0;  // for want of a curve, or since the tool judged by the limits of then
    std::uint32_t units = 0;     // with such a difference
};
using JointTallies = std::map<std::string, JointTally>;  // by id of the joint

struct StayFindings {
    domain::EventNumber stay;
    std::string bay;
    std::string unit;  // serial; empty: never identified
    std::string variant;
    std::string rules;  // digest of those of then
    std::int64_t began_utc_us = 0;
    domain::EventNumber last;  // event looked at
    std::vector<TighteningDifference> tightenings;
    std::vector<ReleaseDifference> releases;
    std::vector<ActDifference> acts;
    JointTallies joints;
    std::uint32_t results = 0;                        // that came in the stay
    std::vector<domain::EventNumber> without_curve;   // results that wait for a curve by the proposal only
    std::optional<domain::EventNumber> not_followed;  // from here on the proposal has no such stay
    std::optional<domain::EventNumber> stored_otherwise;  // this program decides it not as it is stored
    [[nodiscard]] bool differs() const noexcept {
        return !tightenings.empty() || !releases.empty() || !acts.empty() || not_followed.has_value();
    }
};

// The stored bytes of a curve by its digest; nothing if they are not there.
using CurveBytes = std::function<std::optional<std::string>(const std::string& digest)>;

class StayTrial {
  public:
    // `before`: the station just before the event that began the stay, by the rules of then; `then` are
    // those.
    StayTrial(domain::EventNumber stay, interlock::RuleBook then, interlock::State before,
              std::shared_ptr<const TrialRules> proposal, CurveBytes curves);

    // Every event of the station from the first of the stay to the one before its end, with what came of it
    // then.
    void add(const interlock::Event& event, const interlock::State& after, const interlock::Record& record);
    // What is stored of the event is not what this program makes of it.
    void note_stored_otherwise(domain::EventNumber event);
    [[nodiscard]] domain::EventNumber stay() const noexcept { return found_.stay; }
    [[nodiscard]] StayFindings findings() &&;

  private:
    // What the proposal made of a fastener, and of a joint as a whole, where that is not what was then.
    struct OwnFastener {
        std::string joint;
        std::size_t fastener = 0;
        interlock::FastenerState state;
    };
    struct Head {
        std::optional<domain::EventNumber> confirmed;
        std::optional<domain::PersonNumber> confirmed_by;
        std::optional<interlock::Override> override_;
    };
    struct OwnHead {
        std::string joint;
        Head head;
    };
    struct Views {
        std::int64_t utc_us = 0;
        domain::ToolId tool;
        View was;
        View would_be;
    };
    struct Track {
        std::optional<domain::EventNumber> was;
        std::optional<domain::EventNumber> would_be;
        bool released = false;
        bool released_by_proposal = false;
        std::vector<interlock::Reason> held_when_it_came;
        std::vector<interlock::Reason> held_since;
    };

    [[nodiscard]] interlock::Stay* own_stay();
    [[nodiscard]] interlock::BayState* own_bay();
    [[nodiscard]] bool is_gone(const interlock::Event& event, const interlock::Record& record);
    [[nodiscard]] interlock::Decision decided_anew(const interlock::Event& event,
                                                   const interlock::Record& record);
    [[nodiscard]] interlock::TraceReceived with_curve(const interlock::TraceReceived& trace) const;
    void look_at_results(const interlock::Event& event, const interlock::Record& was,
                         const interlock::Record& own);
    void look_at_act(const interlock::Event& event, const interlock::Record& was,
                     const interlock::Record& own);
    void keep_course(const interlock::Stay& was, bool overlaid,
                     const std::vector<interlock::JointState>& before);
    void swap_own();
    void look_at_outputs(const interlock::Event& event, const interlock::BayState& was);
    void look_at_output(const interlock::Event& event, const interlock::PermissiveState& was,
                        std::vector<interlock::Reason> reasons, bool released);
    void note_needed(const interlock::Event& event, const interlock::PermissiveState& was,
                     const std::vector<interlock::Reason>& reasons);
    void note(ActKind kind, const interlock::Event& event, std::string what, std::string sentence);
    void tell_tightenings();
    void tell_releases();

    interlock::RuleBook rules_;
    interlock::State state_;
    std::shared_ptr<const TrialRules> proposal_;
    CurveBytes curves_;
    StayFindings found_;
    std::vector<OwnFastener> own_fasteners_;
    std::vector<OwnHead> own_heads_;
    std::map<domain::EventNumber, Views> views_;
    std::map<std::string, Track> tracks_;
    std::vector<std::string> needed_;                // what is noted already
    std::vector<domain::EventNumber> refused_here_;  // proposals of people that the proposed rules refused
};

// All of a trial.
struct Trial {
    std::vector<StayFindings> differing;  // oldest first
    JointTallies joints;
    std::vector<Untold> untold;
    std::uint64_t stays = 0;
    std::uint64_t results = 0;
    std::uint64_t still_open = 0;  // stays that were passed over, since they have not ended
    std::vector<domain::EventNumber> stored_otherwise;  // stays, see StayFindings
};
void add_to(Trial& trial, StayFindings found);

}  // namespace tautgate::history
