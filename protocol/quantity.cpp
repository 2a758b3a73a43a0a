#include "protocol/quantity.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <charconv>
#include <cmath>
#include <system_error>
#include <utility>

#include <fmt/format.h>

namespace tautgate::protocol {

namespace {

__extension__ typedef unsigned __int128 Wide;

// numerator / 10^power N·m (or degrees) in one unit, exactly.
struct Factor {
    std::int64_t numerator = 1;
    int power = 0;
};

// The definitions behind NIST SP 811: 1 lbf = 4.4482216152605 N, 1 ft = 0.3048 m, 1 in = 0.0254 m,
// 1 kgf = 9.80665 N. A product of two finite decimals is a finite decimal.
constexpr Factor pound_force_foot_factor{13'558'179'483'314'004, 16};
constexpr Factor pound_force_inch_factor{1'129'848'290'276'167, 16};
static_assert(pound_force_foot_factor.numerator * 10 == 44'482'216'152'605 * 3048);
static_assert(pound_force_inch_factor.numerator * 10 == 44'482'216'152'605 * 254);

constexpr Factor factor_of(TorqueUnit unit) {
    switch (unit) {
    case TorqueUnit::newton_metre: return {1, 0};
    case TorqueUnit::centinewton_metre: return {1, 2};
    case TorqueUnit::pound_force_foot: return pound_force_foot_factor;
    case TorqueUnit::pound_force_inch: return pound_force_inch_factor;
    case TorqueUnit::kilogram_force_metre: return {980'665, 5};
    }
    std::unreachable();
}

constexpr Wide power_of_ten(int exponent) {
    Wide result = 1;
    for (int i = 0; i < exponent; ++i)
        result *= 10;
    return result;
}

constexpr int micro = 6;                                 // 10^6 of our small units in one unit
constexpr std::int64_t largest = 1'000'000'000'000'000;  // 1e9 units
constexpr int digits_kept = 20;                          // 10^20 * 2^54 stays below 2^121
constexpr std::size_t text_limit = 64;

// A number as written: (-) digits * 10^exponent, and perhaps more digits that were not kept.
struct Written {
    bool negative = false;
    Wide digits = 0;
    int exponent = 0;
    bool more = false;
};

bool is_digit(char c) { return c >= '0' && c <= '9'; }

// Takes the digits at the front of `text` into `number`; `after_point` tells what they are worth.
std::size_t take_digits(std::string_view text, Written& number, int& kept, bool after_point) {
    std::size_t taken = 0;
    for (; taken < text.size() && is_digit(text[taken]); ++taken) {
        const auto digit = static_cast<unsigned>(text[taken] - '0');
        if (kept == digits_kept) {
            number.more = number.more || digit != 0;
            number.exponent += after_point ? 0 : 1;
            continue;
        }
        number.digits = number.digits * 10 + digit;
        kept += (number.digits != 0) ? 1 : 0;
        number.exponent -= after_point ? 1 : 0;
    }
    return taken;
}

// The exponent's own number, cut where it no longer matters.
std::optional<int> take_exponent(std::string_view text) {
    const bool negative = text.starts_with('-');
    if (negative || text.starts_with('+'))
        text.remove_prefix(1);
    if (text.empty() || !std::ranges::all_of(text, is_digit))
        return std::nullopt;
    int value = 0;
    for (const char c : text)
        value = std::min(value * 10 + (c - '0'), 100'000);
    return negative ? -value : value;
}

// The number grammar of RFC 8259, section 6.
std::optional<Written> read_number(std::string_view text) {
    Written number;
    int kept = 0;
    number.negative = text.starts_with('-');
    text.remove_prefix(number.negative ? 1 : 0);
    const std::size_t whole = take_digits(text, number, kept, false);
    if (whole == 0 || (whole > 1 && text[0] == '0'))
        return std::nullopt;
    text.remove_prefix(whole);
    if (text.starts_with('.')) {
        text.remove_prefix(1);
        const std::size_t fraction = take_digits(text, number, kept, true);
        if (fraction == 0)
            return std::nullopt;
        text.remove_prefix(fraction);
    }
    if (text.starts_with('e') || text.starts_with('E')) {
        const auto exponent = take_exponent(text.substr(1));
        if (!exponent)
            return std::nullopt;
        number.exponent += *exponent;
        text = {};
    }
    return text.empty() ? std::optional(number) : std::nullopt;
}

struct Rounded {
    std::int64_t micro = 0;
    bool on_half = false;  // the value lay exactly between two steps
};

// digits * 10^exponent units in micro units, rounded to the resolution, half away from zero.
std::expected<Rounded, Unusable> round_once(Wide digits, int exponent, Factor factor,
                                            std::int64_t resolution) {
    assert(resolution > 0);
    const auto step = static_cast<Wide>(resolution);
    if (digits == 0)
        return Rounded{};
    Wide product = digits * static_cast<Wide>(factor.numerator);
    int power = exponent - factor.power + micro;
    for (; power > 0; --power) {
        if (product > static_cast<Wide>(largest))
            return std::unexpected(Unusable::too_large);
        product *= 10;
    }
    if (power < -38)  // below 10^-1 micro units whatever the digits: rounds to nothing
        return Rounded{};
    const Wide divisor = power_of_ten(-power);
    const Wide whole = product / divisor;
    const Wide rest = product % divisor;
    if (whole > static_cast<Wide>(largest) || (whole == static_cast<Wide>(largest) && rest > 0))
        return std::unexpected(Unusable::too_large);
    const Wide left = whole % step;
    // Half a step may lie between two micro units; twice the distance tells without a fraction.
    const bool at_half = (2 * left == step && rest == 0) || (2 * left + 1 == step && 2 * rest == divisor);
    const bool up = 2 * left >= step || (2 * left + 1 == step && 2 * rest >= divisor);
    return Rounded{static_cast<std::int64_t>((whole / step + (up ? 1 : 0)) * step), at_half};
}

std::expected<std::int64_t, Unusable> convert(const Written& number, Factor factor, std::int64_t resolution) {
    if (number.negative && number.digits != 0)
        return std::unexpected(Unusable::negative);
    const auto low = round_once(number.digits, number.exponent, factor, resolution);
    if (!low)
        return std::unexpected(low.error());
    if (!number.more)
        return low->micro;
    // The value lies above these digits and below the next higher ones.
    const auto high = round_once(number.digits + 1, number.exponent, factor, resolution);
    if (!high)
        return std::unexpected(high.error());
    if (low->micro != high->micro && !high->on_half)
        return std::unexpected(Unusable::unreadable);
    return low->micro;
}

bool equal_ignoring_case(std::string_view text, std::string_view lower) {
    return std::ranges::equal(text, lower, {},
                              [](char c) { return c >= 'A' && c <= 'Z' ? char(c - 'A' + 'a') : c; });
}

std::expected<std::int64_t, Unusable> convert(std::string_view text, Factor factor, std::int64_t resolution) {
    if (text.size() > text_limit)
        return std::unexpected(Unusable::unreadable);
    if (const auto number = read_number(text))
        return convert(*number, factor, resolution);
    const std::string_view name = text.starts_with('-') || text.starts_with('+') ? text.substr(1) : text;
    if (equal_ignoring_case(name, "nan"))
        return std::unexpected(Unusable::not_a_number);
    if (equal_ignoring_case(name, "inf") || equal_ignoring_case(name, "infinity"))
        return std::unexpected(Unusable::infinite);
    return std::unexpected(Unusable::unreadable);
}

std::expected<std::int64_t, Unusable> convert(Decimal value, Factor factor, std::int64_t resolution) {
    const bool negative = value.mantissa < 0;
    const auto bits = static_cast<std::uint64_t>(value.mantissa);
    const Wide magnitude = negative ? 0 - bits : bits;
    return convert(Written{.negative = negative, .digits = magnitude, .exponent = value.exponent}, factor,
                   resolution);
}

std::expected<std::int64_t, Unusable> convert(double value, Factor factor, std::int64_t resolution) {
    if (std::isnan(value))
        return std::unexpected(Unusable::not_a_number);
    if (std::isinf(value))
        return std::unexpected(Unusable::infinite);
    const auto decimal = shortest_decimal(value);
    assert(decimal);
    return convert(*decimal, factor, resolution);
}

std::expected<Torque, Unusable> as_torque(std::expected<std::int64_t, Unusable> micro_nm) {
    if (!micro_nm)
        return std::unexpected(micro_nm.error());
    return Torque{*micro_nm};
}

std::expected<Angle, Unusable> as_angle(std::expected<std::int64_t, Unusable> micro_deg) {
    if (!micro_deg)
        return std::unexpected(micro_deg.error());
    return Angle{*micro_deg};
}

template <class Float>
std::optional<Decimal> shortest(Float value) {
    if (!std::isfinite(value))
        return std::nullopt;
    std::array<char, 32> buffer{};
    const auto result =
        std::to_chars(buffer.data(), buffer.data() + buffer.size(), value, std::chars_format::scientific);
    assert(result.ec == std::errc());
    return decimal_from_text({buffer.data(), result.ptr});
}

// 2.3875e-41
std::string scientific_text(Decimal value) {
    std::string digits = fmt::format("{}", value.mantissa);
    const std::size_t point = value.mantissa < 0 ? 2 : 1;  // behind the first digit
    const auto power = value.exponent + static_cast<int>(digits.size() - point);
    if (digits.size() > point)
        digits.insert(point, ".");
    return fmt::format("{}e{}", digits, power);
}

std::string plain_text(std::int64_t mantissa, int decimals) {
    const bool negative = mantissa < 0;
    const auto bits = static_cast<std::uint64_t>(mantissa);
    std::string digits = fmt::format_int(negative ? 0 - bits : bits).str();
    if (decimals > 0) {
        const auto places = static_cast<std::size_t>(decimals);
        if (digits.size() <= places)
            digits.insert(0, places + 1 - digits.size(), '0');
        digits.insert(digits.size() - places, 1, '.');
        digits.erase(digits.find_last_not_of('0') + 1);
        if (digits.back() == '.')
            digits.pop_back();
    }
    return negative ? "-" + digits : digits;
}

constexpr std::array<std::pair<TorqueUnit, std::string_view>, 5> symbols{{
    {TorqueUnit::newton_metre, "N.m"},
    {TorqueUnit::centinewton_metre, "cN.m"},
    {TorqueUnit::pound_force_foot, "lbf.ft"},
    {TorqueUnit::pound_force_inch, "lbf.in"},
    {TorqueUnit::kilogram_force_metre, "kgf.m"},
}};

}  // namespace

std::string_view symbol(TorqueUnit unit) noexcept {
    for (const auto& [known, text] : symbols)
        if (known == unit)
            return text;
    std::unreachable();
}

std::optional<TorqueUnit> torque_unit(std::string_view symbol) noexcept {
    for (const auto& [unit, text] : symbols)
        if (text == symbol)
            return unit;
    return std::nullopt;
}

std::optional<Decimal> decimal_from_text(std::string_view text) noexcept {
    if (text.size() > text_limit)
        return std::nullopt;
    auto number = read_number(text);
    if (!number || number->more)
        return std::nullopt;
    if (number->digits == 0)
        return Decimal{};
    while (number->digits % 10 == 0) {
        number->digits /= 10;
        ++number->exponent;
    }
    if (number->digits >= power_of_ten(18) || std::abs(number->exponent) > 400)
        return std::nullopt;
    const auto magnitude = static_cast<std::int64_t>(number->digits);
    return Decimal{number->negative ? -magnitude : magnitude, number->exponent};
}

std::optional<Decimal> shortest_decimal(double value) noexcept { return shortest(value); }

std::optional<Decimal> shortest_decimal(float value) noexcept { return shortest(value); }

std::string to_text(Decimal value) {
    constexpr int longest = 24;
    if (value.mantissa == 0)
        return "0";
    if (value.exponent > longest - 20 || value.exponent < -longest + 3)
        return scientific_text(value);
    if (value.exponent <= 0)
        return plain_text(value.mantissa, -value.exponent);
    return fmt::format("{}{}", value.mantissa, std::string(static_cast<std::size_t>(value.exponent), '0'));
}

std::expected<Torque, Unusable> torque_from(double value, TorqueUnit unit, Torque resolution) {
    return as_torque(convert(value, factor_of(unit), resolution.micro_nm));
}

std::expected<Torque, Unusable> torque_from(Decimal value, TorqueUnit unit, Torque resolution) {
    return as_torque(convert(value, factor_of(unit), resolution.micro_nm));
}

std::expected<Torque, Unusable> torque_from_text(std::string_view text, TorqueUnit unit, Torque resolution) {
    return as_torque(convert(text, factor_of(unit), resolution.micro_nm));
}

std::expected<Angle, Unusable> angle_from(double degrees, Angle resolution) {
    return as_angle(convert(degrees, Factor{}, resolution.micro_deg));
}

std::expected<Angle, Unusable> angle_from(Decimal degrees, Angle resolution) {
    return as_angle(convert(degrees, Factor{}, resolution.micro_deg));
}

std::expected<Angle, Unusable> angle_from_text(std::string_view text, Angle resolution) {
    return as_angle(convert(text, Factor{}, resolution.micro_deg));
}

std::string_view to_text(Unusable why) noexcept {
    switch (why) {
    case Unusable::not_a_number: return "is not a number";
    case Unusable::infinite: return "is infinite";
    case Unusable::negative: return "is negative";
    case Unusable::too_large: return "is too large";
    case Unusable::unreadable: return "cannot be read";
    case Unusable::out_of_sensor_range: return "is outside the range of the sensor";
    }
    std::unreachable();
}

double as_number(const Decimal& value) noexcept {
    return static_cast<double>(value.mantissa) * std::pow(10.0, value.exponent);
}

double in_newton_metres(Torque torque) noexcept { return static_cast<double>(torque.micro_nm) / 1e6; }

double in_degrees(Angle angle) noexcept { return static_cast<double>(angle.micro_deg) / 1e6; }

std::string to_text(Torque torque) { return plain_text(torque.micro_nm, micro) + " N·m"; }

std::string to_text(Angle angle) { return plain_text(angle.micro_deg, micro) + " deg"; }

}  // namespace tautgate::protocol
