// Small questions about bytes that came from outside, shared by the parsers of this folder.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tautgate::protocol {

// Well-formed UTF-8 (RFC 3629): no overlong forms, no surrogates, nothing above U+10FFFF.
[[nodiscard]] bool is_utf8(std::string_view bytes) noexcept;

// Whether well-formed UTF-8 holds something that is not seen as it stands: control characters, line and
// paragraph separators, and what turns the direction of writing (Unicode 15, general categories Cc, Zl and
// Zp, and the explicit directional formatting characters of UAX #9).
[[nodiscard]] bool has_unseen(std::string_view utf8) noexcept;

// Nothing but the characters 0x20 to 0x7E.
[[nodiscard]] bool is_printable_ascii(std::string_view bytes) noexcept;

// For a message: at most `most` bytes, in quotes, with everything that is not printable ASCII as \xNN.
[[nodiscard]] std::string shown(std::string_view bytes, std::size_t most = 40);

// A whole number in decimal digits without leading zeros and signs, not above `most`.
[[nodiscard]] std::optional<std::uint64_t> whole_from_text(std::string_view text,
                                                           std::uint64_t most) noexcept;

// "OverrideJoint", as the record names a kind, as interfaces say it: "override_joint".
[[nodiscard]] std::string snake_case(std::string_view kind);

// The letters A to Z only.
[[nodiscard]] std::string in_small_letters(std::string_view text);

// "1 result", "2 results": of words that take an s. The number as it is shown.
[[nodiscard]] std::string counted(std::string_view number, std::string_view one);
[[nodiscard]] std::string counted(std::size_t number, std::string_view one);

// The word of `known` that `word` was probably meant to be: few edits away for its length. Empty: none.
[[nodiscard]] std::string nearest_word(std::string_view word, const std::vector<std::string>& known);

}  // namespace tautgate::protocol
