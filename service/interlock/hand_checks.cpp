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
    joint.wait.reset();  // what was turned relaxes anew before it is checked
    pass->proof.reset();
    pass->awaited.reset();
    pass->not_ok = NotOk{t.now(), {evaluation::Verdict::not_ok, {std::move(finding)}}};
    fastener.locked = true;
    fastener.loosening_due = fastener.loosening_due || retry.loosening_between;
    fastener.replacement_due = fastener.replacement_due || retry.replace_fastener;
}

}  // namespace

Outcome apply(Transition& t, const HandChecked& checked) {
    const auto meant = fastener_meant(t, {checked.bay,
                                          checked.joint,
                                          checked.fastener,
                                          checked.by,
                                          {.seen = checked.seen, .under_way_too = true}});
    if (!meant)
        return meant.error();
    const auto& audit = meant->joint.audit;
    if (!audit)
        return Refused{RefusalCode::not_possible_now, std::string(refusal::no_audit_window)};
    const HandCheck judged{meant->stay.id, JointId{meant->joint.id}, checked.fastener,
                           protocol::to_text(checked.torque), limits_text(*audit)};
    if (checked.torque >= audit->min && checked.torque <= audit->max)
        return InsideAudit{judged};
    take_proof(t, meant->joint.retry, meant->state, checked.fastener,
               {evaluation::FindingCode::hand_check_outside, judged.found, judged.allowed});
    return OutsideAudit{judged};
}

}  // namespace tautgate::interlock
