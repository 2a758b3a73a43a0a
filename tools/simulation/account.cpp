#include "tools/simulation/account.hpp"

#include <algorithm>
#include <utility>
#include <variant>

#include <fmt/format.h>

namespace tautgate::simulation {

namespace {

constexpr double steel = 205'000;            // MPa, Young's modulus
constexpr double clamped_diameters = 3;      // clamped length
constexpr double shared_diameters = 0.9;     // head and engaged thread give, too
constexpr double parts_share = 0.32;         // resilience of the clamped parts, of that of the bolt
constexpr double free_torque_share = 0.004;  // of the torque at 90 % of yield

WrenchTraits traits_of(const BoltDesign& design) {
    // Drive and socket twist by one degree at the torque of assembly.
    const double assembly =
        config::assembly_preload(design.thread, design.proof_stress, design.friction.mean, 0.9) *
        config::tightening_torque(design.thread, {design.friction.mean, design.friction.mean});
    return {.twist_per_nm = 1.0 / assembly};
}

bool in_scope(const config::Permissive& permissive, const config::Joint& joint) {
    return permissive.scope != config::Scope::classes ||
           std::ranges::find(permissive.classes, joint.risk) != permissive.classes.end();
}

}  // namespace

std::optional<BoltDesign> bolt_design(const config::Joint& joint) {
    const auto thread = config::thread_named(joint.thread);
    if (!thread)
        return std::nullopt;
    const auto proof = config::proof_stress(joint.property_class, thread->diameter);
    if (!proof)
        return std::nullopt;
    BoltDesign design;
    design.thread = *thread;
    design.proof_stress = *proof;
    design.resilience = (1 + parts_share) * (clamped_diameters + shared_diameters) * thread->diameter /
                        (steel * config::stress_area(*thread));
    const double mean = design.friction.mean;
    design.prevailing = free_torque_share * config::assembly_preload(*thread, *proof, mean, 0.9) *
                        config::tightening_torque(*thread, {mean, mean});
    return design;
}

void Account::arrived(const std::string& bay, const config::Plan& plan, bool matched, std::uint64_t seed) {
    Chance chance{seed};
    Unit unit;
    unit.bay = bay;
    unit.matched = matched;
    unit.ways_incomplete = plan.leaving_incomplete.permissives;
    for (const auto& stage : plan.stages)
        unit.steps.insert(unit.steps.end(), stage.steps.begin(), stage.steps.end());
    unit.stages = plan.stages;
    for (const auto& step : unit.steps) {
        const auto* tighten = std::get_if<config::TightenStep>(&step);
        const auto* found = tighten ? joint(tighten->joint) : nullptr;
        if (!found || found->method != config::Method::tightening)
            continue;
        const auto design = bolt_design(*found);
        auto& bolts = unit.bolts[found->id];
        for (std::size_t i = 0; design && i < found->fasteners.size(); ++i)
            bolts.push_back({Bolt{*design, Flaw::none, chance.seed()}, 0});
    }
    const std::lock_guard lock{mutex_};
    unit_ = std::move(unit);
}

void Account::left() {
    const std::lock_guard lock{mutex_};
    unit_.reset();
}

std::optional<Run> Account::tighten(const std::string& joint, std::size_t fastener, const Program& program,
                                    Chance& chance, const Trigger& trigger) {
    const std::lock_guard lock{mutex_};
    Position* at = position(joint, fastener);
    if (!at)
        return std::nullopt;
    unit_->overridden.erase(joint);
    Run run = simulation::tighten(at->bolt, program, traits_of(at->bolt.design()), chance, trigger);
    at->last_torque = run.torque;
    return run;
}

std::optional<Run> Account::loosen(const std::string& joint, std::size_t fastener, const Program& program,
                                   Chance& chance) {
    const std::lock_guard lock{mutex_};
    Position* at = position(joint, fastener);
    if (!at)
        return std::nullopt;
    unit_->overridden.erase(joint);
    at->last_torque = 0;
    return simulation::loosen(at->bolt, program, traits_of(at->bolt.design()), chance);
}

void Account::replace(const std::string& joint, std::size_t fastener, Flaw flaw, std::uint64_t seed) {
    const std::lock_guard lock{mutex_};
    Position* at = position(joint, fastener);
    if (!at)
        return;
    unit_->overridden.erase(joint);
    const BoltDesign design = at->bolt.design();
    *at = {Bolt{design, flaw, seed}, 0};
}

void Account::confirmed(const std::string& step_or_joint) {
    const std::lock_guard lock{mutex_};
    if (unit_)
        unit_->confirmed.insert(step_or_joint);
}

void Account::overridden(const std::string& joint) {
    const std::lock_guard lock{mutex_};
    if (unit_)
        unit_->overridden.insert(joint);
}

void Account::may_leave_incomplete() {
    const std::lock_guard lock{mutex_};
    if (unit_)
        unit_->may_leave_incomplete = true;
}

std::vector<config::Step> Account::Unit::steps_of(const config::Permissive& permissive) const {
    if (permissive.scope != config::Scope::stages)
        return steps;
    std::vector<config::Step> in_scope;
    for (const auto& stage : stages) {
        in_scope.insert(in_scope.end(), stage.steps.begin(), stage.steps.end());
        if (stage.name == permissive.through_stage)
            break;
    }
    return in_scope;
}

std::optional<std::string> Account::against(const std::string& permissive,
                                            protocol::Movement movement) const {
    const std::lock_guard lock{mutex_};
    if (!unit_)
        return "no unit is in the bay";
    if (!unit_->matched)
        return "the sub-assemblies do not belong together";
    const auto known = std::ranges::find(station_.permissives, permissive, &config::Permissive::id);
    if (known == station_.permissives.end())
        return "the station has no such permissive";
    if (movement == protocol::Movement::allowed_incomplete) {
        const bool a_way =
            std::ranges::find(unit_->ways_incomplete, permissive) != unit_->ways_incomplete.end();
        if (!a_way || !unit_->may_leave_incomplete)
            return "nobody decided that the unit leaves incomplete this way";
        return std::nullopt;
    }
    for (const auto& step : unit_->steps_of(*known)) {
        if (const auto* confirm = std::get_if<config::ConfirmStep>(&step)) {
            if (known->scope != config::Scope::classes && !unit_->confirmed.contains(confirm->id))
                return fmt::format("nobody confirmed {}", confirm->id);
        } else if (const auto* tighten = std::get_if<config::TightenStep>(&step)) {
            const auto* found = joint(tighten->joint);
            if (found && in_scope(*known, *found))
                if (auto why = against_joint(*found))
                    return why;
        }
    }
    return std::nullopt;
}

std::optional<std::string> Account::against_joint(const config::Joint& joint) const {
    if (unit_->overridden.contains(joint.id))
        return std::nullopt;
    if (joint.method == config::Method::confirmed_check)
        return unit_->confirmed.contains(joint.id)
                   ? std::nullopt
                   : std::optional(fmt::format("nobody confirmed {}", joint.id));
    const auto bolts = unit_->bolts.find(joint.id);
    if (bolts == unit_->bolts.end() || bolts->second.empty())
        return fmt::format("{} has no bolts", joint.id);
    for (std::size_t i = 0; i < bolts->second.size(); ++i)
        if (auto why = against_bolt(joint, bolts->second[i], i))
            return why;
    return std::nullopt;
}

std::optional<std::string> Account::against_bolt(const config::Joint& joint, const Position& position,
                                                 std::size_t index) {
    const auto name = [&] { return fmt::format("{} {}", joint.id, joint.fasteners[index].name); };
    switch (position.bolt.grip()) {
    case Grip::loose: return fmt::format("{} is loose", name());
    case Grip::jammed: return fmt::format("{} is jammed in a crossed thread", name());
    case Grip::stripped: return fmt::format("{} has a stripped thread", name());
    case Grip::tight: break;
    }
    const Limits torque = program_of(joint.passes.back()).torque;
    const auto& design = position.bolt.design();
    // The least preload that the lowest torque of the window leaves at the highest friction.
    const double least =
        torque.min / config::tightening_torque(design.thread, {design.friction.high, design.friction.high});
    if (position.bolt.preload() < least)
        return fmt::format("{} holds {:.1f} kN, less than {:.1f} kN", name(), position.bolt.preload() / 1000,
                           least / 1000);
    if (position.last_torque < torque.min || position.last_torque > torque.max)
        return fmt::format("{} was last turned at {:.1f} N.m, outside {:.1f} to {:.1f} N.m", name(),
                           position.last_torque, torque.min, torque.max);
    return std::nullopt;
}

std::vector<std::string> Account::joints() const {
    const std::lock_guard lock{mutex_};
    std::vector<std::string> ids;
    if (unit_)
        for (const auto& [id, bolts] : unit_->bolts)
            ids.push_back(id);
    return ids;
}

const config::Joint* Account::joint(const std::string& id) const {
    const auto found = std::ranges::find(station_.joints, id, &config::Joint::id);
    return found == station_.joints.end() ? nullptr : &*found;
}

Account::Position* Account::position(const std::string& joint, std::size_t fastener) {
    if (!unit_)
        return nullptr;
    const auto found = unit_->bolts.find(joint);
    return found == unit_->bolts.end() || fastener >= found->second.size() ? nullptr
                                                                           : &found->second[fastener];
}

}  // namespace tautgate::simulation
