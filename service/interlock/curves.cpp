// What a curve makes of the result that it belongs to. It is known by the key of that result and by nothing
// else; a curve of another result, or of one that counts no longer, changes nothing. A verdict stands once it
// was made: what comes later can only take proof away.
#include "service/interlock/curves.hpp"

#include <algorithm>
#include <utility>

#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

using evaluation::FindingCode;
using evaluation::Judgement;
using evaluation::Verdict;

bool is_of(const CurveOfResult& result, const ToolId& tool, const std::string& epoch, std::uint64_t counter) {
    return result.tool == tool && result.epoch == epoch && result.counter == counter;
}

// One tightening that waits for its curve, or is proven by one.
struct Owner {
    const Stay& stay;
    const config::Joint* rules;  // nullptr: they do not know the joint
    JointState& joint;
    std::uint32_t fastener;
    std::uint32_t pass;

    [[nodiscard]] FastenerState& at_fastener() const { return joint.fasteners[fastener]; }
    [[nodiscard]] PassState& at_pass() const { return at_fastener().passes[pass]; }
};

const CurveOfResult* curve_in(const PassState& pass) {
    if (pass.awaited)
        return &pass.awaited->of;
    return pass.proof && pass.proof->curve ? &pass.proof->curve->of : nullptr;
}

template <class Matches>
std::optional<Owner> owner_in(const config::Station* station, const Stay& stay,
                              std::vector<JointState>& joints, const Matches& matches) {
    for (JointState& joint : joints) {
        for (std::uint32_t i = 0; i < joint.fasteners.size(); ++i) {
            for (std::uint32_t pass = 0; pass < joint.fasteners[i].passes.size(); ++pass) {
                if (!matches(joint.fasteners[i].passes[pass]))
                    continue;
                const config::Joint* rules =
                    station != nullptr ? joint_in(*station, stay.other_ways, joint.id.text) : nullptr;
                return Owner{stay, rules, joint, i, pass};
            }
        }
    }
    return std::nullopt;
}

// Joints of a plan that the unit was taken for before may come back with it.
template <class Matches>
std::optional<Owner> owner_where(const Transition& t, const Matches& matches) {
    for (BayState& bay : t.state.bays) {
        Stay* stay = stay_at(bay);
        if (stay == nullptr)
            continue;
        const config::Station* station = rules_of(t.rules, stay->rules);
        if (auto owner = owner_in(station, *stay, stay->joints, matches))
            return owner;
        if (auto owner = owner_in(station, *stay, stay->former_joints, matches))
            return owner;
    }
    return std::nullopt;
}

std::optional<Owner> owner_of(const Transition& t, const CurveOfResult& wanted) {
    return owner_where(t, [&](const PassState& pass) {
        const CurveOfResult* of = curve_in(pass);
        return of != nullptr && is_of(*of, wanted.tool, wanted.epoch, wanted.counter) &&
               of->digest == wanted.digest;
    });
}

Judgement unknown_to_rules() {
    return {Verdict::not_decidable,
            {{FindingCode::curve_value_missing, "the rules of the unit say nothing of its curve", ""}}};
}

// What was tightened on top of a pass that is not OK after all proves nothing either, and has used up no
// attempt.
void take_later_passes(FastenerState& fastener, std::uint32_t pass) {
    for (std::size_t later = pass + 1; later < fastener.passes.size(); ++later) {
        PassState& at = fastener.passes[later];
        if (!at.proof && !at.awaited)
            continue;
        at.proof.reset();
        at.awaited.reset();
        at.attempts = 0;
    }
}

Outcome settle_curve(const Transition& t, const Owner& owner, Judgement judgement,
                     const std::string& digest) {
    PassState& pass = owner.at_pass();
    const EventNumber result = pass.awaited ? pass.awaited->result : pass.proof->result;
    touch(t, owner.joint);
    if (judgement.verdict != Verdict::ok) {
        owner.joint.override_.reset();  // whoever decided without proof had not seen it
        owner.joint.wait.reset();       // what was turned relaxes anew before it is checked
        take_not_ok(owner.at_fastener(), pass, owner.rules != nullptr ? owner.rules->retry : config::Retry{},
                    {result, judgement});
        take_later_passes(owner.at_fastener(), owner.pass);
    } else if (pass.awaited) {
        AwaitsCurve awaited = std::move(*pass.awaited);
        pass.awaited.reset();
        ToolId tool = awaited.of.tool;
        pass.proof = Proof{awaited.result, awaited.operator_, awaited.assigned_by_hand,
                           ProvenCurve{std::move(awaited.of), digest}, std::move(tool)};
    } else {
        pass.proof->curve->digest = digest;
    }
    return CurveJudged{owner.stay.id, owner.joint.id, owner.fastener,
                       owner.pass,    result,         std::move(judgement)};
}

Judgement judged_by_rules(const Owner& owner, const KnownCurve& curve) {
    if (owner.rules == nullptr)
        return unknown_to_rules();
    return judge_curve(*owner.rules, owner.pass, curve_in(owner.at_pass())->told, curve);
}

Outcome take_curve(const Transition& t, const Owner& owner, KnownCurve curve) {
    const PassState& pass = owner.at_pass();
    const bool judged_before = pass.proof && !pass.proof->curve->digest.empty();
    if (judged_before && pass.proof->curve->digest == curve.digest)
        return Repeated{};
    curve.changed = judged_before;
    return settle_curve(t, owner, judged_by_rules(owner, curve), curve.digest);
}

// ---- results that are not counted (yet) -------------------------------------------------------------------

void put_curve(std::optional<KnownCurve>& known, const KnownCurve& curve) {
    if (!known)
        known = curve;
    else if (known->digest != curve.digest)
        known->changed = true;
}

bool put_beside(std::vector<UnassignedResult>& results, const CurveOfResult& of, const KnownCurve& curve) {
    bool found = false;
    for (UnassignedResult& result : results) {
        const bool same = result.tool == of.tool && result.epoch == of.epoch &&
                          result.reading.counter == of.counter && result.digest == of.digest;
        if (same)
            put_curve(result.curve, curve);
        found = found || same;
    }
    return found;
}

bool put_beside_unassigned(State& state, const CurveOfResult& of, const KnownCurve& curve) {
    bool found = put_beside(state.unassigned, of, curve);
    for (BayState& bay : state.bays) {
        if (Stay* stay = stay_at(bay))
            found = put_beside(stay->unassigned, of, curve) || found;
    }
    return found;
}

// ---- units that have left ---------------------------------------------------------------------------------

// Like a result that comes late it changes no past decision.
std::optional<Outcome> file_late_curve(Transition& t, const CurveOfResult& of, const KnownCurve& curve) {
    for (EndedStay& stay : t.state.ended) {
        const auto due = std::ranges::find_if(stay.curves_due, [&](const CurveDue& each) {
            return is_of(each.of, of.tool, of.epoch, of.counter) && each.of.digest == of.digest;
        });
        if (due == stay.curves_due.end())
            continue;
        const config::Station* station = rules_of(t.rules, stay.rules);
        const config::Joint* joint =
            station != nullptr ? joint_in(*station, stay.other_ways, due->joint.text) : nullptr;
        const Judgement judgement =
            joint != nullptr ? judge_curve(*joint, due->pass, due->of.told, curve) : unknown_to_rules();
        stay.curves_due.erase(due);
        const bool against = judgement.verdict != Verdict::ok;
        if (against) {
            hold_unit(t.state, stay.unit, t.now(), "a late curve speaks against it");
            t.alarm(AlarmCode::late_result_against_unit, stay.bay, stay.unit, "a curve that came late");
        }
        return FiledLate{stay.id, stay.unit, against};
    }
    return std::nullopt;
}

// ---- curves that come before their results ----------------------------------------------------------------

// Its result came: whatever was to be done with its curve is done.
bool is_past(const ToolState& tool, const std::string& epoch, std::uint64_t counter) {
    const auto* following = std::get_if<Following>(&tool.count);
    return following != nullptr && following->epoch == epoch && counter <= following->counter;
}

void keep_early(ToolState& tool, const TraceReceived& trace, KnownCurve curve) {
    if (is_past(tool, trace.epoch, trace.counter))
        return;
    for (EarlyCurve& early : tool.early_curves) {
        if (early.epoch == trace.epoch && early.counter == trace.counter) {
            early.curve.changed = early.curve.changed || early.curve.digest != curve.digest;
            return;
        }
    }
    tool.early_curves.push_back({trace.epoch, trace.counter, std::move(curve)});
    if (tool.early_curves.size() > early_curves_most)
        tool.early_curves.erase(tool.early_curves.begin());
}

// Only of a result that the tool's present count still has: after that began anew, the number is another's.
std::optional<CurveOfResult> result_of(const ToolState& tool, const std::string& epoch,
                                       std::uint64_t counter) {
    const auto seen = std::ranges::find_if(
        tool.recent, [&](const SeenResult& each) { return each.epoch == epoch && each.counter == counter; });
    if (seen == tool.recent.end())
        return std::nullopt;
    return CurveOfResult{tool.id, epoch, counter, seen->digest, {}};
}

// Without rules for it there is nothing to be patient for.
void note_awaited(const config::Joint* joint, const FastenerState& fastener, std::vector<AwaitedCurve>& all) {
    for (std::size_t pass = 0; pass < fastener.passes.size(); ++pass) {
        const auto& awaited = fastener.passes[pass].awaited;
        if (!awaited)
            continue;
        const bool known =
            joint != nullptr && pass < joint->passes.size() && joint->passes[pass].window.curve;
        all.push_back({awaited->of.tool, awaited->of.epoch, awaited->of.counter, awaited->result,
                       known ? joint->passes[pass].window.curve->patience : std::chrono::milliseconds{0}});
    }
}

}  // namespace

Judgement judge_curve(const config::Joint& joint, std::uint32_t pass, const evaluation::ToldValues& told,
                      const KnownCurve& curve) {
    if (pass >= joint.passes.size() || !joint.passes[pass].window.curve)
        return unknown_to_rules();
    if (curve.changed)
        return {Verdict::not_decidable, {{FindingCode::curve_changed, "", ""}}};
    return evaluation::judge_curve(joint, joint.passes[pass], told, curve.read);
}

std::optional<KnownCurve> take_early_curve(ToolState& tool, const std::string& epoch, std::uint64_t counter) {
    const auto found = std::ranges::find_if(tool.early_curves, [&](const EarlyCurve& early) {
        return early.epoch == epoch && early.counter == counter;
    });
    if (found == tool.early_curves.end())
        return std::nullopt;
    KnownCurve curve = std::move(found->curve);
    tool.early_curves.erase(found);
    return curve;
}

Outcome apply(Transition& t, const TraceReceived& trace) {
    ToolState* tool = tool_of(t.state, trace.tool);
    if (tool == nullptr)
        return Applied{};
    KnownCurve curve{trace.digest, trace.read.value_or(protocol::CurveReport{})};
    if (const auto of = result_of(*tool, trace.epoch, trace.counter)) {
        if (const auto owner = owner_of(t, *of))
            return take_curve(t, *owner, std::move(curve));
        if (trace.read && put_beside_unassigned(t.state, *of, curve))
            return Applied{};
        if (auto late = file_late_curve(t, *of, curve))
            return *late;
        return Applied{};
    }
    if (trace.read)
        keep_early(*tool, trace, std::move(curve));
    return Applied{};
}

Outcome apply(Transition& t, const CurveGivenUp& given_up) {
    const ToolState* tool = tool_of(t.state, given_up.tool);
    if (tool == nullptr)
        return Refused{RefusalCode::no_such_thing, "no tool " + given_up.tool.text};
    const auto owner = owner_where(t, [&](const PassState& pass) {
        return pass.awaited && is_of(pass.awaited->of, given_up.tool, given_up.epoch, given_up.counter);
    });
    if (!owner)
        return Applied{};
    const bool known = owner->rules != nullptr && owner->pass < owner->rules->passes.size();
    return settle_curve(t, *owner,
                        known ? evaluation::judge_without_curve(
                                    *owner->rules, owner->rules->passes[owner->pass], given_up.why)
                              : unknown_to_rules(),
                        "");
}

std::vector<AwaitedCurve> awaited_curves(const RuleBook& rules, const State& state) {
    std::vector<AwaitedCurve> all;
    for (const BayState& bay : state.bays) {
        const Stay* stay = stay_at(bay);
        if (stay == nullptr)
            continue;
        const config::Station* station = rules_of(rules, stay->rules);
        for (const JointState& joint : stay->joints) {
            const config::Joint* known =
                station != nullptr ? joint_in(*station, stay->other_ways, joint.id.text) : nullptr;
            for (const FastenerState& fastener : joint.fasteners)
                note_awaited(known, fastener, all);
        }
    }
    return all;
}

}  // namespace tautgate::interlock
