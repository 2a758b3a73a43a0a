#include "protocol/check_character.hpp"

#include <algorithm>
#include <array>
#include <variant>
#include <vector>

#include <fmt/format.h>

#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::string_view digits_and_letters = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";
constexpr std::string_view only_digits = digits_and_letters.substr(0, 10);
constexpr std::string_view only_letters = digits_and_letters.substr(10);

// ISO/IEC 7064, pure systems: the weighted sum of a text with its check characters is 1 modulo `modulus`.
struct PureSystem {
    unsigned modulus = 0;
    unsigned radix = 0;
    std::string_view alphabet;        // of the text
    std::string_view check_alphabet;  // of its check characters
    std::size_t checks = 1;
    bool letters_are_two_digits = false;
};
// ISO/IEC 7064, hybrid systems: modulo one more than the alphabet has, and modulo the alphabet, in turn.
struct HybridSystem {
    std::string_view alphabet;
};
struct Gs1System {};
struct VinSystem {};
using Arithmetic = std::variant<PureSystem, HybridSystem, Gs1System, VinSystem>;

Arithmetic arithmetic_of(CheckSystem system) {
    constexpr std::string_view digits_and_x = "0123456789X";
    constexpr std::string_view all_and_star = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*";
    switch (system) {
    case CheckSystem::mod_11_2: return PureSystem{11, 2, only_digits, digits_and_x};
    case CheckSystem::mod_37_2: return PureSystem{37, 2, digits_and_letters, all_and_star};
    case CheckSystem::mod_97_10: return PureSystem{97, 10, digits_and_letters, only_digits, 2, true};
    case CheckSystem::mod_661_26: return PureSystem{661, 26, only_letters, only_letters, 2};
    case CheckSystem::mod_1271_36: return PureSystem{1271, 36, digits_and_letters, digits_and_letters, 2};
    case CheckSystem::mod_11_10: return HybridSystem{only_digits};
    case CheckSystem::mod_27_26: return HybridSystem{only_letters};
    case CheckSystem::mod_37_36: return HybridSystem{digits_and_letters};
    case CheckSystem::gs1_mod_10: return Gs1System{};
    case CheckSystem::vin: return VinSystem{};
    }
    return VinSystem{};
}

// Where the check characters stand in a whole text of which nothing is known but that it is long enough.
struct CheckPlace {
    std::size_t begin = 0;
    std::size_t count = 1;
};

constexpr std::size_t vin_length = 17;
constexpr std::size_t vin_check_place = 8;

CheckPlace place_of_check(CheckSystem system, std::string_view text) {
    const Arithmetic arithmetic = arithmetic_of(system);
    if (std::holds_alternative<VinSystem>(arithmetic))
        return {vin_check_place, 1};
    const auto* const pure = std::get_if<PureSystem>(&arithmetic);
    const std::size_t count = pure != nullptr ? pure->checks : 1;
    return {text.size() - count, count};
}

unsigned value_in(std::string_view alphabet, char c) { return static_cast<unsigned>(alphabet.find(c)); }

// The first character that is none of the alphabet's, if any.
std::optional<std::string> foreign_character(CheckSystem system, std::string_view text,
                                             std::string_view alphabet) {
    const std::size_t place = text.find_first_not_of(alphabet);
    if (place == std::string_view::npos)
        return std::nullopt;
    return fmt::format("has the character {} where {} has none such", shown(text.substr(place, 1)),
                       name_of(system));
}

// The weighted sum so far, with room for the check characters: what they have to fill up to 1.
unsigned pure_remainder(const PureSystem& system, std::string_view payload) {
    unsigned remainder = 0;
    const auto add = [&](unsigned value) { remainder = (remainder + value) * system.radix % system.modulus; };
    for (const char c : payload) {
        const unsigned value = value_in(system.alphabet, c);
        if (system.letters_are_two_digits && value >= 10)
            add(value / 10);
        add(system.letters_are_two_digits ? value % 10 : value);
    }
    return system.checks == 2 ? remainder * system.radix % system.modulus : remainder;
}

std::string pure_check(const PureSystem& system, std::string_view payload) {
    const unsigned wanted = system.modulus + 1 - pure_remainder(system, payload);
    if (system.checks == 2)
        return {system.check_alphabet[wanted / system.radix], system.check_alphabet[wanted % system.radix]};
    return {system.check_alphabet[wanted % system.modulus]};
}

std::string hybrid_check(const HybridSystem& system, std::string_view payload) {
    const auto size = static_cast<unsigned>(system.alphabet.size());
    unsigned product = size;
    for (const char c : payload) {
        const unsigned sum = (product + value_in(system.alphabet, c)) % size;
        product = (sum == 0 ? size : sum) * 2 % (size + 1);
    }
    return {system.alphabet[(size + 1 - product) % size]};
}

std::string gs1_check(std::string_view payload) {
    unsigned sum = 0;
    unsigned weight = 3;  // of the last digit before the check digit; then 1 and 3 in turn
    for (std::size_t i = payload.size(); i-- > 0; weight = 4 - weight)
        sum += weight * value_in(only_digits, payload[i]);
    return {only_digits[(10 - sum % 10) % 10]};
}

std::string vin_check(std::string_view text) {
    // 49 CFR 565.15(c), tables IV and V. Place in the text: value; 0 for the check digit itself.
    constexpr std::string_view letters = "ABCDEFGHJKLMNPRSTUVWXYZ";
    constexpr std::string_view values = "12345678123457923456789";
    constexpr std::array<unsigned, vin_length> weights{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2};
    unsigned sum = 0;
    for (std::size_t i = 0; i < vin_length; ++i) {
        const std::size_t letter = letters.find(text[i]);
        const char digit = letter == std::string_view::npos ? text[i] : values[letter];
        sum += weights[i] * value_in(only_digits, digit);
    }
    return {"0123456789X"[sum % 11]};
}

std::string_view alphabet_of_payload(CheckSystem system) {
    const Arithmetic arithmetic = arithmetic_of(system);
    if (const auto* const pure = std::get_if<PureSystem>(&arithmetic))
        return pure->alphabet;
    if (const auto* const hybrid = std::get_if<HybridSystem>(&arithmetic))
        return hybrid->alphabet;
    return system == CheckSystem::gs1_mod_10 ? only_digits : "0123456789ABCDEFGHJKLMNPRSTUVWXYZ";
}

std::optional<std::string> wrong_length(CheckSystem system, std::size_t length) {
    const auto [shortest, longest] = length_of(system);
    if (length < shortest || (longest && length > *longest))
        return fmt::format("has {} characters where {} needs {}{}", length, name_of(system),
                           longest ? "" : "at least ", shortest);
    return std::nullopt;
}

// The two check characters of a pure system can be written in two ways where their value is below the radix
// squared less the modulus; ISO/IEC 7064 lets both pass, and so the sum decides, not the comparison.
bool sums_up(const PureSystem& system, std::string_view payload, std::string_view check) {
    unsigned value = 0;
    for (const char c : check)
        value = value * system.radix + value_in(system.check_alphabet, c);
    return (pure_remainder(system, payload) + value) % system.modulus == 1;
}

}  // namespace

std::string_view name_of(CheckSystem system) {
    switch (system) {
    case CheckSystem::mod_11_2: return "ISO/IEC 7064 MOD 11-2";
    case CheckSystem::mod_37_2: return "ISO/IEC 7064 MOD 37-2";
    case CheckSystem::mod_97_10: return "ISO/IEC 7064 MOD 97-10";
    case CheckSystem::mod_661_26: return "ISO/IEC 7064 MOD 661-26";
    case CheckSystem::mod_1271_36: return "ISO/IEC 7064 MOD 1271-36";
    case CheckSystem::mod_11_10: return "ISO/IEC 7064 MOD 11,10";
    case CheckSystem::mod_27_26: return "ISO/IEC 7064 MOD 27,26";
    case CheckSystem::mod_37_36: return "ISO/IEC 7064 MOD 37,36";
    case CheckSystem::gs1_mod_10: return "the GS1 check digit";
    case CheckSystem::vin: return "the VIN check digit of 49 CFR 565";
    }
    return "?";
}

CheckedLength length_of(CheckSystem system) {
    const Arithmetic arithmetic = arithmetic_of(system);
    if (std::holds_alternative<VinSystem>(arithmetic))
        return {vin_length, vin_length};
    const auto* const pure = std::get_if<PureSystem>(&arithmetic);
    return {pure != nullptr ? pure->checks + 1 : 2, std::nullopt};
}

std::expected<std::string, std::string> expected_check(CheckSystem system, std::string_view text) {
    if (auto fault = wrong_length(system, text.size()))
        return std::unexpected(std::move(*fault));
    const auto [begin, count] = place_of_check(system, text);
    const std::string_view before = text.substr(0, begin);
    const std::string_view alphabet = alphabet_of_payload(system);
    for (const std::string_view part : {before, text.substr(begin + count)})
        if (auto fault = foreign_character(system, part, alphabet))
            return std::unexpected(std::move(*fault));
    const Arithmetic arithmetic = arithmetic_of(system);
    if (const auto* const pure = std::get_if<PureSystem>(&arithmetic))
        return pure_check(*pure, before);
    if (const auto* const hybrid = std::get_if<HybridSystem>(&arithmetic))
        return hybrid_check(*hybrid, before);
    return system == CheckSystem::gs1_mod_10 ? gs1_check(before) : vin_check(text);
}

std::optional<std::string> check_fault(CheckSystem system, std::string_view text) {
    const auto expected = expected_check(system, text);
    if (!expected)
        return expected.error();
    const auto [begin, count] = place_of_check(system, text);
    const std::string_view read = text.substr(begin, count);
    const Arithmetic arithmetic = arithmetic_of(system);
    const auto* const pure = std::get_if<PureSystem>(&arithmetic);
    const bool is_known =
        pure == nullptr || read.find_first_not_of(pure->check_alphabet) == std::string_view::npos;
    const bool is_right =
        pure != nullptr ? is_known && sums_up(*pure, text.substr(0, begin), read) : read == *expected;
    if (is_right)
        return std::nullopt;
    return fmt::format("has the check character{} {} where the rest of it asks for {} by {}",
                       count == 1 ? "" : "s", shown(read), shown(*expected), name_of(system));
}

}  // namespace tautgate::protocol
