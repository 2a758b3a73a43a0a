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
enum class Unusable : std::uint8_t {
    not_a_number,
    infinite,
    negative,
    too_large,
    unreadable,
    out_of_sensor_range
};
TAUTGATE_ENUM(Unusable, not_a_number, infinite, negative, too_large, unreadable, out_of_sensor_range);

// The unit as written in config and on our line protocol: "N.m", "cN.m", "lbf.ft", "lbf.in", "kgf.m".
[[nodiscard]] std::string_view symbol(TorqueUnit unit) noexcept;
[[nodiscard]] std::optional<TorqueUnit> torque_unit(std::string_view symbol) noexcept;

// A decimal number, exactly: mantissa * 10^exponent. 0.35 is {35, -2}; no binary fraction comes near it.
struct Decimal {
    std::int64_t mantissa = 0;
    std::int32_t exponent = 0;
    constexpr bool operator==(const Decimal&) const = default;
};
TAUTGATE_FIELDS(Decimal, mantissa, exponent);

// Reads a number as JSON writes it ("0.35", "-2", "4.5e2"); nothing else, and no more digits than a Decimal
// holds (18). Trailing zeros are dropped: equal numbers are equal Decimals.
[[nodiscard]] std::optional<Decimal> decimal_from_text(std::string_view text) noexcept;
// The shortest decimal that reads back as this very binary number: 0.1 for the double next to 0.1.
// Nothing for NaN and infinity.
[[nodiscard]] std::optional<Decimal> shortest_decimal(double value) noexcept;
[[nodiscard]] std::optional<Decimal> shortest_decimal(float value) noexcept;
// "0.35", "-2", "450"; without an exponent unless that would take more than 24 characters.
[[nodiscard]] std::string to_text(Decimal value);

// What the tool's sensor can tell: the steps in which its values count, and the highest values it can
// measure. Resolutions must be positive; values above a maximum are out_of_sensor_range.
struct MeasuringRange {
    Torque torque_resolution;
    Angle angle_resolution;
    Torque torque_max;
    Angle angle_max{36'000'000'000};  // a hundred turns, more than any run of a threaded joint
    bool operator==(const MeasuringRange&) const = default;
};
TAUTGATE_FIELDS(MeasuringRange, torque_resolution, angle_resolution, torque_max, angle_max);

// All conversions round once, half away from zero, from the exact product of the decimal value and the exact
// factor. `resolution` must be positive. They refuse NaN, infinity, negative values and values above 1e9 N·m
// (degrees); minus zero is zero. A binary number stands for its shortest decimal, so that 0.35 sent as a
// float and as text count alike.
[[nodiscard]] std::expected<Torque, Unusable> torque_from(double value, TorqueUnit unit, Torque resolution);
[[nodiscard]] std::expected<Torque, Unusable> torque_from(Decimal value, TorqueUnit unit, Torque resolution);
[[nodiscard]] std::expected<Angle, Unusable> angle_from(double degrees, Angle resolution);
[[nodiscard]] std::expected<Angle, Unusable> angle_from(Decimal degrees, Angle resolution);
// From the number's own text, at most 64 characters. Also knows "NaN", "Infinity" and "-Infinity" in any
// case and with "Inf", which name their own fault; every other text that is no JSON number is `unreadable`,
// and so is a number of more than 20 digits that lies too near a half step to tell on which side.
[[nodiscard]] std::expected<Torque, Unusable> torque_from_text(std::string_view text, TorqueUnit unit,
                                                               Torque resolution);
[[nodiscard]] std::expected<Angle, Unusable> angle_from_text(std::string_view text, Angle resolution);

// Why a value cannot be used, as the end of a sentence: "is not a number", "is negative".
[[nodiscard]] std::string_view to_text(Unusable why) noexcept;

[[nodiscard]] double as_number(const Decimal& value) noexcept;
[[nodiscard]] double in_newton_metres(Torque torque) noexcept;
[[nodiscard]] double in_degrees(Angle angle) noexcept;

// "182.5 N·m", "34 deg": as few decimals as hold the value.
[[nodiscard]] std::string to_text(Torque torque);
[[nodiscard]] std::string to_text(Angle angle);

}  // namespace tautgate::protocol
