#include "service/history/trial_rules.hpp"

#include <algorithm>
#include <iterator>
#include <set>
#include <utility>
#include <variant>

#include "service/evaluation/curve_judgement.hpp"

namespace tautgate::history {
namespace {

template <class Part>
const Part* by_id(const std::vector<Part>& parts, const std::string& id) {
    const auto found = std::ranges::find(parts, id, &Part::id);
    return found == parts.end() ? nullptr : &*found;
}

// What a plan asks for: ids of joints to be tightened, and of steps to be confirmed.
struct Asked {
    std::set<std::string> joints;
    std::set<std::string> checks;
};

void add_asked(const config::Plan& plan, Asked& asked) {
    for (const config::Stage& stage : plan.stages) {
        for (const config::Step& step : stage.steps) {
            if (const auto* tighten = std::get_if<config::TightenStep>(&step))
                asked.joints.insert(tighten->joint);
            else if (const auto* confirm = std::get_if<config::ConfirmStep>(&step))
                asked.checks.insert(confirm->id);
        }
    }
}

// What was asked then of the variants that the proposal builds by this plan. Nothing of a plan that none of
// the variants of then leads to.
Asked asked_then(const config::Station& then, const config::Station& proposed, const std::string& plan) {
    Asked asked;
    for (const config::Variant& variant : proposed.variants) {
        const config::Variant* old = variant.plan == plan ? by_id(then.variants, variant.id) : nullptr;
        const config::Plan* former = old != nullptr ? by_id(then.plans, old->plan) : nullptr;
        if (former != nullptr)
            add_asked(*former, asked);
    }
    return asked;
}

bool same_passes(const config::Joint& one, const config::Joint& other) {
    return std::ranges::equal(one.passes, other.passes, [](const config::Pass& a, const config::Pass& b) {
        return a.name == b.name && a.check.has_value() == b.check.has_value();
    });
}

class Making {
  public:
    Making(const config::Station& then, const config::Station& proposed)
        : then_(then), proposed_(proposed), rules_{then, {}, {}, {}, {}} {}

    TrialRules made() {
        take_people();
        take_tools();
        take_permissives();
        take_joints();
        take_plans();
        take_curves();
        return std::move(rules_);
    }

  private:
    void cannot_tell(std::string about, std::string why) {
        Untold untold{std::move(about), std::move(why)};
        if (std::ranges::find(rules_.untold, untold) == rules_.untold.end())
            rules_.untold.push_back(std::move(untold));
    }

    void take_people() {
        rules_.station.people = proposed_.people;
        rules_.station.variants = proposed_.variants;
        rules_.station.pair = proposed_.pair;
    }

    // Values were rounded once, to the resolution of then, and are not rounded again.
    void take_tools() {
        for (const config::Tool& tool : proposed_.tools) {
            const auto old = std::ranges::find(rules_.station.tools, tool.id, &config::Tool::id);
            if (old == rules_.station.tools.end()) {
                cannot_tell("tool " + tool.id, "there was no such tool then");
                continue;
            }
            old->torque_min = tool.torque_min;
            old->torque_max = tool.torque_max;
            if (old->torque_resolution != tool.torque_resolution ||
                old->angle_resolution != tool.angle_resolution)
                cannot_tell("tool " + tool.id,
                            "its values were rounded to another resolution when they came, and are judged as "
                            "they were stored");
        }
    }

    void take_permissives() {
        rules_.station.permissives.clear();
        for (const config::Permissive& permissive : proposed_.permissives) {
            const config::Permissive* old = by_id(then_.permissives, permissive.id);
            if (old == nullptr || old->bay != permissive.bay)
                cannot_tell("permissive " + permissive.id, "the bay had no such permissive then");
            else
                rules_.station.permissives.push_back(permissive);
        }
    }

    // The joints of the proposal with the names, the fasteners and the tools that there were then.
    void take_joints() {
        rules_.station.joints.clear();
        for (const config::Joint& joint : proposed_.joints) {
            const config::Joint* old = by_id(then_.joints, joint.id);
            if (old != nullptr)
                rules_.station.joints.push_back(as_then(joint, *old));
        }
    }

    config::Joint as_then(const config::Joint& joint, const config::Joint& old) {
        const std::string about = "joint " + joint.id;
        if (joint.method != old.method || joint.placement != old.placement || !same_passes(joint, old)) {
            cannot_tell(about, "it was done by other passes or in another way then, and is judged as it was");
            return old;
        }
        config::Joint made = joint;
        made.name = old.name;
        made.fasteners = old.fasteners;
        made.alternates = old.alternates;  // what was done in another way is judged as it was
        tell_fasteners(joint, old);
        for (std::size_t i = 0; i < made.passes.size(); ++i)
            take_pass(about + ", pass " + made.passes[i].name, made.passes[i], old.passes[i]);
        std::erase_if(made.tools, [&](const std::string& id) { return by_id(then_.tools, id) == nullptr; });
        if (made.tools.empty() && !old.tools.empty()) {
            cannot_tell(about, "none of its tools was there then, and it is judged as it was");
            return old;
        }
        return made;
    }

    // The program and the origin of the angle are what the tool was set to then; a check was asked for when
    // the time of then was over.
    void take_pass(const std::string& about, config::Pass& pass, const config::Pass& old) {
        if (pass.check && pass.check->wait != old.check->wait)
            cannot_tell(about,
                        "it was checked after another time than the proposal's, and is judged as if that "
                        "were the proposal's");
        pass.check = old.check;
        if (pass.program != old.program)
            cannot_tell(about, "its tightenings were made by program " + old.program +
                                   ", and are judged as if that were the proposal's");
        pass.program = old.program;
        auto& angle = pass.window.angle;
        const auto& angle_then = old.window.angle;
        if (!angle ||
            (angle_then && angle->origin == angle_then->origin && angle->threshold == angle_then->threshold))
            return;
        cannot_tell(about, "its angles were not counted from the proposal's origin, and are judged as they "
                           "were");
        angle = angle_then;
    }

    void tell_fasteners(const config::Joint& joint, const config::Joint& old) {
        for (const config::Fastener& each : joint.fasteners) {
            if (std::ranges::find(old.fasteners, each.name, &config::Fastener::name) == old.fasteners.end())
                cannot_tell("joint " + joint.id + ", fastener " + each.name, "it was not tightened then");
        }
        for (const config::Fastener& each : old.fasteners) {
            if (std::ranges::find(joint.fasteners, each.name, &config::Fastener::name) ==
                joint.fasteners.end())
                cannot_tell("joint " + joint.id + ", fastener " + each.name,
                            "the proposal has it no longer; it is judged like the others");
        }
    }

    void take_plans() {
        rules_.station.plans = proposed_.plans;
        std::set<std::string> kept_joints;
        std::set<std::string> kept_steps;
        for (config::Plan& plan : rules_.station.plans) {
            const Asked asked = asked_then(then_, proposed_, plan.id);
            for (config::Stage& stage : plan.stages)
                std::erase_if(stage.steps,
                              [&](const config::Step& step) { return is_new(plan, step, asked); });
            Asked kept;
            add_asked(plan, kept);
            kept_joints.merge(kept.joints);
            kept_steps.merge(kept.checks);
            std::erase_if(plan.leaving_incomplete.permissives, [&](const std::string& id) {
                return by_id(rules_.station.permissives, id) == nullptr;
            });
        }
        note_gone(kept_joints, kept_steps);
    }

    // A variant that was not built then has no units; its plan stays as it is.
    bool is_new(const config::Plan& plan, const config::Step& step, const Asked& asked) {
        if (asked.joints.empty() && asked.checks.empty())
            return false;
        if (const auto* tighten = std::get_if<config::TightenStep>(&step)) {
            if (asked.joints.contains(tighten->joint))
                return false;
            cannot_tell("plan " + plan.id + ", joint " + tighten->joint, "it was not tightened then");
            return true;
        }
        if (const auto* confirm = std::get_if<config::ConfirmStep>(&step)) {
            if (asked.checks.contains(confirm->id))
                return false;
            cannot_tell("plan " + plan.id + ", step " + confirm->id, "it was not asked for then");
            return true;
        }
        return false;
    }

    void take_curves() {
        for (const config::Tool& tool : rules_.station.tools) {
            auto wanted = evaluation::measures_for(rules_.station, tool.id);
            if (!wanted.empty() && wanted != evaluation::measures_for(then_, tool.id))
                rules_.curves_anew.emplace(tool.id, std::move(wanted));
        }
    }

    void note_gone(const std::set<std::string>& kept_joints, const std::set<std::string>& kept_steps) {
        Asked then;
        for (const config::Plan& plan : then_.plans)
            add_asked(plan, then);
        std::ranges::set_difference(then.joints, kept_joints, std::back_inserter(rules_.gone_joints));
        std::ranges::set_difference(then.checks, kept_steps, std::back_inserter(rules_.gone_steps));
        for (const std::string& id : rules_.gone_joints)
            cannot_tell("joint " + id, "the proposal asks for it no longer; its tightenings are not judged");
    }

    const config::Station& then_;
    const config::Station& proposed_;
    TrialRules rules_;
};

}  // namespace

TrialRules trial_rules(const config::Station& then, const config::Station& proposed) {
    return Making(then, proposed).made();
}

}  // namespace tautgate::history
