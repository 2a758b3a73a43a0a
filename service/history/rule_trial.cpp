#include "service/history/rule_trial.hpp"

#include <algorithm>
#include <iterator>
#include <set>
#include <utility>

#include <boost/describe/enum_to_string.hpp>

#include "protocol/trace.hpp"
#include "service/interlock/lookup.hpp"
#include "service/interlock/overloaded.hpp"

namespace tautgate::history {
namespace {

using namespace interlock;  // the words of the core, in this file only

const Revision the_proposal{"the proposal"};

template <class Kind>
const Kind* as(const Outcome& outcome) {
    return std::get_if<Kind>(&outcome);
}

BayState* bay_with(State& state, EventNumber id) {
    const auto found = std::ranges::find_if(state.bays, [&](const BayState& bay) {
        const Stay* stay = stay_at(bay);
        return stay != nullptr && stay->id == id;
    });
    return found == state.bays.end() ? nullptr : &*found;
}
const BayState* bay_with(const State& state, EventNumber id) {
    return bay_with(const_cast<State&>(state), id);  // NOLINT(cppcoreguidelines-pro-type-const-cast)
}

// ---- what a tightening was taken for --------------------------------------------------------------------

Taken taken_for(evaluation::Verdict verdict) {
    switch (verdict) {
    case evaluation::Verdict::ok: return Taken::ok;
    case evaluation::Verdict::not_ok: return Taken::not_ok;
    case evaluation::Verdict::not_decidable: return Taken::not_decidable;
    case evaluation::Verdict::undefined: return Taken::undefined;
    }
    return Taken::something_else;
}

std::string fastener_name(const config::Station* station, const JointId& id, std::uint32_t index) {
    const config::Joint* joint = station != nullptr ? joint_in(*station, id.text) : nullptr;
    return joint != nullptr && index < joint->fasteners.size() ? joint->fasteners[index].name
                                                               : "no. " + std::to_string(index + 1);
}

// Nothing: it does not concern the stay.
std::optional<View> view_of(const Outcome& outcome, EventNumber stay, const config::Station* station) {
    if (const auto* counted = as<Attributed>(outcome); counted != nullptr && counted->stay == stay)
        return View{counted->awaits_curve ? Taken::awaits_curve : taken_for(counted->judgement.verdict),
                    counted->joint.text,
                    fastener_name(station, counted->joint, counted->fastener),
                    counted->judgement.findings,
                    {}};
    if (const auto* curve = as<CurveJudged>(outcome); curve != nullptr && curve->stay == stay)
        return View{taken_for(curve->judgement.verdict),
                    curve->joint.text,
                    fastener_name(station, curve->joint, curve->fastener),
                    curve->judgement.findings,
                    {}};
    if (const auto* rehit = as<Rehit>(outcome); rehit != nullptr && rehit->stay == stay)
        return View{Taken::rehit, rehit->joint.text, {}, {}, {}};
    if (const auto* loosened = as<Loosened>(outcome); loosened != nullptr && loosened->stay == stay)
        return View{Taken::loosening,
                    loosened->joints.empty() ? std::string() : loosened->joints.front().text,
                    loosened->fastener ? fastener_name(station, loosened->joints.front(), *loosened->fastener)
                                       : std::string(),
                    {},
                    {}};
    if (const auto* kept = as<Unassigned>(outcome); kept != nullptr && kept->stay == stay)
        return View{Taken::unassigned, {}, {}, {}, kept->why};
    return std::nullopt;
}

// The same limit in other words is no difference.
bool same_codes(const std::vector<evaluation::Finding>& one, const std::vector<evaluation::Finding>& other) {
    return std::ranges::equal(one, other, {}, &evaluation::Finding::code, &evaluation::Finding::code);
}

bool same_view(const View& one, const View& other) {
    return one.taken == other.taken && one.joint == other.joint && one.fastener == other.fastener &&
           one.why == other.why && same_codes(one.findings, other.findings);
}

// The limits by which the tool judged were those of its plan.
bool fitted_the_plan(const Outcome& outcome) {
    const auto* counted = as<Attributed>(outcome);
    return counted != nullptr &&
           std::ranges::find(counted->judgement.findings, evaluation::FindingCode::tool_limits_differ,
                             &evaluation::Finding::code) == counted->judgement.findings.end();
}

// Nothing speaks against it but what the tool, by limits of its own, made of it.
bool is_tools_own_word(const View& was, const View& would_be) {
    return was.taken != Taken::ok && would_be.taken == Taken::not_ok &&
           std::ranges::all_of(would_be.findings, [](const evaluation::Finding& finding) {
               return finding.code == evaluation::FindingCode::tool_says_not_ok ||
                      finding.code == evaluation::FindingCode::verdicts_disagree;
           });
}

// ---- the course of things -------------------------------------------------------------------------------

bool same_pass(const PassState& one, const PassState& other) {
    const auto result = [](const auto& about) { return about ? std::optional(about->result) : std::nullopt; };
    const bool both_not_ok = one.not_ok && other.not_ok;
    return one.attempts == other.attempts && result(one.proof) == result(other.proof) &&
           result(one.not_ok) == result(other.not_ok) && result(one.awaited) == result(other.awaited) &&
           (!both_not_ok || same_codes(one.not_ok->judgement.findings, other.not_ok->judgement.findings));
}

bool same_course(const FastenerState& one, const FastenerState& other) {
    return one.locked == other.locked && one.loosening_due == other.loosening_due &&
           one.replacement_due == other.replacement_due &&
           std::ranges::equal(one.passes, other.passes, same_pass);
}

bool same_override(const std::optional<Override>& one, const std::optional<Override>& other) {
    return one.has_value() == other.has_value() && (!one || one->proposal == other->proposal);
}

// The result, the curve or the act is of a joint or a step that the stay does not have by the proposal.
std::optional<std::string> joint_of_outcome(const Outcome& outcome) {
    if (const auto* counted = as<Attributed>(outcome))
        return counted->joint.text;
    if (const auto* curve = as<CurveJudged>(outcome))
        return curve->joint.text;
    if (const auto* rehit = as<Rehit>(outcome))
        return rehit->joint.text;
    if (const auto* loosened = as<Loosened>(outcome); loosened != nullptr && loosened->joints.size() == 1)
        return loosened->joints.front().text;
    return std::nullopt;
}

bool has_step(const config::Plan& plan, const std::string& id) {
    return std::ranges::any_of(plan.stages, [&](const config::Stage& stage) {
        return std::ranges::any_of(stage.steps, [&](const config::Step& step) {
            const auto* confirm = std::get_if<config::ConfirmStep>(&step);
            return confirm != nullptr && confirm->id == id;
        });
    });
}

// ---- acts of people -------------------------------------------------------------------------------------

struct Act {
    std::string what;
    std::string joint;  // that it is about; empty: about none
};

std::string joint_in_action(const Action& action) {
    return std::visit(
        [](const auto& each) {
            if constexpr (requires { each.joint.text; })
                return each.joint.text;
            else
                return std::string();
        },
        action);
}

constexpr std::string_view kind_of_action(const Action& action) {
    return std::visit(Overloaded{[](const OverrideJoint&) { return "OverrideJoint"; },
                                 [](const TakeBackOverride&) { return "TakeBackOverride"; },
                                 [](const LeaveIncomplete&) { return "LeaveIncomplete"; },
                                 [](const AcceptGap&) { return "AcceptGap"; },
                                 [](const AcceptSource&) { return "AcceptSource"; },
                                 [](const UnlockFastener&) { return "UnlockFastener"; },
                                 [](const AssignResult&) { return "AssignResult"; },
                                 [](const SetResultAside&) { return "SetResultAside"; },
                                 [](const UnitStillHere&) { return "UnitStillHere"; },
                                 [](const UnitHasLeft&) { return "UnitHasLeft"; },
                                 [](const CorrectTicket&) { return "CorrectTicket"; },
                                 [](const AcceptReturn&) { return "AcceptReturn"; },
                                 [](const AcknowledgeMove&) { return "AcknowledgeMove"; },
                                 [](const RearmPermissive&) { return "RearmPermissive"; },
                                 [](const DisposeSetAside&) { return "DisposeSetAside"; },
                                 [](const AcceptDifference&) { return "AcceptDifference"; },
                                 [](const PlaceHold&) { return "PlaceHold"; },
                                 [](const LiftHold&) { return "LiftHold"; },
                                 [](const PlaceHoldOn&) { return "PlaceHoldOn"; },
                                 [](const LiftHoldFrom&) { return "LiftHoldFrom"; },
                                 [](const RecordCalibration&) { return "RecordCalibration"; },
                                 [](const PlaceBypass&) { return "PlaceBypass"; },
                                 [](const EndBypass&) { return "EndBypass"; },
                                 [](const VerifyRestart&) { return "VerifyRestart"; },
                                 [](const WitnessJoint&) { return "WitnessJoint"; },
                                 [](const SettleOrder&) { return "SettleOrder"; },
                                 [](const AcceptReuse&) { return "AcceptReuse"; }},
                      action);
}

// Of people at this bay; nothing for everything else.
std::optional<Act> act_of(const Payload& payload, const BayId& bay) {
    if (const auto* proposed = std::get_if<Proposed>(&payload); proposed != nullptr && proposed->bay == bay)
        return Act{std::string(kind_of_action(proposed->action)), joint_in_action(proposed->action)};
    if (const auto* seconded = std::get_if<Seconded>(&payload); seconded != nullptr && seconded->bay == bay)
        return Act{"Seconded", {}};
    if (const auto* check = std::get_if<CheckConfirmed>(&payload); check != nullptr && check->bay == bay)
        return Act{"CheckConfirmed", check->step};
    if (const auto* button = std::get_if<ButtonPressed>(&payload); button != nullptr && button->bay == bay)
        return Act{"ButtonPressed", button->step};
    if (const auto* checked = std::get_if<HandChecked>(&payload); checked != nullptr && checked->bay == bay)
        return Act{"HandChecked", checked->joint.text};
    return std::nullopt;
}

// Decisions are put to the proposal as that sees the unit, and so is a curve, which is of one result and no
// other. What tools and people do at the bay meets what was then.
bool meets_own_view(const Payload& payload) {
    return std::holds_alternative<Proposed>(payload) || std::holds_alternative<Seconded>(payload) ||
           std::holds_alternative<TraceReceived>(payload) || std::holds_alternative<CurveGivenUp>(payload);
}

std::optional<ActKind> kind_of(const Outcome& was, const Outcome& own) {
    const auto* refused_then = as<Refused>(was);
    const auto* refused_now = as<Refused>(own);
    if (refused_then != nullptr || refused_now != nullptr) {
        if (refused_then != nullptr && refused_now != nullptr)
            return std::nullopt;
        if (refused_then != nullptr)
            return ActKind::accepted;
        return refused_now->code == RefusalCode::already_settled ? ActKind::not_needed : ActKind::refused;
    }
    const bool waited = as<AwaitsSecond>(was) != nullptr;
    if (waited != (as<AwaitsSecond>(own) != nullptr))
        return waited ? ActKind::second_not_needed : ActKind::second_needed;
    const bool otherwise = (as<InsideAudit>(was) != nullptr && as<OutsideAudit>(own) != nullptr) ||
                           (as<OutsideAudit>(was) != nullptr && as<InsideAudit>(own) != nullptr);
    return otherwise ? std::optional(ActKind::judged_otherwise) : std::nullopt;
}

std::string sentence_of(const Outcome& outcome) {
    if (const auto* refused = as<Refused>(outcome))
        return sentence(*refused);
    if (const auto* inside = as<InsideAudit>(outcome))
        return sentence(*inside);
    if (const auto* outside = as<OutsideAudit>(outcome))
        return sentence(*outside);
    return {};
}

// ---- outputs --------------------------------------------------------------------------------------------

bool is_released(const Output& output) { return std::holds_alternative<Released>(output); }

std::string key_of(const Reason& reason) {
    return std::string(boost::describe::enum_to_string(reason.code, "")) + "/" + reason.joint + "/" +
           reason.fastener + "/" + reason.tool;
}

bool only_waits_for_curves(const std::vector<Reason>& reasons) {
    return !reasons.empty() && std::ranges::all_of(reasons, [](const Reason& reason) {
        return reason.code == ReasonCode::curve_awaited;
    });
}

}  // namespace

// ---- one stay -------------------------------------------------------------------------------------------

StayTrial::StayTrial(domain::EventNumber stay, RuleBook then, State before,
                     std::shared_ptr<const TrialRules> proposal, CurveBytes curves)
    : rules_(std::move(then)), state_(std::move(before)), proposal_(std::move(proposal)),
      curves_(std::move(curves)) {
    found_.stay = stay;
    // Shares ownership with the rest of the proposal.
    rules_[the_proposal] = std::shared_ptr<const config::Station>(proposal_, &proposal_->station);
    if (state_.rules)
        found_.rules = state_.rules->digest;
    state_.rules = the_proposal;
}

Stay* StayTrial::own_stay() {
    BayState* bay = own_bay();
    return bay != nullptr ? stay_at(*bay) : nullptr;
}

BayState* StayTrial::own_bay() { return bay_with(state_, found_.stay); }

void StayTrial::note_stored_otherwise(domain::EventNumber event) {
    if (!found_.stored_otherwise)
        found_.stored_otherwise = event;
}

bool StayTrial::is_gone(const Event& event, const Record& record) {
    const Stay* stay = own_stay();
    const config::Plan* plan = stay != nullptr ? plan_of(proposal_->station, *stay) : nullptr;
    if (plan == nullptr)
        return false;
    const auto lacks = [&](const std::string& joint) { return joint_of(*stay, joint) == nullptr; };
    if (const auto joint = joint_of_outcome(record.outcome); joint && lacks(*joint))
        return true;
    const auto act = act_of(event.payload, own_bay()->id);
    if (!act || act->joint.empty() || as<Refused>(record.outcome) != nullptr)
        return false;
    return lacks(act->joint) && !has_step(*plan, act->joint);
}

TraceReceived StayTrial::with_curve(const TraceReceived& trace) const {
    TraceReceived read = trace;
    const auto wanted = proposal_->curves_anew.find(trace.tool.text);
    const auto bytes =
        wanted != proposal_->curves_anew.end() && curves_ ? curves_(trace.digest) : std::nullopt;
    if (!bytes)
        return read;
    const config::Tool* tool = tool_in(proposal_->station, trace.tool);
    const auto curve = protocol::decode_trace(*bytes);
    const bool steps =
        tool != nullptr && tool->torque_resolution.micro_nm > 0 && tool->angle_resolution.micro_deg > 0;
    read.read =
        curve
            ? protocol::measure(*curve, wanted->second,
                                steps ? protocol::CurveSteps{tool->torque_resolution, tool->angle_resolution}
                                      : protocol::CurveSteps{})
            : protocol::CurveReport{};
    return read;
}

Decision StayTrial::decided_anew(const Event& event, const Record& record) {
    if (const auto* trace = std::get_if<TraceReceived>(&event.payload))
        return decide(rules_, std::move(state_), {event.number, event.at, with_curve(*trace)});
    const auto* result = std::get_if<ResultReceived>(&event.payload);
    if (result == nullptr || result->reading.tool_limits == protocol::ToolLimits{} ||
        !fitted_the_plan(record.outcome))
        return decide(rules_, std::move(state_), event);
    ResultReceived without_limits = *result;
    without_limits.reading.tool_limits = {};
    return decide(rules_, std::move(state_), {event.number, event.at, std::move(without_limits)});
}

void StayTrial::add(const Event& event, const State& after, const Record& record) {
    const BayState* bay = bay_with(after, found_.stay);
    if (bay == nullptr || found_.not_followed)
        return;
    found_.last = event.number;
    const bool began = event.number == found_.stay;
    // The rules of the proposal stay in force; what is of a joint that it does not have did not happen.
    if (std::holds_alternative<RulesApproved>(event.payload) || (!began && is_gone(event, record))) {
        state_.newest = event.number;
        state_.tools = after.tools;
        return;
    }
    const bool overlaid = meets_own_view(event.payload) && !(own_fasteners_.empty() && own_heads_.empty());
    const std::vector<JointState> before =
        own_fasteners_.empty() && own_heads_.empty() ? std::vector<JointState>{} : own_stay()->joints;
    if (overlaid)
        swap_own();
    Decision decision = decided_anew(event, record);
    state_ = std::move(decision.state);
    if (own_bay() == nullptr) {
        found_.not_followed = event.number;
        return;
    }
    look_at_results(event, record, decision.record);
    look_at_act(event, record, decision.record);
    keep_course(*stay_at(*bay), overlaid, before);
    look_at_outputs(event, *bay);
}

void StayTrial::look_at_results(const Event& event, const Record& was, const Record& own) {
    const auto* result = std::get_if<ResultReceived>(&event.payload);
    found_.results += result != nullptr ? 1 : 0;
    const config::Station* station = &proposal_->station;
    const auto then = view_of(was.outcome, found_.stay, station);
    const auto now = view_of(own.outcome, found_.stay, station);
    if (const auto* counted = as<Attributed>(was.outcome); counted != nullptr && counted->stay == found_.stay)
        ++found_.joints[counted->joint.text].tightenings;
    if (!then && !now)
        return;
    const auto* judged_then = as<CurveJudged>(was.outcome);
    const auto* judged_now = as<CurveJudged>(own.outcome);
    const EventNumber about = judged_now != nullptr    ? judged_now->result
                              : judged_then != nullptr ? judged_then->result
                                                       : event.number;
    const auto known = views_.find(about);
    const bool by_curve = judged_then != nullptr || judged_now != nullptr;
    if (known == views_.end() && then && now && same_view(*then, *now) && now->taken != Taken::awaits_curve)
        return;
    Views& views = known != views_.end() ? known->second : views_[about];
    if (known == views_.end()) {
        views.utc_us = event.at.utc_us;
        views.tool = result != nullptr ? result->tool : ToolId{};
    }
    if (then || !by_curve)
        views.was = then.value_or(View{});
    if (now || !by_curve)
        views.would_be = now.value_or(View{});
}

void StayTrial::look_at_act(const Event& event, const Record& was, const Record& own) {
    const auto act = act_of(event.payload, own_bay()->id);
    if (!act)
        return;
    const auto* seconded = std::get_if<Seconded>(&event.payload);
    if (seconded != nullptr && std::ranges::find(refused_here_, seconded->proposal) != refused_here_.end())
        return;
    const auto kind = kind_of(was.outcome, own.outcome);
    if (!kind)
        return;
    if (seconded == nullptr)
        refused_here_.push_back(event.number);
    note(*kind, event, act->what, sentence_of(own.outcome));
}

void StayTrial::note(ActKind kind, const Event& event, std::string what, std::string sentence) {
    found_.acts.push_back({event.number, event.at.utc_us, kind, std::move(what), std::move(sentence)});
}

void StayTrial::swap_own() {
    Stay* stay = own_stay();
    for (OwnFastener& own : own_fasteners_) {
        JointState* joint = joint_of(*stay, own.joint);
        if (joint != nullptr && own.fastener < joint->fasteners.size())
            std::swap(joint->fasteners[own.fastener], own.state);
    }
    for (OwnHead& own : own_heads_) {
        if (JointState* joint = joint_of(*stay, own.joint)) {
            std::swap(joint->confirmed, own.head.confirmed);
            std::swap(joint->confirmed_by, own.head.confirmed_by);
            std::swap(joint->override_, own.head.override_);
        }
    }
}

// What differs is kept aside, and the next event meets what was then. What was kept aside before stays so as
// long as neither side turned the fastener.
void StayTrial::keep_course(const Stay& was, bool overlaid, const std::vector<JointState>& before) {
    const auto fasteners_before = std::exchange(own_fasteners_, {});
    const auto heads_before = std::exchange(own_heads_, {});
    const bool had_own = !fasteners_before.empty() || !heads_before.empty();
    own_stay()->selection = was.selection;
    for (JointState& joint : own_stay()->joints) {
        const JointState* then = joint_of(was, joint.id.text);
        if (then == nullptr || then->fasteners.size() != joint.fasteners.size())
            continue;
        joint.wait = then->wait;
        const auto earlier = std::ranges::find(before, joint.id, &JointState::id);
        const bool untouched_known = had_own && !overlaid && earlier != before.end() &&
                                     earlier->fasteners.size() == joint.fasteners.size();
        for (std::size_t i = 0; i < joint.fasteners.size(); ++i) {
            if (!same_course(joint.fasteners[i], then->fasteners[i])) {
                own_fasteners_.push_back(
                    {joint.id.text, i, std::exchange(joint.fasteners[i], then->fasteners[i])});
                continue;
            }
            const auto kept = std::ranges::find_if(fasteners_before, [&](const OwnFastener& own) {
                return own.joint == joint.id.text && own.fastener == i;
            });
            if (kept != fasteners_before.end() && untouched_known &&
                same_course(earlier->fasteners[i], then->fasteners[i]))
                own_fasteners_.push_back(*kept);
        }
        const bool same_head =
            joint.confirmed == then->confirmed && same_override(joint.override_, then->override_);
        if (!same_head) {
            own_heads_.push_back({joint.id.text,
                                  {std::exchange(joint.confirmed, then->confirmed),
                                   std::exchange(joint.confirmed_by, then->confirmed_by),
                                   std::exchange(joint.override_, then->override_)}});
            continue;
        }
        const auto kept = std::ranges::find(heads_before, joint.id.text, &OwnHead::joint);
        if (kept != heads_before.end() && untouched_known && earlier->confirmed == then->confirmed &&
            same_override(earlier->override_, then->override_))
            own_heads_.push_back(*kept);
    }
}

void StayTrial::look_at_outputs(const Event& event, const BayState& was) {
    const bool has_own = !own_fasteners_.empty() || !own_heads_.empty();
    if (has_own)
        swap_own();
    BayState& bay = *own_bay();
    for (PermissiveState& own : bay.permissives) {
        const auto then = std::ranges::find(was.permissives, own.id, &PermissiveState::id);
        if (then == was.permissives.end() || permissive_in(proposal_->station, own.id) == nullptr)
            continue;
        if (has_own && !std::holds_alternative<LeavingIncomplete>(own.output)) {
            auto reasons = holds_of(rules_, state_, bay, own.id);
            const bool released = reasons.empty();
            look_at_output(event, *then, std::move(reasons), released);
        } else if (is_released(own.output) != is_released(then->output) || !is_released(own.output)) {
            look_at_output(event, *then, own.reasons, is_released(own.output));
        } else {
            look_at_output(event, *then, {}, true);
        }
        // A movement that was made while it was released was no movement unproven.
        if (is_released(own.output) != is_released(then->output))
            own = *then;
    }
    if (has_own)
        swap_own();
}

void StayTrial::look_at_output(const Event& event, const PermissiveState& was, std::vector<Reason> reasons,
                               bool released) {
    Track& track = tracks_[was.id.text];
    const bool released_then = is_released(was.output);
    if (released && !track.would_be)
        track.would_be = event.number;
    if (released_then && !track.was) {
        track.was = event.number;
        if (!released)
            track.held_when_it_came = reasons;
    }
    note_needed(event, was, reasons);
    track.released = released_then;
    track.released_by_proposal = released;
    track.held_since = std::move(reasons);
}

// The hold itself is of the movement, and that was made by what was shown then.
void StayTrial::note_needed(const Event& event, const PermissiveState& was,
                            const std::vector<Reason>& reasons) {
    for (const Reason& reason : reasons) {
        if (text_of(reason.code).clears != Clears::by_decision || reason.code == ReasonCode::moved_unproven)
            continue;
        const std::string key = key_of(reason);
        const bool then =
            std::ranges::any_of(was.reasons, [&](const Reason& each) { return key_of(each) == key; });
        if (then || std::ranges::find(needed_, key) != needed_.end())
            continue;
        needed_.push_back(key);
        note(ActKind::needed, event, std::string(boost::describe::enum_to_string(reason.code, "")),
             sentence(reason));
    }
}

void StayTrial::tell_tightenings() {
    std::set<std::string> with_difference;
    for (auto& [event, views] : views_) {
        const std::string& joint = views.was.joint.empty() ? views.would_be.joint : views.was.joint;
        if (views.would_be.taken == Taken::awaits_curve && views.was.taken != Taken::awaits_curve) {
            found_.without_curve.push_back(event);
            ++found_.joints[joint].not_told;
            continue;
        }
        if (same_view(views.was, views.would_be))
            continue;
        JointTally& tally = found_.joints[joint];
        if (is_tools_own_word(views.was, views.would_be)) {
            views.would_be.taken = Taken::tools_own_word;
            ++tally.not_told;
        } else if (views.was.taken == Taken::ok)
            ++tally.ok_to_not_ok;
        else if (views.would_be.taken == Taken::ok)
            ++tally.not_ok_to_ok;
        else
            ++tally.otherwise;
        with_difference.insert(joint);
        found_.tightenings.push_back(
            {event, views.utc_us, views.tool, std::move(views.was), std::move(views.would_be)});
    }
    for (const std::string& joint : with_difference)
        found_.joints[joint].units = 1;
}

void StayTrial::tell_releases() {
    for (auto& [id, track] : tracks_) {
        std::optional<ReleaseKind> kind;
        if (track.was && !track.would_be)
            kind = only_waits_for_curves(track.held_when_it_came) ? ReleaseKind::cannot_be_told
                                                                  : ReleaseKind::would_not_have_come;
        else if (!track.was && track.would_be)
            kind = ReleaseKind::would_have_come;
        else if (track.was && *track.would_be > *track.was)
            kind = ReleaseKind::would_have_come_later;
        else if (track.was && *track.would_be < *track.was)
            kind = ReleaseKind::would_have_come_earlier;
        else if (track.released && !track.released_by_proposal)
            kind = ReleaseKind::would_have_been_lost;
        if (!kind)
            continue;
        const bool lost = *kind == ReleaseKind::would_have_been_lost;
        found_.releases.push_back({PermissiveId{id}, *kind, track.was, track.would_be,
                                   std::move(lost ? track.held_since : track.held_when_it_came)});
    }
}

StayFindings StayTrial::findings() && {
    if (const BayState* bay = own_bay()) {
        found_.bay = bay->id.text;
        found_.began_utc_us = stay_at(*bay)->began.utc_us;
        if (const auto* known = std::get_if<Identified>(&stay_at(*bay)->identity)) {
            found_.unit = known->unit.text;
            found_.variant = known->variant;
        }
    }
    tell_tightenings();
    tell_releases();
    return std::move(found_);
}

void add_to(Trial& trial, StayFindings found) {
    ++trial.stays;
    trial.results += found.results;
    if (found.stored_otherwise)
        trial.stored_otherwise.push_back(found.stay);
    for (const auto& [joint, tally] : found.joints) {
        JointTally& all = trial.joints[joint];
        all.tightenings += tally.tightenings;
        all.ok_to_not_ok += tally.ok_to_not_ok;
        all.not_ok_to_ok += tally.not_ok_to_ok;
        all.otherwise += tally.otherwise;
        all.not_told += tally.not_told;
        all.units += tally.units;
    }
    if (found.differs() || !found.without_curve.empty())
        trial.differing.push_back(std::move(found));
}

}  // namespace tautgate::history
