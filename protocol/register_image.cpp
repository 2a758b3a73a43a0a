#include "protocol/register_image.hpp"

#include <fmt/format.h>

#include "protocol/field_number.hpp"

namespace tautgate::protocol {

std::uint64_t join(std::span<const std::uint16_t> words, WordOrder order) noexcept {
    const bool low_word_first = order == WordOrder::cdab || order == WordOrder::dcba;
    const bool low_byte_first = order == WordOrder::badc || order == WordOrder::dcba;
    std::uint64_t bits = 0;
    for (std::size_t i = 0; i < words.size(); ++i) {
        const std::uint16_t word = words[low_word_first ? words.size() - 1 - i : i];
        const auto swapped = static_cast<std::uint16_t>((word << 8U) | (word >> 8U));
        bits = (bits << 16U) | (low_byte_first ? swapped : word);
    }
    return bits;
}

WordOrder order_of(const RegisterField& field) noexcept { return field.order.value_or(WordOrder::abcd); }

std::optional<std::uint64_t> from_bcd(std::uint64_t bits) noexcept {
    std::uint64_t value = 0;
    for (int shift = 60; shift >= 0; shift -= 4) {
        const std::uint64_t digit = (bits >> shift) & 0xFU;
        if (digit > 9)
            return std::nullopt;
        value = value * 10 + digit;
    }
    return value;
}

std::optional<DecodeFault> RegisterImage::wrong_length() const {
    const std::size_t wanted = words_in(blocks_);
    if (words_.size() == wanted)
        return std::nullopt;
    return DecodeFault{"", fmt::format("{} registers were read, the profile says {}", words_.size(), wanted),
                       "check length in the profile, and what the tool answers", std::nullopt};
}

std::optional<std::span<const std::uint16_t>> RegisterImage::registers(const FieldPlace& place) const {
    const auto at = offset_in(blocks_, place);
    if (!at || *at + place.count > words_.size())
        return std::nullopt;
    return words_.subspan(*at, place.count);
}

std::expected<std::uint64_t, DecodeFault> RegisterImage::bits(const char* name,
                                                              const RegisterField& field) const {
    const auto found = registers(place_of(profile_, field));
    if (!found)
        return std::unexpected(
            DecodeFault{name, fmt::format("register {} is outside of what is read", field.address),
                        "correct the address in the profile", std::nullopt});
    if (field.type == FieldType::bit)
        return std::uint64_t{found->front() != 0};
    return taken_out(join(*found, order_of(field)), field.bits);
}

std::expected<std::uint64_t, DecodeFault> RegisterImage::whole(const char* name,
                                                               const RegisterField& field) const {
    const auto found = bits(name, field);
    if (!found || !is_bcd(field.type))
        return found;
    if (const auto digits = from_bcd(*found))
        return *digits;
    return std::unexpected(DecodeFault{name, fmt::format("{:X} has digits above 9", *found),
                                       "check address, type and order in the profile", std::nullopt});
}

}  // namespace tautgate::protocol
