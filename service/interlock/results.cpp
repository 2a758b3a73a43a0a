// Where a result belongs: to one fastener of one stay, to a stay that ended, or to nobody yet. It is never
// guessed: two possible owners are none.
#include <algorithm>
#include <limits>

#include "service/interlock/calibration.hpp"
#include "service/interlock/check_passes.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/interlock/tool_count.hpp"
#include "service/interlock/tool_orders.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

using evaluation::FindingCode;
using evaluation::Judgement;
using evaluation::Verdict;
using protocol::Direction;
using protocol::Reading;

constexpr std::size_t unassigned_kept = 32;  // at station level
// In a stay; each waits for a word of its own. Those beyond, which only a tool that runs wild makes, are in
// the record alone and wait for one word about all of them.
constexpr std::size_t unassigned_in_stay = 500;

// ---- the tool's count -----------------------------------------------------------------------------------

// While the count is broken nothing is acknowledged: an acknowledgement covers all before it, and would let
// the tool drop what is missing.
void acknowledge_count(Transition& t, const ToolState& tool) {
    const auto* following = std::get_if<Following>(&tool.count);
    if (following != nullptr)
        t.acknowledge(tool.id, following->epoch, following->counter);
}

// ---- the stay in which it was made ----------------------------------------------------------------------

struct Elsewhere {  // in no stay that we know
    UnassignedWhy why;
    std::vector<BayState*> concerned;  // whose units may have been turned, as far as anybody knows
};
struct InEnded {
    const EndedStay* stay;
};
struct InPresent {
    BayState* bay;  // where the unit is now
};
using Whereabouts = std::variant<Elsewhere, InEnded, InPresent>;

// All of it. Across boots nobody can tell.
bool made_before(const Interval& made, const Stamp& moment) {
    return made.boot == moment.boot && made.to_ns < moment.monotonic_ns;
}

bool made_there(const std::vector<EarlierPlace>& places, const BayId& bay, const Interval& made) {
    return std::ranges::any_of(places, [&](const EarlierPlace& place) {
        return place.bay == bay && made_within(made, place.from, place.until);
    });
}

// Partly within that time, or nobody can tell.
bool may_be_made_there(const std::vector<EarlierPlace>& places, const BayId& bay, const Interval& made) {
    return std::ranges::any_of(places, [&](const EarlierPlace& place) {
        return place.bay == bay && !made_before(made, place.from) && !made_after(made, place.until);
    });
}

bool made_in(const EndedStay& stay, const BayId& bay, const Interval& made) {
    const bool at_last =
        stay.bay == bay && made_within(made, stay.here_since.value_or(stay.began), stay.ended);
    return at_last || made_there(stay.earlier_places, bay, made);
}

// Of a unit on its way to the bay it is not known what is made there, from its movement on.
bool made_in(const Stay& stay, const Interval& made) {
    return !is_on_its_way(stay) && made_within(made, here_since(stay), std::nullopt);
}

bool may_be_made_here(const Stay& stay, const Interval& made) { return !made_before(made, here_since(stay)); }

Whereabouts place_of(State& state, BayState& bay, const Interval& made) {
    for (const EndedStay& stay : state.ended) {
        if (made_in(stay, bay.id, made))
            return InEnded{&stay};
    }
    if (const Stay* stay = stay_at(bay); stay != nullptr && made_in(*stay, made))
        return InPresent{&bay};
    std::vector<BayState*> concerned;
    for (BayState& each : state.bays) {
        const Stay* stay = stay_at(each);
        if (stay == nullptr)
            continue;
        if (made_there(stay->earlier_places, bay.id, made))
            return InPresent{&each};
        const bool here = each.id == bay.id && may_be_made_here(*stay, made);
        if (here || may_be_made_there(stay->earlier_places, bay.id, made))
            concerned.push_back(&each);
    }
    if (concerned.empty())
        return Elsewhere{UnassignedWhy::no_stay, {}};
    return Elsewhere{UnassignedWhy::not_in_one_stay, std::move(concerned)};
}

// Whether it would have proven something of the joint, or was a second hit on it.
bool good_for(const config::Joint& joint, const config::Tool& tool, const Reading& reading) {
    return std::ranges::any_of(joint.passes, [&](const config::Pass& pass) {
        return evaluation::judge(joint, pass, tool, reading).verdict == Verdict::ok ||
               evaluation::is_rehit(joint, pass, reading);
    });
}

// It changes no decision about a unit that has left; but what could not have proven anything of it by the
// rules of its stay, or took proof away, must be looked at.
bool speaks_against(const RuleBook& rules, const EndedStay& stay, const ToolId& id, const Reading& reading) {
    if (reading.direction == Direction::loosen || reading.tool_verdict == protocol::ToolVerdict::not_ok)
        return true;
    if (stay.plan.empty())
        return false;  // never identified: it is on the hold list for that
    const config::Station* station = rules_of(rules, stay.rules);
    const config::Plan* plan = station != nullptr ? plan_in(*station, stay.plan) : nullptr;
    const config::Tool* tool = station != nullptr ? tool_in(*station, id) : nullptr;
    if (plan == nullptr || tool == nullptr)
        return true;
    bool served = false;
    for (const PlannedJoint& planned : joints_of(*station, *plan, stay.other_ways)) {
        if (planned.joint == nullptr || !serves(*planned.joint, id))
            continue;
        if (good_for(*planned.joint, *tool, reading))
            return false;
        served = true;
    }
    return served;
}

// ---- who made it --------------------------------------------------------------------------------------

// Before anything of a later boot.
std::int64_t moment_of(const Stamp& stamp, const std::string& boot) {
    return stamp.boot == boot ? stamp.monotonic_ns : std::numeric_limits<std::int64_t>::min();
}

Crew crew_of(const BayState& bay, const Interval& made) {
    Crew crew;
    const auto& sign_ons = bay.sign_ons;
    crew.nobody = sign_ons.empty() || moment_of(sign_ons.front().since, made.boot) > made.from_ns;
    for (std::size_t i = 0; i < sign_ons.size(); ++i) {
        const bool last = i + 1 == sign_ons.size();
        const bool begun = moment_of(sign_ons[i].since, made.boot) <= made.to_ns;
        const bool ended = !last && moment_of(sign_ons[i + 1].since, made.boot) <= made.from_ns;
        if (!begun || ended)
            continue;
        const auto& person = sign_ons[i].person;
        if (!person)
            crew.nobody = true;
        else if (std::ranges::find(crew.people, *person) == crew.people.end())
            crew.people.push_back(*person);
    }
    return crew;
}

std::optional<PersonNumber> only_one(const Crew& crew) {
    return crew.people.size() == 1 ? std::optional(crew.people.front()) : std::nullopt;
}

// ---- outcomes -----------------------------------------------------------------------------------------

// Where it was made, and where the unit is that may have been turned.
struct Spot {
    const BayState* made_at = nullptr;
    BayState* unit_at = nullptr;
};
Spot at_one(BayState* bay) { return {bay, bay}; }

void count_beyond(Stay& stay, EventNumber result) {
    if (!stay.many_unassigned)
        stay.many_unassigned = ManyUnassigned{.first = result, .newest = result};
    stay.many_unassigned->newest = result;
    stay.many_unassigned->count += 1;
}

Outcome unassigned(const Transition& t, const Spot& spot, const ResultReceived& result, UnassignedWhy why) {
    Stay* stay = spot.unit_at != nullptr ? stay_at(*spot.unit_at) : nullptr;
    Crew crew = spot.made_at != nullptr ? crew_of(*spot.made_at, result.made) : Crew{{}, true};
    UnassignedResult kept{.result = t.now(),
                          .tool = result.tool,
                          .why = why,
                          .reading = result.reading,
                          .operator_ = only_one(crew),
                          .made = result.made,
                          .made_by = std::move(crew),
                          .epoch = result.epoch,
                          .digest = result.digest};
    if (ToolState* tool = tool_of(t.state, result.tool)) {
        kept.tool_overdue = is_out_of_calibration(*tool);
        kept.curve = take_early_curve(*tool, result.epoch, result.reading.counter);
    }
    if (stay != nullptr) {
        const EventNumber id = stay->id;
        if (stay->unassigned.size() < unassigned_in_stay)
            stay->unassigned.push_back(std::move(kept));
        else
            count_beyond(*stay, t.now());
        return Unassigned{why, id};
    }
    t.state.unassigned.push_back(std::move(kept));
    if (t.state.unassigned.size() > unassigned_kept)
        t.state.unassigned.erase(t.state.unassigned.begin());
    return Unassigned{why, std::nullopt};
}

Outcome file_late(Transition& t, const BayState& bay, const EndedStay& stay, const ResultReceived& result) {
    const ToolState* tool = tool_of(t.state, result.tool);
    const bool against = (tool != nullptr && is_out_of_calibration(*tool)) ||
                         speaks_against(t.rules, stay, result.tool, result.reading);
    if (against) {
        hold_unit(t.state, stay.unit, t.now(), "a late result speaks against it");
        t.alarm(AlarmCode::late_result_against_unit, bay.id, stay.unit, "a result that came late");
    }
    return FiledLate{stay.id, stay.unit, against};
}

// ---- one fastener -------------------------------------------------------------------------------------

struct Candidate {
    const config::Joint* joint;
    JointState* state;
};

struct Target {
    Candidate at;
    std::uint32_t fastener;
    std::uint32_t pass;
};

void note_crew(JointState& joint, const Crew& crew) {
    joint.tightened_unsigned = joint.tightened_unsigned || crew.nobody;
    for (const PersonNumber person : crew.people) {
        if (std::ranges::find(joint.tightened_by, person) == joint.tightened_by.end())
            joint.tightened_by.push_back(person);
    }
}

void add_finding(Judgement& judgement, FindingCode code) {
    judgement.findings.push_back({code, "", ""});
    judgement.verdict = judgement.verdict == Verdict::undefined ? Verdict::undefined : Verdict::not_ok;
}

// The values may be right and the fastener's past still forbid to count them.
Judgement judge_with_past(const Target& target, const config::Tool& tool, const Reading& reading,
                          bool too_early) {
    Judgement judgement =
        evaluation::judge(*target.at.joint, target.at.joint->passes[target.pass], tool, reading);
    const FastenerState& fastener = target.at.state->fasteners[target.fastener];
    if (fastener.locked)
        add_finding(judgement, FindingCode::attempts_used_up);
    if (fastener.replacement_due)
        add_finding(judgement, FindingCode::not_replaced);
    if (fastener.loosening_due)
        add_finding(judgement, FindingCode::not_loosened);
    if (too_early)
        add_finding(judgement, FindingCode::too_early);
    return judgement;
}

// The tightening that is counted, by whom it was made and how it came here.
struct Tightening {
    const config::Tool& tool;
    const Reading& reading;
    EventNumber result;
    Interval made;
    Crew crew;
    std::string epoch;
    std::uint64_t digest = 0;
    std::optional<KnownCurve> curve;  // if it came already
    bool tool_overdue = false;
    bool by_hand = false;
};

CurveOfResult curve_of(const Tightening& made) {
    return {ToolId{made.tool.id},
            made.epoch,
            made.reading.counter,
            made.digest,
            {made.reading.torque, made.reading.angle}};
}

// Good values are proof by themselves only where the pass limits no curve.
void take_good_values(PassState& pass, const Target& target, const Tightening& made, Judgement& judgement) {
    pass.proof.reset();
    pass.not_ok.reset();
    pass.awaited.reset();
    const auto tightener = only_one(made.crew);
    if (!target.at.joint->passes[target.pass].window.curve) {
        pass.proof = Proof{made.result, tightener, made.by_hand, std::nullopt, ToolId{made.tool.id}};
        return;
    }
    CurveOfResult of = curve_of(made);
    if (!made.curve) {
        pass.awaited = AwaitsCurve{std::move(of), made.result, tightener, made.by_hand};
        return;
    }
    judgement = judge_curve(*target.at.joint, target.pass, of.told, *made.curve);
    if (judgement.verdict == Verdict::ok)
        pass.proof = Proof{made.result, tightener, made.by_hand,
                           ProvenCurve{std::move(of), made.curve->digest}, ToolId{made.tool.id}};
}

// Of an overdue tool good values stay good ones, and prove nothing.
bool proves(const Judgement& judgement) {
    return judgement.verdict == Verdict::ok && judgement.findings.empty();
}

Outcome count_for(const Transition& t, const Stay& stay, const Target& target, const Tightening& made) {
    JointState& joint = *target.at.state;
    const bool too_early = is_too_early(*target.at.joint, joint, target.pass, made.made, t.event.at);
    Judgement judgement = judge_with_past(target, made.tool, made.reading, too_early);
    FastenerState& fastener = joint.fasteners[target.fastener];
    PassState& pass = fastener.passes[target.pass];
    joint.override_.reset();  // judged again
    touch(t, joint);
    note_crew(joint, made.crew);
    pass.attempts += 1;
    if (made.tool_overdue)
        judgement.findings.push_back({FindingCode::tool_overdue, "", ""});
    if (proves(judgement))
        take_good_values(pass, target, made, judgement);
    if (!proves(judgement)) {
        joint.wait.reset();  // it may have been turned, and relaxes anew
        take_not_ok(fastener, pass, target.at.joint->retry, {made.result, judgement});
    }
    return Attributed{stay.id,
                      joint.id,
                      target.fastener,
                      target.pass,
                      pass.attempts,
                      std::move(judgement),
                      pass.awaited.has_value()};
}

// ---- loosening ----------------------------------------------------------------------------------------

void loosen_fastener(const Transition& t, JointState& joint, std::uint32_t index) {
    FastenerState& fastener = joint.fasteners[index];
    for (PassState& pass : fastener.passes) {
        pass.proof.reset();
        pass.awaited.reset();
    }
    fastener.loosening_due = false;
    joint.override_.reset();
    touch(t, joint);
}

// Whether something on the joint may have been turned: a loosening can only be of such a one.
bool was_touched(const FastenerState& fastener) {
    return fastener.loosening_due || std::ranges::any_of(fastener.passes, [](const PassState& pass) {
               return pass.attempts > 0 || pass.proof || pass.not_ok;
           });
}

bool may_be_loosened(const Candidate& candidate) {
    return candidate.state->override_ || std::ranges::any_of(candidate.state->fasteners, was_touched);
}

// Or may yet, by a curve.
bool holds_proof(const FastenerState& fastener) {
    return std::ranges::any_of(fastener.passes,
                               [](const PassState& pass) { return pass.proof || pass.awaited; });
}

// What may tell at which fastener something was made.
struct Turn {
    const Reading& reading;
    std::optional<std::uint32_t> arm;  // position of the tool's arm, 1..
    const Selection* selected;         // nullptr: nobody selected one before it was made
};

Turn turn_of(const State& state, const Stay& stay, const ResultReceived& result) {
    const ToolState* tool = tool_of(state, result.tool);
    const bool selected = stay.selection && made_after(result.made, stay.selection->at);
    return {result.reading, tool != nullptr ? arm_position(*tool, result.made) : std::nullopt,
            selected ? &*stay.selection : nullptr};
}

// Counted from 1, as tools and arms say it.
std::optional<std::uint32_t> told_position(const Candidate& candidate, const Turn& turn) {
    switch (candidate.joint->placement) {
    case config::Placement::listed:
    case config::Placement::counted: return std::nullopt;
    case config::Placement::by_tool: return turn.reading.position;
    case config::Placement::by_arm: return turn.arm;
    case config::Placement::selected:
        return turn.selected != nullptr && turn.selected->joint == candidate.state->id
                   ? std::optional(turn.selected->fastener + 1)
                   : std::nullopt;
    }
    return std::nullopt;
}

std::optional<std::uint32_t> named_position(const Candidate& candidate, const Turn& turn) {
    const auto told = told_position(candidate, turn);
    const bool names_it = told && *told >= 1 && *told <= candidate.state->fasteners.size();
    return names_it ? std::optional(*told - 1) : std::nullopt;
}

// Each tightening or loosening of a selected fastener is selected for itself.
void use_selection(const Candidate& candidate, Stay& stay) {
    if (candidate.joint->placement == config::Placement::selected)
        stay.selection.reset();
}

struct Loosenable {
    Candidate at;
    std::uint32_t fastener;
};

// The one fastener that waits for a loosening, if nothing else of what the tool serves would lose anything:
// then it does not matter that nobody says which one it was.
std::optional<Loosenable> only_one_waiting(const std::vector<Candidate>& candidates, const Turn& turn) {
    std::optional<Loosenable> waiting;
    for (const Candidate& candidate : candidates) {
        const auto position = named_position(candidate, turn);
        const bool counted = candidate.joint->placement == config::Placement::counted;
        for (std::uint32_t i = 0; i < candidate.state->fasteners.size(); ++i) {
            const FastenerState& fastener = candidate.state->fasteners[i];
            if (position && *position != i)
                continue;
            const bool another = fastener.loosening_due && (waiting || counted);
            if (another || holds_proof(fastener) || (candidate.state->override_ && !fastener.loosening_due))
                return std::nullopt;
            if (fastener.loosening_due)
                waiting = Loosenable{candidate, i};
        }
    }
    return waiting;
}

std::optional<Loosenable> certainly_loosened(const std::vector<Candidate>& candidates, const Turn& turn) {
    if (candidates.size() == 1) {
        if (const auto position = named_position(candidates.front(), turn))
            return Loosenable{candidates.front(), *position};
    }
    return only_one_waiting(candidates, turn);
}

// A loosening that cannot be placed takes the proof of every joint that it may have touched. Where it might
// have been the one that a joint waits for, it is taken as that as well: all of it is tightened again.
Outcome loosen(const Transition& t, Stay& stay, std::vector<Candidate> candidates, const Turn& turn) {
    std::erase_if(candidates, [](const Candidate& c) { return !may_be_loosened(c); });
    Loosened outcome{stay.id, {}, std::nullopt};
    if (const auto one = certainly_loosened(candidates, turn)) {
        use_selection(one->at, stay);
        loosen_fastener(t, *one->at.state, one->fastener);
        outcome.joints.push_back(one->at.state->id);
        outcome.fastener = one->fastener;
        return outcome;
    }
    for (const Candidate& candidate : candidates) {
        use_selection(candidate, stay);
        take_all_proof(t, *candidate.state);
        for (FastenerState& fastener : candidate.state->fasteners)
            fastener.loosening_due = false;
        outcome.joints.push_back(candidate.state->id);
    }
    return outcome;
}

// ---- tightening ---------------------------------------------------------------------------------------

// Joints of the plan that this tool serves, up to a stage.
std::vector<Candidate> served_joints(const config::Station& station, const config::Plan& plan, Stay& stay,
                                     const ToolId& tool, std::size_t last_stage) {
    std::vector<Candidate> candidates;
    for (const PlannedJoint& planned : joints_of(station, plan, stay.other_ways)) {
        if (planned.joint == nullptr || planned.stage > last_stage || !serves(*planned.joint, tool))
            continue;
        JointState* state = joint_of(stay, planned.joint->id);
        if (state != nullptr)
            candidates.push_back({planned.joint, state});
    }
    return candidates;
}

const config::Pass& pass_now(const Candidate& candidate) {
    const std::size_t pass = pass_at_hand(*candidate.joint, *candidate.state);
    return candidate.joint->passes[std::min(pass, candidate.joint->passes.size() - 1)];
}

bool touched_in_pass(const Candidate& candidate, std::size_t pass) {
    return std::ranges::any_of(candidate.state->fasteners, [&](const FastenerState& fastener) {
        return pass < fastener.passes.size() && fastener.passes[pass].attempts > 0;
    });
}

// In a check pass a good tightening turns hardly at all: it is none there. While the check still waits, what
// is hit again was tightened in the pass before; when all is done, nothing could be meant but a second hit.
std::optional<std::size_t> pass_of_rehit(const Candidate& candidate) {
    const auto& passes = candidate.joint->passes;
    const std::size_t pass = pass_at_hand(*candidate.joint, *candidate.state);
    if (pass >= passes.size())
        return passes.size() - 1;
    if (!passes[pass].check)
        return pass;
    return pass > 0 && waits_for_check(*candidate.joint, *candidate.state) ? std::optional(pass - 1)
                                                                           : std::nullopt;
}

bool rehits(const Candidate& candidate, const Reading& reading) {
    const auto found = pass_of_rehit(candidate);
    if (!found)
        return false;
    const std::size_t pass = *found;
    return touched_in_pass(candidate, pass) &&
           evaluation::is_rehit(*candidate.joint, candidate.joint->passes[pass], reading);
}

// It counts for nothing; but whoever decided without proof had not seen it.
Outcome take_rehit(const Transition& t, const Stay& stay, JointState& joint) {
    if (joint.override_) {
        joint.override_.reset();
        touch(t, joint);
    }
    return Rehit{stay.id, joint.id};
}

std::expected<Target, UnassignedWhy> target_in(const Candidate& candidate, const Turn& turn) {
    const std::size_t pass = pass_at_hand(*candidate.joint, *candidate.state);
    const auto count = static_cast<std::uint32_t>(candidate.state->fasteners.size());
    const auto current = static_cast<std::uint32_t>(std::min(pass, candidate.joint->passes.size() - 1));
    if (config::knows_position(candidate.joint->placement)) {
        const auto position = named_position(candidate, turn);
        if (!position)
            return std::unexpected(UnassignedWhy::position_unknown);
        return Target{candidate, *position, current};
    }
    for (std::uint32_t i = 0; i < count; ++i) {
        const PassState& at = candidate.state->fasteners[i].passes[current];
        if (!at.proof && !at.awaited)
            return Target{candidate, i, current};
    }
    return std::unexpected(UnassignedWhy::no_open_joint);
}

// With something to tighten: one that only waits for curves has nothing.
std::vector<Candidate> unproven(const std::vector<Candidate>& candidates) {
    std::vector<Candidate> open;
    for (const Candidate& candidate : candidates) {
        if (pass_at_hand(*candidate.joint, *candidate.state) < candidate.joint->passes.size())
            open.push_back(candidate);
    }
    return open;
}

bool are_selected(const std::vector<Candidate>& open) {
    return std::ranges::all_of(
        open, [](const Candidate& c) { return c.joint->placement == config::Placement::selected; });
}

// Where a person selects the fastener for all of them.
std::expected<Candidate, UnassignedWhy> claimed_by_selection(const std::vector<Candidate>& open,
                                                             const Turn& turn) {
    const auto found =
        std::ranges::find_if(open, [&](const Candidate& c) { return named_position(c, turn).has_value(); });
    if (found == open.end())
        return std::unexpected(UnassignedWhy::position_unknown);
    return *found;
}

// Where several joints are open, the program tells them apart, or whoever selects; if neither does, nothing
// does.
std::expected<Candidate, UnassignedWhy> claimed_by(const std::vector<Candidate>& open, const Turn& turn) {
    if (open.empty())
        return std::unexpected(UnassignedWhy::no_open_joint);
    if (open.size() == 1)
        return open.front();
    std::vector<Candidate> by_program = open;
    std::erase_if(by_program, [&](const Candidate& c) {
        return pass_now(c).program.empty() || pass_now(c).program != turn.reading.program;
    });
    if (by_program.size() == 1)
        return by_program.front();
    if (are_selected(open))
        return claimed_by_selection(open, turn);
    if (!by_program.empty() && are_selected(by_program))
        return claimed_by_selection(by_program, turn);
    return std::unexpected(UnassignedWhy::several_joints);
}

Outcome tighten(const Transition& t, const Spot& spot, const config::Tool& tool,
                const std::vector<Candidate>& served, const ResultReceived& result) {
    Stay& stay = std::get<Stay>(spot.unit_at->occupant);
    const auto open = unproven(served);
    if (open.empty()) {
        const auto hit =
            std::ranges::find_if(served, [&](const Candidate& c) { return rehits(c, result.reading); });
        if (hit != served.end())
            return take_rehit(t, stay, *hit->state);
        return unassigned(t, spot, result, UnassignedWhy::no_open_joint);
    }
    const Turn turn = turn_of(t.state, stay, result);
    const auto claimed = claimed_by(open, turn);
    if (!claimed)
        return unassigned(t, spot, result, claimed.error());
    if (rehits(*claimed, result.reading))
        return take_rehit(t, stay, *claimed->state);
    const auto target = target_in(*claimed, turn);
    if (!target)
        return unassigned(t, spot, result, target.error());
    use_selection(*claimed, stay);
    ToolState* known = tool_of(t.state, result.tool);
    return count_for(
        t, stay, *target,
        {tool, result.reading, t.now(), result.made, crew_of(*spot.made_at, result.made), result.epoch,
         result.digest,
         known != nullptr ? take_early_curve(*known, result.epoch, result.reading.counter) : std::nullopt,
         known != nullptr && is_out_of_calibration(*known)});
}

Outcome attribute(Transition& t, const Spot& spot, const config::Station& station, const config::Tool& tool,
                  const ResultReceived& result) {
    Stay& stay = std::get<Stay>(spot.unit_at->occupant);
    if (!is_certain(stay))
        return unassigned(t, spot, result, UnassignedWhy::question_open);
    const config::Plan* plan = plan_of(station, stay);
    if (plan == nullptr)
        return unassigned(t, spot, result, UnassignedWhy::not_identified);
    const auto served = [&](std::size_t last_stage) {
        return served_joints(station, *plan, stay, result.tool, last_stage);
    };
    switch (result.reading.direction) {
    case Direction::loosen:
        // A joint of a later stage may have been tightened while an earlier stage was done: of every stage.
        return loosen(t, stay, served(plan->stages.size()), turn_of(t.state, stay, result));
    case Direction::tighten: return tighten(t, spot, tool, served(open_stage(station, *plan, stay)), result);
    }
    return unassigned(t, spot, result, UnassignedWhy::no_open_joint);
}

// Why a result does not count, whatever stay it was made in.
std::optional<UnassignedWhy> doubt_about(Arrival arrival, const ToolState& tool) {
    switch (arrival) {
    case Arrival::next:
    case Arrival::repeated:
    case Arrival::before_baseline:
        return tool.conflict ? std::optional(UnassignedWhy::conflicting) : std::nullopt;
    case Arrival::conflict: return UnassignedWhy::conflicting;
    case Arrival::out_of_count: return UnassignedWhy::count_broken;
    case Arrival::after_all: return UnassignedWhy::gap_accepted;
    case Arrival::maybe_counted: return UnassignedWhy::maybe_counted;
    }
    return UnassignedWhy::count_broken;
}

bool was_at_one_of(const Stay& stay, const config::Tool& tool, const Interval& made) {
    return std::ranges::any_of(config::bays_of(tool), [&](const std::string& id) {
        return may_be_made_there(stay.earlier_places, BayId{id}, made);
    });
}

// Of a shared tool: each unit at its bays, or that was at one of them then, waits for a word about it.
Outcome between_bays(Transition& t, const config::Tool& tool, const ResultReceived& result) {
    std::optional<Outcome> outcome;
    for (BayState& bay : t.state.bays) {
        const Stay* stay = stay_at(bay);
        const bool here =
            stay != nullptr && config::is_at(tool, bay.id.text) && may_be_made_here(*stay, result.made);
        if (!here && (stay == nullptr || !was_at_one_of(*stay, tool, result.made)))
            continue;
        Outcome one = unassigned(t, at_one(&bay), result, UnassignedWhy::between_bays);
        if (!outcome)
            outcome = std::move(one);
    }
    return outcome ? *outcome : unassigned(t, {}, result, UnassignedWhy::between_bays);
}

Outcome nowhere(Transition& t, const BayState& made_at, const Elsewhere& where,
                const ResultReceived& result) {
    std::optional<Outcome> outcome;
    for (BayState* bay : where.concerned) {
        Outcome one = unassigned(t, {&made_at, bay}, result, where.why);
        if (!outcome)
            outcome = std::move(one);
    }
    return outcome ? *outcome : unassigned(t, {}, result, where.why);
}

Outcome place(Transition& t, const ToolState& state, const ResultReceived& result,
              std::optional<UnassignedWhy> doubt) {
    const config::Station* in_force = rules_of(t.rules, t.state.rules);
    const config::Tool* tool = in_force != nullptr ? tool_in(*in_force, result.tool) : nullptr;
    if (tool == nullptr)
        return unassigned(t, {}, result, UnassignedWhy::unknown_tool);
    const auto whose = bay_when(*tool, state, result.made);
    if (!whose)
        return between_bays(t, *tool, result);
    BayState* bay = bay_of(t.state, *whose);
    if (bay == nullptr)
        return unassigned(t, {}, result, UnassignedWhy::unknown_tool);
    const Whereabouts where = place_of(t.state, *bay, result.made);
    const auto* present = std::get_if<InPresent>(&where);
    const Spot spot{bay, present != nullptr ? present->bay : bay};
    const config::Station* station = rules_at(t.rules, t.state, *spot.unit_at);
    const config::Tool* tool_then = station != nullptr ? tool_in(*station, result.tool) : nullptr;
    const config::Bay* known = station != nullptr ? bay_in(*station, bay->id) : nullptr;
    if (tool_then == nullptr || known == nullptr || !config::is_at(*tool_then, bay->id.text))
        return unassigned(t, spot, result, UnassignedWhy::unknown_tool);
    // No rules are changed so while a unit is there; but a real unit is worth asking both.
    if ((tool->simulated || tool_then->simulated) && !known->simulated)
        return unassigned(t, spot, result, UnassignedWhy::simulated_tool);
    return std::visit(
        Overloaded{[&](const Elsewhere& elsewhere) { return nowhere(t, *bay, elsewhere, result); },
                   [&](const InEnded& in) { return file_late(t, *bay, *in.stay, result); },
                   [&](const InPresent&) {
                       return doubt ? unassigned(t, spot, result, *doubt)
                                    : attribute(t, spot, *station, *tool_then, result);
                   }},
        where);
}

// Whether people who decide about the tool's count must have seen this result.
void note_change(const Transition& t, ToolState& tool, Arrival arrival) {
    const bool in_doubt =
        std::holds_alternative<Broken>(tool.count) || tool.conflict || arrival == Arrival::after_all;
    if (in_doubt && arrival != Arrival::repeated)
        tool.changed = t.now();
}

}  // namespace

Outcome apply(Transition& t, const ResultReceived& result) {
    ToolState* tool = tool_of(t.state, result.tool);
    if (tool == nullptr)
        return unassigned(t, {}, result, UnassignedWhy::unknown_tool);
    const Arrival arrival = count(*tool, result, t.event.at);
    if (arrival == Arrival::conflict)
        tool->conflict = true;
    else
        acknowledge_count(t, *tool);
    note_change(t, *tool, arrival);
    if (arrival == Arrival::repeated)
        return Repeated{};
    if (arrival == Arrival::before_baseline)
        return BeforeBaseline{};
    const bool disabled = ran_while_disabled(*tool, result.made);
    if (disabled)
        t.alarm(AlarmCode::ran_while_disabled, BayId{}, Serial{}, "tool " + result.tool.text);
    // What it turned on is not known by the steps; a loosening takes proof away as ever.
    const bool counts_for_nothing = disabled && result.reading.direction == Direction::tighten;
    const auto doubt = doubt_about(arrival, *tool);
    Outcome outcome = place(
        t, *tool, result, counts_for_nothing && !doubt ? std::optional(UnassignedWhy::tool_disabled) : doubt);
    if (arrival != Arrival::conflict)
        return outcome;
    t.alarm(AlarmCode::result_conflict, BayId{}, Serial{}, "tool " + result.tool.text);
    return Conflict{};
}

void take_not_ok(FastenerState& fastener, PassState& pass, const config::Retry& retry, NotOk not_ok) {
    pass.proof.reset();
    pass.awaited.reset();
    pass.not_ok = std::move(not_ok);
    if (retry.loosening_between)
        fastener.loosening_due = true;
    if (retry.replace_fastener)
        fastener.replacement_due = true;
    if (pass.attempts >= retry.attempts)
        fastener.locked = true;
}

bool may_be_made_in(const Stay& stay, const Interval& made) { return !made_before(made, stay.began); }

Outcome file_by_hand(const Transition& t, const config::Station& station, Stay& stay,
                     const UnassignedResult& result, const JointId& id, std::uint32_t fastener) {
    const config::Joint* joint = joint_in(station, stay.other_ways, id.text);
    JointState* state = joint_of(stay, id.text);
    const config::Tool* tool = tool_in(station, result.tool);
    if (result.reading.direction == Direction::loosen) {
        loosen_fastener(t, *state, fastener);
        return Loosened{stay.id, {state->id}, fastener};
    }
    const auto pass =
        static_cast<std::uint32_t>(std::min(current_pass(*joint, *state), joint->passes.size() - 1));
    return count_for(t, stay, Target{{joint, state}, fastener, pass},
                     {*tool, result.reading, result.result, result.made, result.made_by, result.epoch,
                      result.digest, result.curve, result.tool_overdue, true});
}

}  // namespace tautgate::interlock
