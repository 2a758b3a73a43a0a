// Torques that somebody measured by hand at a joint, after it was tightened: a residual torque, which is
// another thing than the torque of an installation. It has limits of its own, proves nothing and is no
// attempt. Outside of them it takes the proof of its fastener away, and only people decide what follows.
#include <algorithm>

#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

std::string limits_text(const config::TorqueWindow& audit) {
    return protocol::to_text(audit.min) + " to " + protocol::to_text(audit.max);
}

std::optional<Refused> not_about_this_unit(const BayState& bay, const HandChecked& checked) {
    const Stay* stay = stay_at(bay);
    if (stay == nullptr)
        return Refused{RefusalCode::no_stay, ""};
    if (stay->doubt != Doubt::none || !stay->refused_tickets.empty())
        return Refused{RefusalCode::not_possible_now, "it is not certain which unit is at the bay"};
    if (checked.seen < came_with(*stay) || unseen_ticket(*stay, checked.seen) != nullptr)
        return Refused{RefusalCode::seen_too_old, "the unit at the bay came or was named after that"};
    return std::nullopt;
}

// The newest pass that proved something, or would by its curve, or nothing.
PassState* proven_pass(FastenerState& fastener) {
    const auto proven =
        std::ranges::find_if(fastener.passes.rbegin(), fastener.passes.rend(),
                             [](const PassState& pass) { return pass.proof || pass.awaited; });
    return proven == fastener.passes.rend() ? nullptr : &*proven;
}

// Locked, so that nobody tightens it again without a decision: whoever did might only hide what is wrong.
void take_proof(const Transition& t, const config::Retry& retry, JointState& joint, std::uint32_t index,
                evaluation::Finding finding) {
    FastenerState& fastener = joint.fasteners[index];
    joint.override_.reset();
    touch(t, joint);
    PassState* pass = proven_pass(fastener);
    if (pass == nullptr)
        return;
    pass->proof.reset();
    pass->awaited.reset();
    pass->not_ok = NotOk{t.now(), {evaluation::Verdict::not_ok, {std::move(finding)}}};
    fastener.locked = true;
    fastener.loosening_due = fastener.loosening_due || retry.loosening_between;
    fastener.replacement_due = fastener.replacement_due || retry.replace_fastener;
}

}  // namespace

Outcome apply(Transition& t, const HandChecked& checked) {
    BayState* bay = bay_of(t.state, checked.bay);
    if (bay == nullptr)
        return Refused{RefusalCode::no_such_thing, "no bay " + checked.bay.text};
    const Person* person = person_of(t.state, checked.by);
    if (person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (auto refused = not_about_this_unit(*bay, checked))
        return *refused;
    Stay& stay = *stay_at(*bay);
    const config::Station* station = rules_of(t.rules, stay.rules);
    const bool identified = station != nullptr && plan_of(*station, stay) != nullptr;
    const config::Joint* joint = identified ? joint_in(*station, checked.joint.text) : nullptr;
    JointState* state = identified ? joint_of(stay, checked.joint.text) : nullptr;
    if (joint == nullptr || state == nullptr)
        return Refused{RefusalCode::no_such_joint, checked.joint.text};
    if (checked.fastener >= state->fasteners.size())
        return Refused{RefusalCode::no_such_thing, "the joint has no such fastener that is tightened"};
    if (!joint->audit)
        return Refused{RefusalCode::not_possible_now, "the joint states no audit window"};
    const HandCheck judged{stay.id, JointId{joint->id}, checked.fastener, protocol::to_text(checked.torque),
                           limits_text(*joint->audit)};
    if (checked.torque >= joint->audit->min && checked.torque <= joint->audit->max)
        return InsideAudit{judged};
    take_proof(t, joint->retry, *state, checked.fastener,
               {evaluation::FindingCode::hand_check_outside, judged.found, judged.allowed});
    return OutsideAudit{judged};
}

}  // namespace tautgate::interlock
