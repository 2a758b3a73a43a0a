#include "protocol/envelope.hpp"

#include <algorithm>
#include <array>
#include <iterator>
#include <utility>

#include <fmt/format.h>

#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr char message_eot = '\x04';
constexpr char message_gs = '\x1d';
constexpr char message_rs = '\x1e';

using Fields = std::vector<MessageField>;
template <class Value>
using OrFault = std::expected<Value, MessageFault>;

std::unexpected<MessageFault> scan_again(std::string what) {
    return std::unexpected(
        MessageFault{std::move(what), "scan again; if it stays, have the ticket printed again"});
}
std::unexpected<MessageFault> set_scanner(std::string what) {
    return std::unexpected(
        MessageFault{std::move(what), "set the scanner to send control characters, or list what it sends for "
                                      "them as substitutes"});
}

bool is_ascii_digit(char c) { return c >= '0' && c <= '9'; }
bool is_capital(char c) { return c >= 'A' && c <= 'Z'; }

std::vector<std::string_view> split_at(std::string_view text, char separator) {
    std::vector<std::string_view> parts;
    while (true) {
        const std::size_t end = text.find(separator);
        parts.push_back(text.substr(0, end));
        if (end == std::string_view::npos)
            return parts;
        text.remove_prefix(end + 1);
    }
}

// ---- data identifiers (ANSI MH10.8.2) --------------------------------------------------------------------

// Characters of the data identifier with which the text begins; 0: none.
std::size_t data_identifier_length(std::string_view text) {
    constexpr std::size_t most_digits = 3;
    std::size_t digits = 0;
    while (digits < text.size() && is_ascii_digit(text[digits]))
        ++digits;
    return digits <= most_digits && digits < text.size() && is_capital(text[digits]) ? digits + 1 : 0;
}

OrFault<Fields> data_identified(std::string_view field) {
    const std::size_t length = data_identifier_length(field);
    if (length == 0)
        return scan_again(fmt::format("its field {} begins with no data identifier", shown(field)));
    if (length == field.size())
        return scan_again(fmt::format("its field {} holds no data", field));
    return Fields{{std::string(field.substr(0, length)), std::string(field.substr(length))}};
}

// ---- application identifiers (GS1 General Specifications, section 3) -------------------------------------

// All application identifiers that begin with the same two digits. Those whose data has a predefined length
// need no separator behind them.
struct IdentifierGroup {
    std::uint8_t first = 0;  // the two digits, of the first and the last group of a row
    std::uint8_t last = 0;
    std::uint8_t digits = 0;      // of the identifier
    std::uint8_t predefined = 0;  // digits of the data; 0: up to the separator
};
constexpr std::array<IdentifierGroup, 20> identifier_groups{{
    {0, 0, 2, 18},  {1, 3, 2, 14},  {10, 10, 2, 0}, {11, 13, 2, 6},  {15, 17, 2, 6},
    {20, 20, 2, 2}, {21, 22, 2, 0}, {23, 25, 3, 0}, {30, 30, 2, 0},  {31, 36, 4, 6},
    {37, 37, 2, 0}, {39, 39, 4, 0}, {40, 40, 3, 0}, {41, 41, 3, 13}, {42, 42, 3, 0},
    {43, 43, 4, 0}, {70, 70, 4, 0}, {71, 71, 3, 0}, {72, 72, 4, 0},  {80, 82, 4, 0},
}};
constexpr IdentifierGroup internal_identifiers{90, 99, 2, 0};

const IdentifierGroup* group_of(std::string_view text) {
    if (text.size() < 2 || !is_ascii_digit(text[0]) || !is_ascii_digit(text[1]))
        return nullptr;
    const int leading = (text[0] - '0') * 10 + (text[1] - '0');
    const auto holds = [leading](const IdentifierGroup& group) {
        return group.first <= leading && leading <= group.last;
    };
    if (holds(internal_identifiers))
        return &internal_identifiers;
    const auto* const found = std::ranges::find_if(identifier_groups, holds);
    const bool is_known = found != identifier_groups.end() && text.size() >= found->digits &&
                          std::ranges::all_of(text.substr(0, found->digits), is_ascii_digit);
    return is_known ? found : nullptr;
}

// What stands between two separators: elements of predefined length may stand before another without one.
OrFault<Fields> application_identified(std::string_view field) {
    Fields fields;
    while (!field.empty()) {
        const IdentifierGroup* const group = group_of(field);
        if (group == nullptr)
            return scan_again(
                fmt::format("its field {} begins with no application identifier", shown(field)));
        const std::string_view identifier = field.substr(0, group->digits);
        field.remove_prefix(identifier.size());
        const std::string_view data = group->predefined == 0 ? field : field.substr(0, group->predefined);
        if (data.empty())
            return scan_again(fmt::format("its field {} holds no data", identifier));
        if (group->predefined != 0 &&
            (data.size() < group->predefined || !std::ranges::all_of(data, is_ascii_digit)))
            return scan_again(fmt::format("its field {} has {} where {} digits belong", identifier,
                                          shown(data), group->predefined));
        fields.push_back({std::string(identifier), std::string(data)});
        field.remove_prefix(data.size());
    }
    return fields;
}

// ---- envelopes -------------------------------------------------------------------------------------------

// The format envelopes of a message, each without its RS.
OrFault<std::vector<std::string_view>> format_envelopes(std::string_view text) {
    text.remove_prefix(message_header.size());
    const auto holds = [&](char c) { return text.find(c) != std::string_view::npos; };
    if (!holds(message_rs) && !holds(message_gs) && !holds(message_eot))
        return set_scanner("it came without RS, GS and EOT");
    if (!text.starts_with(message_rs))
        return set_scanner("RS is missing after its header \"[)>\"");
    if (!text.ends_with(message_eot))
        return scan_again("EOT is missing at its end, as in a message that is cut off");
    text = text.substr(1, text.size() - 2);
    if (holds(message_eot))
        return scan_again("EOT stands within it");
    if (!text.ends_with(message_rs))
        return scan_again("RS is missing before the EOT at its end");
    return split_at(text.substr(0, text.size() - 1), message_rs);
}

OrFault<Fields> read_fields(std::string_view text, EnvelopeFormat format) {
    Fields fields;
    for (const std::string_view field : split_at(text, message_gs)) {
        if (field.empty())
            return scan_again("a field of it is empty");
        if (has_unseen(field))
            return scan_again(fmt::format("its field {} holds a control character", shown(field)));
        auto found = format == EnvelopeFormat::data_identifiers ? data_identified(field)
                                                                : application_identified(field);
        if (!found)
            return found;
        std::ranges::move(*found, std::back_inserter(fields));
    }
    return fields;
}

OrFault<Fields> read_envelope(std::string_view envelope, EnvelopeFormat format) {
    const std::string_view indicator = indicator_of(format);
    if (!envelope.starts_with(indicator))
        return std::unexpected(MessageFault{
            fmt::format("it holds format {} where {} is expected", shown(envelope.substr(0, 2)), indicator),
            "scan the build ticket, not another label"});
    envelope.remove_prefix(indicator.size());
    if (!envelope.starts_with(message_gs))
        return set_scanner(fmt::format("GS is missing after its format indicator {}", indicator));
    return read_fields(envelope.substr(1), format);
}

}  // namespace

std::string_view indicator_of(EnvelopeFormat format) {
    switch (format) {
    case EnvelopeFormat::application_identifiers: return "05";
    case EnvelopeFormat::data_identifiers: return "06";
    case EnvelopeFormat::element_strings: return "";
    }
    return "?";
}

std::string with_control_characters(std::string_view text, const Substitutes& substitutes) {
    struct Pair {
        std::string_view substitute;
        char control;
    };
    std::vector<Pair> pairs;
    for (const Pair& pair : {Pair{substitutes.rs, message_rs}, Pair{substitutes.gs, message_gs},
                             Pair{substitutes.eot, message_eot}})
        if (!pair.substitute.empty() && text.find(pair.control) == std::string_view::npos)
            pairs.push_back(pair);
    std::string out;
    if (text.starts_with(message_header)) {
        out = message_header;
        text.remove_prefix(message_header.size());
    }
    while (!text.empty()) {
        const auto here =
            std::ranges::find_if(pairs, [&](const Pair& pair) { return text.starts_with(pair.substitute); });
        out += here == pairs.end() ? text.front() : here->control;
        text.remove_prefix(here == pairs.end() ? 1 : here->substitute.size());
    }
    return out;
}

std::expected<std::vector<MessageField>, MessageFault> read_message(std::string_view text,
                                                                    EnvelopeFormat format) {
    if (format == EnvelopeFormat::element_strings)
        return read_fields(text, format);
    if (!text.starts_with(message_header))
        return std::unexpected(MessageFault{"it does not begin with the header \"[)>\"",
                                            "scan the build ticket, not another label"});
    const auto envelopes = format_envelopes(text);
    if (!envelopes)
        return std::unexpected(envelopes.error());
    Fields fields;
    for (const std::string_view envelope : *envelopes) {
        auto found = read_envelope(envelope, format);
        if (!found)
            return found;
        std::ranges::move(*found, std::back_inserter(fields));
    }
    return fields;
}

std::optional<std::string> identifier_fault(std::string_view identifier, EnvelopeFormat format) {
    switch (format) {
    case EnvelopeFormat::data_identifiers:
        if (!identifier.empty() && data_identifier_length(identifier) == identifier.size())
            return std::nullopt;
        return fmt::format("{} is no data identifier of format 06", shown(identifier));
    case EnvelopeFormat::application_identifiers:
    case EnvelopeFormat::element_strings: {
        const IdentifierGroup* const group = group_of(identifier);
        if (group != nullptr && group->digits == identifier.size())
            return std::nullopt;
        return fmt::format("{} is no application identifier of GS1", shown(identifier));
    }
    }
    return std::nullopt;
}

}  // namespace tautgate::protocol
