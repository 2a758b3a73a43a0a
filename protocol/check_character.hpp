// Check characters: computed from the other characters of a serial number or label and printed with them, so
// that a slip of the scanner or of whoever types shows. ISO/IEC 7064:2003 has eight systems (those with a
// hyphen are its pure ones, those with a comma its hybrid ones), GS1 one for its numbers, and 49 CFR
// 565.15(c) one for vehicle identification numbers, whose check digit is the ninth character. Pure; any
// thread. Nothing is put right: a character that the system does not have, a small letter included, makes the
// text wrong.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

enum class CheckSystem : std::uint8_t {
    mod_11_2,     // digits; one check character, a digit or X
    mod_37_2,     // digits and letters; one, a digit, a letter or *
    mod_97_10,    // digits; two digits. Letters count as two digits, A is 10, Z is 35 (ISO 17442, ISO 13616)
    mod_661_26,   // letters; two letters
    mod_1271_36,  // digits and letters; two of them
    mod_11_10,    // digits; one digit
    mod_27_26,    // letters; one letter
    mod_37_36,    // digits and letters; one of them
    gs1_mod_10,   // digits; one digit (GS1 General Specifications, check digit calculation)
    vin           // 17 characters without I, O and Q; the ninth is a digit or X
};
TAUTGATE_ENUM(CheckSystem, mod_11_2, mod_37_2, mod_97_10, mod_661_26, mod_1271_36, mod_11_10, mod_27_26,
              mod_37_36, gs1_mod_10, vin);

[[nodiscard]] std::string_view name_of(CheckSystem system);

// The lengths of a whole text, check characters included, that the system can check.
struct CheckedLength {
    std::size_t shortest = 0;
    std::optional<std::size_t> longest;
};
[[nodiscard]] CheckedLength length_of(CheckSystem system);

// The check characters that the rest of `text` asks for. `text` is whole: those that stand in it are passed
// over. The error says why there are none, in words that follow a subject: "has the character 'D', ...".
[[nodiscard]] std::expected<std::string, std::string> expected_check(CheckSystem system,
                                                                     std::string_view text);

// What is wrong with the check characters of a whole text, in words that follow a subject: "has the check
// character 'H', but ... asks for 'G'". Nothing: they are right.
[[nodiscard]] std::optional<std::string> check_fault(CheckSystem system, std::string_view text);

}  // namespace tautgate::protocol
