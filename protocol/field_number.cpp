#include "protocol/field_number.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstdlib>
#include <limits>
#include <optional>
#include <utility>

#include <fmt/format.h>

#include "protocol/register_image.hpp"

namespace tautgate::protocol {

namespace {

// Digits of a scale or offset such that raw * scale + offset stays within 18 digits.
constexpr std::int64_t factor_limit = 1'000'000'000;
constexpr std::int32_t exponent_limit = 9;

std::expected<Decimal, Unusable> narrow(WideSigned mantissa, int exponent) {
    while (mantissa != 0 && mantissa % 10 == 0) {
        mantissa /= 10;
        ++exponent;
    }
    if (mantissa > std::numeric_limits<std::int64_t>::max() ||
        mantissa < std::numeric_limits<std::int64_t>::min())
        return std::unexpected(Unusable::too_large);
    return Decimal{static_cast<std::int64_t>(mantissa), mantissa == 0 ? 0 : exponent};
}

// Nothing where it does not fit.
std::optional<WideSigned> times_ten(WideSigned value, int times) {
    for (int i = 0; i < times && value != 0; ++i)
        if (__builtin_mul_overflow(value, WideSigned{10}, &value))
            return std::nullopt;
    return value;
}

template <class Float>
std::expected<Decimal, Scaled> fraction(Float value) {
    if (std::isnan(value))
        return std::unexpected(Scaled{"NaN", std::unexpected(Unusable::not_a_number)});
    if (std::isinf(value))
        return std::unexpected(
            Scaled{value < 0 ? "-Infinity" : "Infinity", std::unexpected(Unusable::infinite)});
    return shortest_decimal(value).value_or(Decimal{});
}

std::expected<Decimal, Scaled> raw_number(std::uint64_t bits, FieldType type) {
    if (type == FieldType::float32)
        return fraction(std::bit_cast<float>(static_cast<std::uint32_t>(bits)));
    if (type == FieldType::float64)
        return fraction(std::bit_cast<double>(bits));
    if (is_bcd(type)) {
        const auto digits = from_bcd(bits);
        if (!digits)
            return std::unexpected(
                Scaled{fmt::format("{:X}", bits), std::unexpected(Unusable::not_a_number)});
        return Decimal{static_cast<std::int64_t>(*digits), 0};
    }
    if (type == FieldType::uint64 && bits > std::uint64_t{std::numeric_limits<std::int64_t>::max()})
        return std::unexpected(Scaled{std::to_string(bits), std::unexpected(Unusable::too_large)});
    return Decimal{whole_number(bits, type), 0};
}

}  // namespace

// raw * scale + offset, exactly, or `too_large` where that needs more than 128 bits on the way.
std::expected<Decimal, Unusable> scaled(Decimal raw, Decimal scale, Decimal offset) {
    const WideSigned product = WideSigned{raw.mantissa} * scale.mantissa;
    const int exponent = raw.exponent + scale.exponent;
    if (offset.mantissa == 0)
        return narrow(product, exponent);
    const int lower = std::min(exponent, offset.exponent);
    const auto first = times_ten(product, exponent - lower);
    const auto second = times_ten(WideSigned{offset.mantissa}, offset.exponent - lower);
    WideSigned sum = 0;
    if (!first || !second || __builtin_add_overflow(*first, *second, &sum))
        return std::unexpected(Unusable::too_large);
    return narrow(sum, lower);
}

// Of every type but the two of fractions; digits are digits already.
std::int64_t whole_number(std::uint64_t bits, FieldType type) {
    switch (type) {
    case FieldType::int16: return static_cast<std::int16_t>(bits);
    case FieldType::int32: return static_cast<std::int32_t>(bits);
    case FieldType::uint16:
    case FieldType::uint32:
    case FieldType::int64:
    case FieldType::uint64:
    case FieldType::float32:
    case FieldType::float64:
    case FieldType::bcd16:
    case FieldType::bcd32:
    case FieldType::bit: return static_cast<std::int64_t>(bits);
    }
    std::unreachable();
}

Scaled number_of(std::uint64_t bits, const RegisterField& field) {
    const auto raw = raw_number(bits, field.type);
    if (!raw)
        return raw.error();
    auto value = scaled(*raw, field.scale, field.offset);
    return {to_text(value ? *value : *raw), value};
}

std::uint64_t taken_out(std::uint64_t bits, const std::optional<BitRange>& range) {
    if (!range || range->first >= 64)
        return range ? 0 : bits;
    const std::uint64_t rest = bits >> range->first;
    return range->count >= 64 ? rest : rest & ((1ULL << range->count) - 1);
}

std::optional<std::uint64_t> bits_in(std::string_view bytes, std::size_t at, FieldType type,
                                     WordOrder order) {
    const std::size_t words = width(type);
    if (at > bytes.size() || bytes.size() - at < 2 * words)
        return std::nullopt;
    std::array<std::uint16_t, 4> found{};
    for (std::size_t i = 0; i < words; ++i) {
        const auto high = static_cast<std::uint8_t>(bytes[at + 2 * i]);
        const auto low = static_cast<std::uint8_t>(bytes[at + 2 * i + 1]);
        found[i] = static_cast<std::uint16_t>((high << 8U) | low);
    }
    return join(std::span(found).first(words), order);
}

std::vector<std::uint16_t> split(std::uint64_t bits, std::uint16_t registers, WordOrder order) {
    std::vector<std::uint16_t> words(registers);
    for (std::size_t i = 0; i < words.size(); ++i)
        words[words.size() - 1 - i] = static_cast<std::uint16_t>(bits >> (16 * i));
    const std::vector<std::uint16_t> straight = words;
    for (std::size_t i = 0; i < words.size(); ++i)  // each order is its own inverse
        words[i] = static_cast<std::uint16_t>(join(std::span(&straight[i], 1), order));
    if (order == WordOrder::cdab || order == WordOrder::dcba)
        std::ranges::reverse(words);
    return words;
}

bool is_fraction(FieldType type) noexcept { return type == FieldType::float32 || type == FieldType::float64; }
bool is_signed(FieldType type) noexcept {
    return type == FieldType::int16 || type == FieldType::int32 || type == FieldType::int64;
}

std::uint64_t highest_of(FieldType type, const std::optional<BitRange>& range) noexcept {
    if (type == FieldType::bcd16)
        return 9'999;
    if (type == FieldType::bcd32)
        return 99'999'999;
    if (type == FieldType::bit)
        return 1;
    const int bits = range ? range->count : 16 * width(type);
    return bits >= 64 ? std::numeric_limits<std::uint64_t>::max() : (1ULL << bits) - 1;
}

bool has_few_digits(Decimal factor) noexcept {
    return std::abs(factor.exponent) <= exponent_limit && factor.mantissa < factor_limit &&
           factor.mantissa > -factor_limit;
}

}  // namespace tautgate::protocol
