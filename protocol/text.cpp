#include "protocol/text.hpp"

#include <algorithm>
#include <charconv>
#include <cstdint>
#include <system_error>

#include <fmt/format.h>

namespace tautgate::protocol {

namespace {

bool is_continuation(char byte) { return (static_cast<unsigned char>(byte) & 0xC0U) == 0x80; }

// Bytes of the character that starts with `lead` and goes on with `second`; 0: not well-formed (RFC 3629, 4).
std::size_t sequence_length(unsigned char lead, unsigned char second) {
    const auto within = [second](unsigned char low, unsigned char high) {
        return second >= low && second <= high;
    };
    if (lead < 0x80)
        return 1;
    if (lead >= 0xC2 && lead <= 0xDF)
        return within(0x80, 0xBF) ? 2 : 0;
    if (lead == 0xE0)
        return within(0xA0, 0xBF) ? 3 : 0;
    if (lead == 0xED)
        return within(0x80, 0x9F) ? 3 : 0;
    if (lead >= 0xE1 && lead <= 0xEF)
        return within(0x80, 0xBF) ? 3 : 0;
    if (lead == 0xF0)
        return within(0x90, 0xBF) ? 4 : 0;
    if (lead >= 0xF1 && lead <= 0xF3)
        return within(0x80, 0xBF) ? 4 : 0;
    if (lead == 0xF4)
        return within(0x80, 0x8F) ? 4 : 0;
    return 0;
}

// Edits (insert, remove, replace, swap of neighbours) that lead from one word to the other.
std::size_t edit_distance(std::string_view from, std::string_view to) {
    std::vector<std::vector<std::size_t>> edits(from.size() + 1, std::vector<std::size_t>(to.size() + 1));
    for (std::size_t i = 0; i <= from.size(); ++i) {
        for (std::size_t j = 0; j <= to.size(); ++j) {
            if (i == 0 || j == 0) {
                edits[i][j] = i + j;
                continue;
            }
            const std::size_t replace = edits[i - 1][j - 1] + (from[i - 1] == to[j - 1] ? 0 : 1);
            edits[i][j] = std::min({edits[i - 1][j] + 1, edits[i][j - 1] + 1, replace});
            if (i > 1 && j > 1 && from[i - 1] == to[j - 2] && from[i - 2] == to[j - 1]) {
                edits[i][j] = std::min(edits[i][j], edits[i - 2][j - 2] + 1);
            }
        }
    }
    return edits[from.size()][to.size()];
}

}  // namespace

std::string in_small_letters(std::string_view text) {
    std::string out(text);
    for (char& c : out)
        c = c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    return out;
}

bool is_utf8(std::string_view bytes) noexcept {
    while (!bytes.empty()) {
        const auto lead = static_cast<unsigned char>(bytes[0]);
        const auto second = bytes.size() > 1 ? static_cast<unsigned char>(bytes[1]) : std::uint8_t{0};
        const std::size_t length = sequence_length(lead, second);
        if (length == 0 || length > bytes.size())
            return false;
        for (std::size_t i = 2; i < length; ++i)
            if (!is_continuation(bytes[i]))
                return false;
        bytes.remove_prefix(length);
    }
    return true;
}

bool has_unseen(std::string_view utf8) noexcept {
    const auto at = [&](std::size_t i) { return i < utf8.size() ? static_cast<unsigned char>(utf8[i]) : 0U; };
    for (std::size_t i = 0; i < utf8.size(); ++i) {
        const unsigned byte = at(i);
        if (byte < 0x20 || byte == 0x7F)
            return true;
        if (byte == 0xC2 && at(i + 1) < 0xA0)  // U+0080 to U+009F
            return true;
        if (byte == 0xE2 && at(i + 1) == 0x80 && at(i + 2) >= 0xA8 && at(i + 2) <= 0xAE)  // U+2028 to U+202E
            return true;
        if (byte == 0xE2 && at(i + 1) == 0x81 && at(i + 2) >= 0xA6 && at(i + 2) <= 0xA9)  // U+2066 to U+2069
            return true;
    }
    return false;
}

bool is_printable_ascii(std::string_view bytes) noexcept {
    return std::ranges::all_of(bytes, [](char byte) { return byte >= 0x20 && byte < 0x7F; });
}

std::string shown(std::string_view bytes, std::size_t most) {
    std::string out = "'";
    for (const char byte : bytes.substr(0, most)) {
        if (byte >= 0x20 && byte < 0x7F)
            out += byte;
        else
            out += fmt::format("\\x{:02x}", static_cast<unsigned char>(byte));
    }
    out += bytes.size() > most ? "'..." : "'";
    return out;
}

std::optional<std::uint64_t> whole_from_text(std::string_view text, std::uint64_t most) noexcept {
    std::uint64_t value = 0;
    const char* const end = text.data() + text.size();
    const auto read = std::from_chars(text.data(), end, value);
    const bool leading_zero = text.size() > 1 && text[0] == '0';
    if (read.ec != std::errc() || read.ptr != end || leading_zero || value > most)
        return std::nullopt;
    return value;
}

std::string counted(std::string_view number, std::string_view one) {
    std::string words(number);
    words.append(" ").append(one);
    return number == "1" ? words : words + 's';
}

std::string counted(std::size_t number, std::string_view one) { return counted(std::to_string(number), one); }

std::string nearest_word(std::string_view word, const std::vector<std::string>& known) {
    constexpr std::size_t longest = 64;
    if (word.size() > longest)
        return {};
    const auto small = in_small_letters(word);
    std::size_t best = std::max<std::size_t>(1, word.size() / 3) + 1;
    std::string nearest;
    for (const auto& candidate : known) {
        if (candidate.size() < 2)
            continue;  // every other letter is as near to it
        if (const auto distance = edit_distance(small, in_small_letters(candidate)); distance < best) {
            best = distance;
            nearest = candidate;
        }
    }
    return nearest;
}

std::string snake_case(std::string_view kind) {
    std::string name;
    for (const char c : kind) {
        const bool upper = c >= 'A' && c <= 'Z';
        if (upper && !name.empty())
            name += '_';
        name += upper ? static_cast<char>(c - 'A' + 'a') : c;
    }
    return name;
}

}  // namespace tautgate::protocol
