// The registers as they were read from a polled tool, and the numbers in them: what decoding and watching
// share. Internal to this folder. Pure; an image is a view of the words and of the blocks that it was given.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <span>

#include "protocol/register_decode.hpp"
#include "protocol/register_plan.hpp"

namespace tautgate::protocol {

__extension__ typedef __int128 WideSigned;

// The bits of a number, brought from the order of the wire into that of a number.
[[nodiscard]] std::uint64_t join(std::span<const std::uint16_t> words, WordOrder order) noexcept;
// A single register needs no order.
[[nodiscard]] WordOrder order_of(const RegisterField& field) noexcept;
// The digits of four bits each, as a number; nothing if one is above 9.
[[nodiscard]] std::optional<std::uint64_t> from_bcd(std::uint64_t bits) noexcept;

// What decode() does with words that lie in these blocks, whatever the profile would read by itself.
[[nodiscard]] std::expected<Reading, DecodeFault> decode_in(const RegisterProfile& profile,
                                                            std::span<const BlockRange> blocks,
                                                            std::span<const std::uint16_t> words);

// Refuses to be read outside of what was read.
class RegisterImage {
  public:
    RegisterImage(const RegisterProfile& profile, std::span<const BlockRange> blocks,
                  std::span<const std::uint16_t> words)
        : profile_(profile), blocks_(blocks), words_(words) {}

    [[nodiscard]] std::optional<DecodeFault> wrong_length() const;
    [[nodiscard]] std::optional<std::span<const std::uint16_t>> registers(const FieldPlace& place) const;
    // The bits of a field, those that matter by themselves.
    [[nodiscard]] std::expected<std::uint64_t, DecodeFault> bits(const char* name,
                                                                 const RegisterField& field) const;
    // A number that is used as it is: a count, a code.
    [[nodiscard]] std::expected<std::uint64_t, DecodeFault> whole(const char* name,
                                                                  const RegisterField& field) const;
    [[nodiscard]] std::span<const std::uint16_t> words() const noexcept { return words_; }

  private:
    const RegisterProfile& profile_;
    std::span<const BlockRange> blocks_;
    std::span<const std::uint16_t> words_;
};

}  // namespace tautgate::protocol
