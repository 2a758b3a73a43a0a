// What a bolt's thread makes of a torque: geometry of ISO metric threads, strength after ISO 898-1, and the
// relation of torque and preload of VDI 2230-1. Lengths in mm, forces in N, stresses in MPa, torques in N·m.
// Helps people who design a joint, and the simulator; nothing is judged by it. Pure; any thread.
#pragma once

#include <optional>
#include <string_view>

namespace tautgate::config {

struct Thread {
    double diameter = 0;  // nominal, d
    double pitch = 0;     // P
    double bearing = 0;   // outer diameter of the bearing face of a hexagon head, dW (ISO 4014, minimum)
    double hole = 0;      // clearance hole, dh (ISO 273, medium)
};

// "M20", or with a pitch finer than the coarse one "M20x1.5"; M5 to M24. Nothing: not such a thread.
[[nodiscard]] std::optional<Thread> thread_named(std::string_view name) noexcept;
// Lowest 0.2 % proof stress of a property class (ISO 898-1:2013 table 3): 8.8, 10.9, 12.9.
[[nodiscard]] std::optional<double> proof_stress(std::string_view property_class, double diameter) noexcept;
// Stress under the proof load, Sp (the same table): that times the stress area is what a bolt bears without
// being stretched for good.
[[nodiscard]] std::optional<double> proof_load_stress(std::string_view property_class,
                                                      double diameter) noexcept;

[[nodiscard]] double flank_diameter(const Thread& thread) noexcept;  // d2
[[nodiscard]] double core_diameter(const Thread& thread) noexcept;   // d3
[[nodiscard]] double stress_area(const Thread& thread) noexcept;     // AS

struct Friction {
    double thread = 0.12;  // mu_G
    double head = 0.12;    // mu_K
};

// N·m per N of preload: the pitch stretches the bolt, thread and head rub.
[[nodiscard]] double tightening_torque(const Thread& thread, const Friction& friction) noexcept;
// The same when turning back: the pitch now helps.
[[nodiscard]] double loosening_torque(const Thread& thread, const Friction& friction) noexcept;
// Preload at which `share` of the proof stress is reached by tension and torsion together.
[[nodiscard]] double assembly_preload(const Thread& thread, double proof_stress, double thread_friction,
                                      double share) noexcept;

}  // namespace tautgate::config
