#include "service/interlock/check_passes.hpp"

#include "service/interlock/tool_count.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

const config::CheckPass* check_at_hand(const config::Joint& joint, const JointState& state) {
    const std::size_t pass = pass_at_hand(joint, state);
    return pass < joint.passes.size() && joint.passes[pass].check ? &*joint.passes[pass].check : nullptr;
}

void settle_check(const Transition& t, const config::Joint& joint, JointState& state) {
    const config::CheckPass* check = check_at_hand(joint, state);
    if (check == nullptr) {
        state.wait.reset();
        return;
    }
    const auto pass = static_cast<std::uint32_t>(pass_at_hand(joint, state));
    if (state.wait && state.wait->pass == pass)
        return;
    state.wait = CheckWait{pass, t.now(), t.event.at, std::nullopt};
    if (check->wait == std::chrono::seconds{0})
        state.wait->over = t.event.at;
}

// Of a waiting that began in another boot nobody can tell but whoever watched the clock.
bool comes_too_soon(const WaitingCheck& waiting, const Stamp& at) {
    return waiting.since.boot == at.boot &&
           std::chrono::nanoseconds{at.monotonic_ns - waiting.since.monotonic_ns} < waiting.wait;
}

}  // namespace

bool waits_for_check(const config::Joint& joint, const JointState& state) {
    return check_at_hand(joint, state) != nullptr && !(state.wait && state.wait->over);
}

bool is_too_early(const config::Joint& joint, const JointState& state, std::uint32_t pass,
                  const Interval& made, const Stamp& now) {
    if (pass >= joint.passes.size() || !joint.passes[pass].check)
        return false;
    const bool due = state.wait && state.wait->pass == pass && state.wait->over;
    const bool can_tell = due && (made.boot == state.wait->over->boot || made.boot == now.boot);
    return !can_tell || !made_after(made, *state.wait->over);
}

std::string wait_text(std::chrono::seconds wait) {
    constexpr std::chrono::seconds minute{60};
    const bool whole_minutes = wait >= minute && wait % minute == std::chrono::seconds{0};
    return whole_minutes ? std::to_string(wait / minute) + " min" : std::to_string(wait.count()) + " s";
}

std::vector<WaitingCheck> waiting_checks(const RuleBook& rules, const State& state) {
    std::vector<WaitingCheck> all;
    for (const BayState& bay : state.bays) {
        const Stay* stay = stay_at(bay);
        const config::Station* station = stay != nullptr ? rules_of(rules, stay->rules) : nullptr;
        if (station == nullptr)
            continue;
        for (const JointState& joint : stay->joints) {
            const config::Joint* known =
                joint.wait ? joint_in(*station, stay->other_ways, joint.id.text) : nullptr;
            if (known == nullptr || !waits_for_check(*known, joint))
                continue;
            all.push_back({{stay->id, joint.id, joint.wait->pass, joint.wait->began},
                           joint.wait->since,
                           known->passes[joint.wait->pass].check->wait});
        }
    }
    return all;
}

// Whatever changes what is proven of a joint touches it.
void settle_checks(Transition& t) {
    for (BayState& bay : t.state.bays) {
        Stay* stay = stay_at(bay);
        const config::Station* station = stay != nullptr ? rules_of(t.rules, stay->rules) : nullptr;
        if (station == nullptr)
            continue;
        for (JointState& joint : stay->joints) {
            const config::Joint* known =
                joint.changed == t.now() ? joint_in(*station, stay->other_ways, joint.id.text) : nullptr;
            if (known != nullptr)
                settle_check(t, *known, joint);
        }
    }
}

// One that is about a waiting that ended otherwise changes nothing, nor does one that comes before its time.
Outcome apply(Transition& t, const CheckDue& due) {
    for (const WaitingCheck& waiting : waiting_checks(t.rules, t.state)) {
        if (waiting.due != due || comes_too_soon(waiting, t.event.at))
            continue;
        for (BayState& bay : t.state.bays) {
            Stay* stay = stay_at(bay);
            if (stay != nullptr && stay->id == due.stay)
                joint_of(*stay, due.joint.text)->wait->over = t.event.at;
        }
    }
    return Applied{};
}

}  // namespace tautgate::interlock
