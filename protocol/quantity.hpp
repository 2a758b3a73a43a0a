// Torque and angle as the station compares them: whole numbers of a fixed small unit, so that a limit and a
// reading can be equal. Everything inside is N·m and degrees; other units are converted once, at the border,
// with the exact factors (NIST SP 811, appendix B.8), and rounded once, half away from zero, to the
// resolution that the tool's profile declares. Pure values; any thread.
#pragma once

#include <compare>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

// Micro newton metres. 12.5 N·m is 12'500'000.
struct Torque {
    std::int64_t micro_nm = 0;
    constexpr auto operator<=>(const Torque&) const = default;
};
TAUTGATE_FIELDS(Torque, micro_nm);

// Micro degrees. 90 degrees is 90'000'000.
struct Angle {
    std::int64_t micro_deg = 0;
    constexpr auto operator<=>(const Angle&) const = default;
};
TAUTGATE_FIELDS(Angle, micro_deg);

enum class TorqueUnit : std::uint8_t {
    newton_metre,
    centinewton_metre,
    pound_force_foot,
    pound_force_inch,
    kilogram_force_metre
};
TAUTGATE_ENUM(TorqueUnit, newton_metre, centinewton_metre, pound_force_foot, pound_force_inch,
              kilogram_force_metre);

// Why a number cannot be used as a measurement.
enum class Unusable : std::uint8_t { not_a_number, infinite, negative, too_large, unreadable, out_of_sensor_range };
TAUTGATE_ENUM(Unusable, not_a_number, infinite, negative, too_large, unreadable, out_of_sensor_range);

// The unit as written in config and on our line protocol: "N.m", "cN.m", "lbf.ft", "lbf.in", "kgf.m".
[[nodiscard]] std::string_view symbol(TorqueUnit unit) noexcept;
[[nodiscard]] std::optional<TorqueUnit> torque_unit(std::string_view symbol) noexcept;

// `resolution` must be positive. Refuses NaN, infinity, negative values and values above 1e9 N·m (degrees).
[[nodiscard]] std::expected<Torque, Unusable> torque_from(double value, TorqueUnit unit, Torque resolution);
[[nodiscard]] std::expected<Angle, Unusable> angle_from(double degrees, Angle resolution);

[[nodiscard]] double in_newton_metres(Torque torque) noexcept;
[[nodiscard]] double in_degrees(Angle angle) noexcept;

// "182.5 N·m", "34 deg": as few decimals as hold the value.
[[nodiscard]] std::string to_text(Torque torque);
[[nodiscard]] std::string to_text(Angle angle);

}  // namespace tautgate::protocol
