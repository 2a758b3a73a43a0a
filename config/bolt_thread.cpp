#include "config/bolt_thread.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <numbers>
#include <utility>

namespace tautgate::config {

using std::numbers::pi;
using std::numbers::sqrt3;

namespace {

constexpr std::array<std::pair<std::string_view, Thread>, 11> coarse_threads{{
    {"M5", {5, 0.8, 6.88, 5.5}},
    {"M6", {6, 1.0, 8.88, 6.6}},
    {"M8", {8, 1.25, 11.63, 9.0}},
    {"M10", {10, 1.5, 14.63, 11.0}},
    {"M12", {12, 1.75, 16.63, 13.5}},
    {"M14", {14, 2.0, 19.64, 15.5}},
    {"M16", {16, 2.0, 22.49, 17.5}},
    {"M18", {18, 2.5, 25.34, 20.0}},
    {"M20", {20, 2.5, 28.19, 22.0}},
    {"M22", {22, 2.5, 31.71, 24.0}},
    {"M24", {24, 3.0, 33.61, 26.0}},
}};

constexpr double finest_pitch = 0.5;

struct Strength {
    double proof_stress;
    double proof_load_stress;
};

// ISO 898-1:2013, table 3. Class 8.8 is stronger above M16.
std::optional<Strength> strength_of(std::string_view property_class, double diameter) noexcept {
    if (property_class == "8.8")
        return diameter > 16 ? Strength{660, 600} : Strength{640, 580};
    if (property_class == "10.9")
        return Strength{940, 830};
    if (property_class == "12.9")
        return Strength{1100, 970};
    return std::nullopt;
}

// Height of the basic triangle, ISO 68-1.
double triangle_height(const Thread& thread) noexcept { return sqrt3 / 2 * thread.pitch; }

// Diameter of the circle of the stress area.
double stress_diameter(const Thread& thread) noexcept {
    return (flank_diameter(thread) + core_diameter(thread)) / 2;
}

constexpr double cos_flank = sqrt3 / 2;  // half of the 60 degree flank angle

double friction_arm(const Thread& thread, const Friction& friction) noexcept {
    const double mean_bearing = (thread.bearing + thread.hole) / 2;
    return flank_diameter(thread) / 2 * friction.thread / cos_flank + mean_bearing / 2 * friction.head;
}

constexpr double mm_per_m = 1000;

}  // namespace

std::optional<Thread> thread_named(std::string_view name) noexcept {
    const auto cross = name.find('x');
    const auto size = name.substr(0, cross);
    const auto known = std::ranges::find(coarse_threads, size, &std::pair<std::string_view, Thread>::first);
    if (known == coarse_threads.end())
        return std::nullopt;
    Thread thread = known->second;
    if (cross == std::string_view::npos)
        return thread;
    const std::string_view pitch = name.substr(cross + 1);
    double fine = 0;
    const auto [end, failed] = std::from_chars(pitch.data(), pitch.data() + pitch.size(), fine);
    const bool whole = failed == std::errc{} && end == pitch.data() + pitch.size();
    if (!whole || fine < finest_pitch || fine >= thread.pitch)
        return std::nullopt;
    thread.pitch = fine;
    return thread;
}

std::optional<double> proof_stress(std::string_view property_class, double diameter) noexcept {
    const auto strength = strength_of(property_class, diameter);
    return strength ? std::optional(strength->proof_stress) : std::nullopt;
}

std::optional<double> proof_load_stress(std::string_view property_class, double diameter) noexcept {
    const auto strength = strength_of(property_class, diameter);
    return strength ? std::optional(strength->proof_load_stress) : std::nullopt;
}

double flank_diameter(const Thread& thread) noexcept {
    return thread.diameter - 3.0 / 4.0 * triangle_height(thread);
}

double core_diameter(const Thread& thread) noexcept {
    return thread.diameter - (5.0 / 4.0 + 1.0 / 6.0) * triangle_height(thread);
}

double stress_area(const Thread& thread) noexcept {
    const double diameter = stress_diameter(thread);
    return pi / 4 * diameter * diameter;
}

double tightening_torque(const Thread& thread, const Friction& friction) noexcept {
    return (thread.pitch / (2 * pi) + friction_arm(thread, friction)) / mm_per_m;
}

double loosening_torque(const Thread& thread, const Friction& friction) noexcept {
    return (friction_arm(thread, friction) - thread.pitch / (2 * pi)) / mm_per_m;
}

double assembly_preload(const Thread& thread, double proof_stress, double thread_friction,
                        double share) noexcept {
    const double flank = flank_diameter(thread);
    const double torsion =
        1.5 * (flank / stress_diameter(thread)) * (thread.pitch / (pi * flank) + thread_friction / cos_flank);
    return stress_area(thread) * share * proof_stress / std::sqrt(1 + 3 * torsion * torsion);
}

}  // namespace tautgate::config
