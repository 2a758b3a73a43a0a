#include "service/interlock/bypass.hpp"

#include <algorithm>

#include "service/interlock/lookup.hpp"

namespace tautgate::interlock {
namespace {

bool is_way_of(const OtherWay& way, const Bypass& bypass) { return way.bypass == bypass.since; }

Bypass* bypass_with(State& state, const OtherWay& way) {
    const auto found =
        std::ranges::find_if(state.bypasses, [&](const Bypass& bypass) { return is_way_of(way, bypass); });
    return found == state.bypasses.end() ? nullptr : &*found;
}

bool has_joint(const config::Station& station, const config::Plan& plan, const JointId& id) {
    return std::ranges::any_of(joints_of(station, plan, {}), [&](const PlannedJoint& planned) {
        return planned.joint != nullptr && planned.joint->id == id.text;
    });
}

bool knows(const config::Station& station, const JointId& joint, std::string_view alternate) {
    const config::Joint* planned = joint_in(station, joint.text);
    return planned != nullptr && config::alternate_of(*planned, alternate) != nullptr;
}

}  // namespace

const Bypass* bypass_of(const State& state, const JointId& joint) {
    const auto found = std::ranges::find(state.bypasses, joint, &Bypass::joint);
    return found == state.bypasses.end() ? nullptr : &*found;
}

bool settle_bypasses(const RuleBook& rules, State& state, const Event& event) {
    if (state.bypasses.empty())
        return false;
    bool some_ended = false;
    const config::Station* station = rules_of(rules, state.rules);
    for (Bypass& bypass : state.bypasses) {
        const bool unknown = station == nullptr || !knows(*station, bypass.joint, bypass.alternate);
        // A date that was reached stays reached, whatever a clock says later.
        if (bypass.ended || (!unknown && event.at.utc_us < bypass.until_utc_us))
            continue;
        bypass.ended = event.number;
        some_ended = true;
    }
    // Of a joint that there is no more nothing is to be verified.
    std::erase_if(state.bypasses, [&](const Bypass& bypass) {
        return station != nullptr && joint_in(*station, bypass.joint.text) == nullptr;
    });
    return some_ended;
}

OtherWays ways_at_beginning(const State& state, const config::Station& station) {
    OtherWays ways;
    for (const Bypass& bypass : state.bypasses)
        if (!bypass.ended && knows(station, bypass.joint, bypass.alternate))
            ways.push_back({bypass.joint, bypass.alternate, bypass.since});
    return ways;
}

void count_unit(State& state, Stay& stay, const config::Station& station, const config::Plan& plan,
                EventNumber now) {
    std::erase_if(stay.other_ways, [&](OtherWay& way) {
        if (way.counted || !has_joint(station, plan, way.joint))
            return false;
        Bypass* bypass = bypass_with(state, way);
        // Several bays may have begun while one unit was left.
        if (bypass != nullptr && bypass->used >= bypass->units)
            return true;
        way.counted = true;
        if (bypass == nullptr)  // its restart was verified since: it covers the stay all the same
            return false;
        bypass->used += 1;
        if (bypass->used == bypass->units && !bypass->ended)
            bypass->ended = now;
        return false;
    });
}

const Bypass* unverified_restart(const State& state, const Stay& stay, const JointId& joint) {
    const Bypass* bypass = bypass_of(state, joint);
    const bool done_otherwise =
        std::ranges::find(stay.other_ways, joint, &OtherWay::joint) != stay.other_ways.end();
    return bypass != nullptr && bypass->ended && !done_otherwise ? bypass : nullptr;
}

bool wants_witness(const config::Joint& joint) noexcept {
    return joint.alternate && joint.alternate->witness;
}

}  // namespace tautgate::interlock
