// A number as a device writes it, in registers or in bytes, and what it is worth: scaled in decimal, exactly.
// Shared by what reads registers, frames and curves. Internal to this folder. Pure; any thread.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/quantity.hpp"
#include "protocol/reading.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

// A number as the tool means it, before any unit.
struct Scaled {
    std::string text;
    std::expected<Decimal, Unusable> value;
};

[[nodiscard]] std::expected<Decimal, Unusable> scaled(Decimal raw, Decimal scale, Decimal offset);
[[nodiscard]] std::int64_t whole_number(std::uint64_t bits, FieldType type);
// What the bits are worth by the field's type, scale and offset.
[[nodiscard]] Scaled number_of(std::uint64_t bits, const RegisterField& field);
// A quantity that a sensor which can tell no more than `most` has measured.
template <class Quantity>
[[nodiscard]] Measured<Quantity> measured(const std::expected<Quantity, Unusable>& value, Quantity most) {
    if (!value)
        return Unreadable{value.error()};
    if (*value > most)
        return Unreadable{Unusable::out_of_sensor_range};
    return *value;
}
// What is left of a number when only some of its bits matter.
[[nodiscard]] std::uint64_t taken_out(std::uint64_t bits, const std::optional<BitRange>& range);

// The bits of the number that begins at this byte; nothing: the bytes end before it does.
[[nodiscard]] std::optional<std::uint64_t> bits_in(std::string_view bytes, std::size_t at, FieldType type,
                                                   WordOrder order);
// The words of a number, in the order of the wire.
[[nodiscard]] std::vector<std::uint16_t> split(std::uint64_t bits, std::uint16_t registers, WordOrder order);

[[nodiscard]] bool is_fraction(FieldType type) noexcept;
[[nodiscard]] bool is_signed(FieldType type) noexcept;
// The highest whole number that it can hold.
[[nodiscard]] std::uint64_t highest_of(FieldType type, const std::optional<BitRange>& range) noexcept;
// Whether a scale or an offset leaves the value exact.
[[nodiscard]] bool has_few_digits(Decimal factor) noexcept;

}  // namespace tautgate::protocol
