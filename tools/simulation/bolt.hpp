// One bolt of the simulated shop floor and what a tool feels of it: run-down, contact, the straight part of
// torque over angle, yield; a cross-threaded hole, a stripped thread, a hole that is too short, a burr,
// a bolt that is not the joint's. A bolt remembers: tighten it twice and
// the second run meets a tight bolt. Nothing in here knows a limit of the station. One thread at a time.
//
// Torque over preload is that of VDI 2230-1 (thread.hpp); preload over angle is the pitch against the
// resilience of bolt and clamped parts.
#pragma once

#include <cstdint>

#include "config/bolt_thread.hpp"
#include "tools/simulation/chance.hpp"

namespace tautgate::simulation {

using config::Friction;
using config::Thread;

struct BoltDesign {
    Thread thread;
    double proof_stress = 0;     // MPa
    double resilience = 0;       // mm/N, bolt and clamped parts together
    double run_down = 1440;      // degrees from the first turn of thread to contact
    double contact_share = 0.1;  // share of the yield preload below which faces still close
    double prevailing = 0;       // N·m, torque of the free run-down
    double ripple = 0.008;       // stick and slip: spread of the torque about its mean, relative
    double breakaway = 1.06;     // a bolt at rest holds by this factor
    double settling = 0;         // share of the preload that is lost as soon as nothing turns any more
    Scatter friction{0.12, 0.004, 0.11, 0.13};  // thread and head, drawn for each bolt
};

enum class Flaw : std::uint8_t {
    none,
    cross_threaded,  // jams long before the head meets the part
    stripped,        // the thread gives way below the tightening torque
    bottomed,        // meets the end of its hole before the parts are clamped
    burred,          // something between the parts holds them apart until it is crushed
    longer           // another bolt than the joint's, which gives more
};

enum class Grip : std::uint8_t { loose, tight, jammed, stripped };

class Bolt {
  public:
    Bolt(const BoltDesign& design, Flaw flaw, std::uint64_t seed);

    // What the tool has to bring to turn on, with ripple, N·m. At rest the bolt holds by its breakaway.
    [[nodiscard]] double torque_to_tighten(bool at_rest);
    [[nodiscard]] double torque_to_loosen(bool at_rest);
    // Turns by so many degrees, 0 < degrees <= 1 for a smooth curve.
    void tighten_by(double degrees);
    void loosen_by(double degrees);
    // Nothing turns any more: what is soft gives.
    void settle();

    [[nodiscard]] double preload() const noexcept { return preload_; }  // N
    [[nodiscard]] bool in_contact() const noexcept { return elastic_ > 0 || burr_torque() > 0; }
    [[nodiscard]] bool faces_closed() const noexcept;
    [[nodiscard]] bool yielded() const noexcept { return plastic_ > 0; }
    [[nodiscard]] bool at_its_start() const noexcept { return turned_ <= 0; }
    [[nodiscard]] Grip grip() const noexcept;
    [[nodiscard]] const BoltDesign& design() const noexcept { return design_; }
    [[nodiscard]] const Friction& friction() const noexcept { return friction_; }

  private:
    [[nodiscard]] double spring() const noexcept;  // N per degree when the faces are closed
    [[nodiscard]] double preload_at(double elastic) const noexcept;
    [[nodiscard]] bool is_jammed() const noexcept;
    [[nodiscard]] double jam_torque() const noexcept;
    [[nodiscard]] double burr_torque() const noexcept;
    [[nodiscard]] double full_preload() const noexcept;  // N, at which bolt and thread of the design yield
    void yield_to(double limit);

    BoltDesign design_;
    Flaw flaw_;
    Chance chance_;
    Friction friction_;
    double turned_ = 0;   // degrees since the first turn of thread
    double plastic_ = 0;  // of them, lost to yield or to the thread that gave way
    double elastic_ = 0;  // degrees beyond contact that still press; negative: run-down left
    double preload_ = 0;
    double limit_ = 0;       // N, preload at which bolt or thread gives way
    double jam_at_ = 0;      // degrees at which a crossed thread begins to bite, or the hole ends
    bool gave_way_ = false;  // the thread stripped
};

}  // namespace tautgate::simulation
