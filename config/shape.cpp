#include "config/shape.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

#include <arpa/inet.h>
#include <fmt/format.h>

#include "protocol/text.hpp"

namespace tautgate::config {

using protocol::nearest_word;

namespace {

bool is_letter_or_digit(char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
}

bool has_control_character(std::string_view text) {
    return std::any_of(text.begin(), text.end(),
                       [](char c) { return static_cast<unsigned char>(c) < 0x20U || c == 0x7F; });
}

// UTF-8; the JSON library has refused anything else.
std::size_t characters(std::string_view text) {
    return static_cast<std::size_t>(std::count_if(
        text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

// The text of a node that satisfies `good`; otherwise the error.
template <class Good>
void read_text(Errors& errors, const Node& node, const std::string& pointer, const std::string& allowed,
               std::string& out, Good good) {
    if (node.kind != NodeKind::text) {
        errors.wrong_type(node, pointer, allowed);
    } else if (!good(std::string_view(node.text))) {
        errors.add(node, pointer, fmt::format("{} is not allowed here", shown(node)), allowed);
    } else {
        out = node.text;
    }
}

std::optional<int> two_digits(std::string_view text) {
    const auto digit = [](char c) { return c >= '0' && c <= '9'; };
    if (text.size() != 2 || !digit(text[0]) || !digit(text[1])) {
        return std::nullopt;
    }
    return (text[0] - '0') * 10 + (text[1] - '0');
}

void report_missing(Errors& errors, const Node& node, const std::string& pointer,
                    const std::vector<KeyUse>& keys, const std::vector<std::string>& misspelt) {
    for (const auto& key : keys) {
        // A misspelt key is one mistake, not a key too many and another too few.
        const bool misspelt_here = std::find(misspelt.begin(), misspelt.end(), key.name) != misspelt.end();
        if (key.required && !key.given && !misspelt_here) {
            errors.add(node, pointer, fmt::format("the key \"{}\" is missing", key.name), "add it");
        }
    }
}

// Nothing but digits and dots: meant as an address of IPv4 (RFC 1123, 2.1: such a text is no host name).
bool is_spoilt_address(const std::string& text) {
    std::array<unsigned char, sizeof(in6_addr)> bytes{};
    return !text.empty() && text.find_first_not_of("0123456789.") == std::string::npos &&
           inet_pton(AF_INET, text.c_str(), bytes.data()) != 1;
}

}  // namespace

std::string to_text(const ConfigError& error) {
    std::string out = error.file;
    if (error.line != 0) {
        out += fmt::format(":{}", error.line);
    }
    if (error.column != 0) {
        out += fmt::format(":{}", error.column);
    }
    out += error.severity == Severity::warning ? ": warning: " : ": ";
    if (!error.pointer.empty()) {
        out += error.pointer + ": ";
    }
    out += error.found;
    if (!error.nearest.empty()) {
        out += fmt::format("; did you mean \"{}\"?", error.nearest);
    }
    if (!error.allowed.empty()) {
        out += (error.nearest.empty() ? "; " : " ") + error.allowed;
    }
    return out;
}

void Errors::add(const Node& node, const std::string& pointer, std::string found, std::string allowed,
                 std::string nearest) {
    add_at(node.place, pointer, std::move(found), std::move(allowed), std::move(nearest));
}

void Errors::add_at(Place place, const std::string& pointer, std::string found, std::string allowed,
                    std::string nearest) {
    errors_.push_back({.severity = Severity::error,
                       .file = file_,
                       .line = place.line,
                       .column = 0,
                       .pointer = pointer,
                       .found = std::move(found),
                       .allowed = std::move(allowed),
                       .nearest = std::move(nearest)});
}

void Errors::wrong_type(const Node& node, const std::string& pointer, std::string_view allowed) {
    add(node, pointer, fmt::format("{} is of the wrong kind", shown(node)), std::string(allowed));
}

void Text::read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
    const auto allowed = fmt::format("give a text of 1 to {} characters on one line", longest);
    if (node.kind == NodeKind::text && has_control_character(node.text)) {
        errors.add(node, pointer, fmt::format("{} has a control character in it, shown as ?", shown(node)),
                   allowed);
        return;
    }
    read_text(errors, node, pointer, allowed, out,
              [this](std::string_view text) { return !text.empty() && characters(text) <= longest; });
}

void DeviceText::read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
    read_text(errors, node, pointer,
              fmt::format("give a text of 1 to {} characters; a group separator is \\u001d in it", longest),
              out, [this](std::string_view text) { return !text.empty() && characters(text) <= longest; });
}

void Identifier::read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
    constexpr std::size_t longest = 64;
    read_text(errors, node, pointer,
              "give 1 to 64 letters, digits, '.', '_' or '-', beginning with a letter or digit", out,
              [](std::string_view text) {
                  return !text.empty() && text.size() <= longest && is_letter_or_digit(text.front()) &&
                         std::all_of(text.begin(), text.end(), [](char c) {
                             return is_letter_or_digit(c) || c == '.' || c == '_' || c == '-';
                         });
              });
}

void Host::read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
    constexpr std::size_t longest = 253;
    if (node.kind == NodeKind::text && is_spoilt_address(node.text)) {
        errors.add(node, pointer,
                   fmt::format("{} is no address: it has four numbers, each from 0 to 255", shown(node)),
                   "give an address such as 192.0.2.7, or a host name");
        return;
    }
    read_text(errors, node, pointer, "give a host name or an IP address", out, [](std::string_view text) {
        return !text.empty() && text.size() <= longest && std::all_of(text.begin(), text.end(), [](char c) {
            return is_letter_or_digit(c) || c == '.' || c == ':' || c == '-';
        });
    });
}

void IpAddress::read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
    read_text(errors, node, pointer, "give an IPv4 or IPv6 address in numbers, such as 127.0.0.1", out,
              [&node](std::string_view text) {
                  std::array<unsigned char, sizeof(in6_addr)> bytes{};
                  return text.find('\0') == std::string_view::npos &&
                         (inet_pton(AF_INET, node.text.c_str(), bytes.data()) == 1 ||
                          inet_pton(AF_INET6, node.text.c_str(), bytes.data()) == 1);
              });
}

void Flag::read(Errors& errors, const Node& node, const std::string& pointer, bool& out) const {
    if (node.kind != NodeKind::flag) {
        errors.wrong_type(node, pointer, "give true or false");
        return;
    }
    out = node.flag;
}

namespace {

// Of a reference with six digits, in which the first says the table and the rest counts from 1; else empty.
std::string wire_offset_of(double number, std::string_view pointer) {
    constexpr double references = 65'536;
    const bool is_address = pointer.ends_with("address") || pointer.ends_with("/number");
    for (const double first : {100'001.0, 300'001.0, 400'001.0}) {
        const double offset = number - first;
        if (is_address && offset >= 0 && offset < references)
            return fmt::format("; addresses are zero-based wire offsets, and as a reference it would be {}",
                               offset);
    }
    return {};
}

}  // namespace

std::optional<std::int64_t> Whole::whole(Errors& errors, const Node& node, const std::string& pointer) const {
    const auto allowed = fmt::format("give a whole number from {} to {}", min, max);
    // Beyond this a double cannot tell neighbouring whole numbers apart; no key needs as much.
    constexpr double exact_to = 9007199254740992.0;
    if (node.kind != NodeKind::number) {
        errors.wrong_type(node, pointer, allowed);
        return std::nullopt;
    }
    const bool is_whole = std::trunc(node.number) == node.number;
    if (!is_whole || std::abs(node.number) > exact_to || node.number < static_cast<double>(min) ||
        node.number > static_cast<double>(max)) {
        errors.add(node, pointer,
                   fmt::format("{} is {}{}", shown(node), is_whole ? "out of range" : "not whole",
                               is_whole ? wire_offset_of(node.number, pointer) : std::string{}),
                   allowed);
        return std::nullopt;
    }
    return static_cast<std::int64_t>(node.number);
}

void Whole64::read(Errors& errors, const Node& node, const std::string& pointer, std::uint64_t& out) const {
    constexpr std::string_view allowed = "give a whole number from 0 to 18446744073709551615";
    if (node.kind != NodeKind::number) {
        errors.wrong_type(node, pointer, allowed);
        return;
    }
    std::uint64_t value = 0;
    const char* end = node.text.data() + node.text.size();
    const auto [stopped, fault] = std::from_chars(node.text.data(), end, value);
    if (fault != std::errc{} || stopped != end) {
        errors.add(node, pointer, fmt::format("{} is out of range or not whole", shown(node)),
                   std::string(allowed));
        return;
    }
    out = value;
}

void Digits::read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
    if (node.kind != NodeKind::number) {
        errors.wrong_type(node, pointer, "give a number");
        return;
    }
    out = node.text;
}

void DecimalNumber::read(Errors& errors, const Node& node, const std::string& pointer,
                         protocol::Decimal& out) const {
    constexpr std::string_view allowed = "give a number of at most 18 digits";
    if (node.kind != NodeKind::number) {
        errors.wrong_type(node, pointer, allowed);
    } else if (const auto value = protocol::decimal_from_text(node.text)) {
        out = *value;
    } else {
        errors.add(node, pointer, fmt::format("{} has too many digits", shown(node)), std::string(allowed));
    }
}

void TimeOfDay::read(Errors& errors, const Node& node, const std::string& pointer,
                     std::chrono::minutes& out) const {
    constexpr std::string_view allowed = "give a time from \"00:00\" to \"23:59\"";
    if (node.kind != NodeKind::text) {
        errors.wrong_type(node, pointer, allowed);
        return;
    }
    const std::string_view text = node.text;
    const auto hour = two_digits(text.substr(0, 2));
    const auto minute = text.size() == 5 && text[2] == ':' ? two_digits(text.substr(3)) : std::nullopt;
    if (!hour || !minute || *hour > 23 || *minute > 59) {
        errors.add(node, pointer, fmt::format("{} is no time of day", shown(node)), std::string(allowed));
        return;
    }
    out = std::chrono::hours(*hour) + std::chrono::minutes(*minute);
}

std::optional<std::size_t> word_of(Errors& errors, const Node& node, const std::string& pointer,
                                   const std::vector<std::string>& words) {
    const auto allowed = fmt::format("give one of {}", fmt::join(words, ", "));
    if (node.kind != NodeKind::text) {
        errors.wrong_type(node, pointer, allowed);
        return std::nullopt;
    }
    const auto found = std::ranges::find(words, node.text);
    if (found == words.end()) {
        errors.add(node, pointer, fmt::format("{} is not known here", shown(node)), allowed,
                   nearest_word(node.text, words));
        return std::nullopt;
    }
    return static_cast<std::size_t>(found - words.begin());
}

std::size_t length_of(Errors& errors, const Node& node, const std::string& pointer, std::size_t fewest,
                      std::size_t most) {
    const auto allowed = fmt::format("give a list of {} to {} values", fewest, most);
    if (node.kind != NodeKind::list) {
        errors.wrong_type(node, pointer, allowed);
        return 0;
    }
    if (node.items.size() < fewest || node.items.size() > most)
        errors.add(node, pointer, fmt::format("the list has {} values", node.items.size()), allowed);
    return std::min(node.items.size(), most);
}

std::string pointer_to(const std::string& list, std::size_t index) {
    return list + "/" + std::to_string(index);
}

void check_keys(Errors& errors, const Node& node, const std::string& pointer, std::vector<KeyUse>& keys) {
    std::vector<std::string> names;
    names.reserve(keys.size());
    for (const auto& key : keys) {
        names.push_back(key.name);
    }
    std::vector<std::string> misspelt;
    for (std::size_t index = 0; index < node.members.size(); ++index) {
        const Member& member = node.members[index];
        const auto here = pointer + "/" + pointer_token(member.key);
        const auto end = node.members.begin() + static_cast<std::ptrdiff_t>(index);
        const auto first = std::find_if(node.members.begin(), end,
                                        [&member](const Member& other) { return other.key == member.key; });
        if (first != end) {
            errors.add_at(member.place, here,
                          fmt::format("the key {} stands twice, first in line {}",
                                      shown(std::string_view(member.key)), first->place.line),
                          "remove one of them");
            continue;
        }
        const auto known = std::find_if(keys.begin(), keys.end(),
                                        [&member](const KeyUse& key) { return key.name == member.key; });
        if (known != keys.end()) {
            known->given = true;
        } else if (member.key != "comments") {
            const auto nearest = nearest_word(member.key, names);
            errors.add_at(
                member.place, here, fmt::format("unknown key {}", shown(std::string_view(member.key))),
                nearest.empty() ? fmt::format("known here: {}", fmt::join(names, ", ")) : "", nearest);
            misspelt.push_back(nearest);
        }
    }
    report_missing(errors, node, pointer, keys, misspelt);
}

}  // namespace tautgate::config
