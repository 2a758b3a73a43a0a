#include "tools/simulation/bolt.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>

namespace tautgate::simulation {

namespace {

constexpr double hardening = 0.03;       // of the elastic stiffness, beyond yield
constexpr double strip_at = 0.3;         // of the yield preload: a thread cut too shallow
constexpr double strip_softening = 0.5;  // of the elastic stiffness, falling, once it gives way
constexpr double strip_left = 0.15;      // of the yield preload: what a ruined thread still holds
constexpr double bite_share = 0.25;      // of the run-down, after which a crossed thread bites
constexpr double jam_steepness = 4;      // of the good joint's torque over angle
constexpr double hole_ends_at = 0.42;    // of the yield preload, for a hole that is too short
constexpr double longer_gives = 2.2;     // times as much as the joint's own
constexpr double burr_holds = 0.35;      // of the yield torque
constexpr double burr_width = 12;        // degrees over which it takes that up, just before contact
constexpr double burr_gap = 20;          // degrees from its end to contact

}  // namespace

Bolt::Bolt(const BoltDesign& design, Flaw flaw, std::uint64_t seed)
    : design_(design), flaw_(flaw), chance_(seed) {
    assert(design.resilience > 0);
    assert(design.run_down > 0);
    friction_.thread = chance_.draw(design.friction);
    friction_.head = chance_.draw(design.friction);
    elastic_ = -design.run_down;
    jam_at_ = design.run_down * bite_share * chance_.between(0.8, 1.2);
    const double full = full_preload();
    if (flaw == Flaw::bottomed)
        jam_at_ = design.run_down +
                  (hole_ends_at * chance_.between(0.95, 1.05) + design.contact_share) * full / spring();
    limit_ = flaw == Flaw::stripped ? full * strip_at * chance_.between(0.9, 1.1) : full;
}

double Bolt::full_preload() const noexcept {
    return config::assembly_preload(design_.thread, design_.proof_stress, friction_.thread, 1.0);
}

double Bolt::spring() const noexcept {
    const double resilience = design_.resilience * (flaw_ == Flaw::longer ? longer_gives : 1);
    return design_.thread.pitch / 360.0 / resilience;
}

// Faces close along a parabola that runs into the straight line without a bend.
double Bolt::preload_at(double elastic) const noexcept {
    if (elastic <= 0)
        return 0;
    const double closed = design_.contact_share * full_preload();
    const double closing = 2 * closed / spring();  // degrees
    return elastic < closing ? spring() * elastic * elastic / (2 * closing)
                             : spring() * (elastic - closing / 2);
}

bool Bolt::faces_closed() const noexcept { return preload_ >= design_.contact_share * full_preload(); }

bool Bolt::is_jammed() const noexcept {
    return (flaw_ == Flaw::cross_threaded || flaw_ == Flaw::bottomed) && turned_ > jam_at_;
}

double Bolt::burr_torque() const noexcept {
    const double into = turned_ - (design_.run_down - burr_gap - burr_width);
    if (flaw_ != Flaw::burred || into <= 0 || into > burr_width)
        return 0;
    return burr_holds * full_preload() * config::tightening_torque(design_.thread, friction_) * into /
           burr_width;
}

double Bolt::jam_torque() const noexcept {
    if (!is_jammed())
        return 0;
    return jam_steepness * spring() * config::tightening_torque(design_.thread, friction_) *
           (turned_ - jam_at_);
}

double Bolt::torque_to_tighten(bool at_rest) {
    const double smooth = design_.prevailing +
                          preload_ * config::tightening_torque(design_.thread, friction_) + jam_torque() +
                          burr_torque();
    if (at_rest)
        return smooth * design_.breakaway;
    return std::max(0.0, smooth * (1 + design_.ripple * chance_.normal(0, 1)));
}

double Bolt::torque_to_loosen(bool at_rest) {
    const double smooth =
        design_.prevailing + preload_ * config::loosening_torque(design_.thread, friction_) + jam_torque();
    if (at_rest)
        return smooth * design_.breakaway;
    return std::max(0.0, smooth * (1 + design_.ripple * chance_.normal(0, 1)));
}

void Bolt::yield_to(double limit) {
    const double beyond = (preload_ - limit) / spring();
    plastic_ += beyond;
    elastic_ -= beyond;
    preload_ = limit;
}

void Bolt::tighten_by(double degrees) {
    turned_ += degrees;
    // It stands still against the part: nothing more is clamped, whatever the torque.
    if (is_jammed())
        return;
    elastic_ += degrees;
    preload_ = preload_at(elastic_);
    if (preload_ <= limit_)
        return;
    if (flaw_ == Flaw::stripped) {
        gave_way_ = true;
        limit_ = std::max(strip_left * full_preload(), limit_ - strip_softening * spring() * degrees);
    } else {
        limit_ += hardening * spring() * degrees;
    }
    yield_to(std::min(limit_, preload_));
}

void Bolt::loosen_by(double degrees) {
    const bool jammed = is_jammed();
    turned_ = std::max(0.0, turned_ - degrees);
    if (!jammed) {
        elastic_ = std::max(-design_.run_down, elastic_ - degrees);
        preload_ = preload_at(elastic_);
    }
}

void Bolt::settle() {
    const double given = design_.settling * preload_ / spring();
    plastic_ += given;
    elastic_ -= given;
    preload_ = preload_at(elastic_);
}

Grip Bolt::grip() const noexcept {
    if (gave_way_)
        return Grip::stripped;
    if (is_jammed())
        return Grip::jammed;
    return faces_closed() ? Grip::tight : Grip::loose;
}

}  // namespace tautgate::simulation
