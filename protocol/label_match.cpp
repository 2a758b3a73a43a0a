#include "protocol/label_match.hpp"

#include <algorithm>
#include <utility>
#include <vector>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::string_view print_again = "have the ticket printed again";
constexpr std::string_view scan_once_more = "scan again; if it stays, have the ticket printed again";
constexpr std::string_view another_label = "scan the build ticket, not another label";

Near near(std::string what, std::string_view remedy) { return {{std::move(what), std::string(remedy)}}; }

// ---- patterns --------------------------------------------------------------------------------------------

// A label of which the pattern fits more than half has most likely something stuck to it.
std::optional<Near> stuck_to(const TicketPattern& pattern, std::string_view label) {
    const auto found = pattern.find_within(label);
    if (!found || 2 * found->size() <= label.size())
        return std::nullopt;
    const auto begin = static_cast<std::size_t>(found->data() - label.data());
    const std::string_view before = label.substr(0, begin);
    const std::string_view behind = label.substr(begin + found->size());
    if (behind.empty())
        return near(fmt::format("{} stands before it", shown(before)), scan_once_more);
    if (before.empty())
        return near(fmt::format("{} stands behind it", shown(behind)), scan_once_more);
    return std::nullopt;
}

std::string_view words_of(TicketPart part) {
    switch (part) {
    case TicketPart::serial: return "serial number";
    case TicketPart::order: return "order";
    case TicketPart::type: return "type";
    }
    return "?";
}

// Where it leaves the pattern.
Fit near_pattern(const TicketPattern& pattern, std::string_view label) {
    if (auto stuck = stuck_to(pattern, label))
        return std::move(*stuck);
    const auto begins = pattern.beginning_of(label);
    if (!begins)
        return Far{};
    const auto fits = shown(label.substr(0, begins->length));
    const auto rest = label.substr(begins->length);
    const bool is_plain = begins->piece.find_first_of("\\[](){}.*+?^$") == std::string::npos;
    const auto wanted = begins->part
                            ? fmt::format("the {}", words_of(*begins->part))
                            : fmt::format("{}{}", is_plain ? "" : "what fits ", shown(begins->piece));
    return near(rest.empty()
                    ? fmt::format("it ends after {}, where {} is expected", fits, wanted)
                    : fmt::format("after {} comes {}, where {} is expected", fits, shown(rest), wanted),
                scan_once_more);
}

using MatchedLabel = std::variant<LabelParts, Near, Far>;

// ---- columns ---------------------------------------------------------------------------------------------

std::string in_columns(std::string_view label, const std::optional<Columns>& columns) {
    if (!columns)
        return {};
    std::string_view part = label.substr(columns->start - std::size_t{1}, columns->length);
    const std::size_t begin = std::min(part.find_first_not_of(' '), part.size());
    part.remove_prefix(begin);
    return std::string(part.substr(0, part.find_last_not_of(' ') + 1));
}

MatchedLabel match_fixed(const FixedLabel& rule, std::string_view label) {
    std::vector<Near> wrong;
    if (label.size() != rule.length)
        wrong.push_back(
            near(fmt::format("it has {} characters, not {}", label.size(), rule.length), scan_once_more));
    if (!label.starts_with(rule.prefix))
        wrong.push_back(near(fmt::format("it begins with {}, not {}",
                                         shown(label.substr(0, rule.prefix.size())), shown(rule.prefix)),
                             another_label));
    if (!label.ends_with(rule.suffix)) {
        const std::size_t end = label.size() - std::min(label.size(), rule.suffix.size());
        wrong.push_back(
            near(fmt::format("it ends with {}, not {}", shown(label.substr(end)), shown(rule.suffix)),
                 scan_once_more));
    }
    if (wrong.empty())
        return LabelParts{in_columns(label, rule.serial), in_columns(label, rule.order),
                          in_columns(label, rule.type)};
    // The length alone is no sign of kinship.
    const bool has_mark = (!rule.prefix.empty() && label.starts_with(rule.prefix)) ||
                          (!rule.suffix.empty() && label.ends_with(rule.suffix));
    if (wrong.size() == 1 && has_mark)
        return std::move(wrong.front());
    return Far{};
}

// ---- messages --------------------------------------------------------------------------------------------

std::expected<std::string, Near> in_fields(const std::vector<MessageField>& fields,
                                           const EnvelopeField& wanted, TicketPart part) {
    const MessageField* found = nullptr;
    for (const MessageField& field : fields) {
        if (field.identifier != wanted.identifier)
            continue;
        if (found != nullptr && found->data != field.data)
            return std::unexpected(near(fmt::format("its field {} stands there twice, with {} and with {}",
                                                    field.identifier, shown(found->data), shown(field.data)),
                                        print_again));
        found = &field;
    }
    if (found == nullptr)
        return std::unexpected(near(
            fmt::format("it has no field {} for the {}", wanted.identifier, words_of(part)), another_label));
    if (!found->data.starts_with(wanted.prefix))
        return std::unexpected(
            near(fmt::format("the data of its field {} begins with {}, not {}", wanted.identifier,
                             shown(found->data.substr(0, wanted.prefix.size())), shown(wanted.prefix)),
                 another_label));
    return found->data;
}

MatchedLabel match_envelope(const EnvelopeLabel& rule, std::string_view label) {
    if (rule.format != EnvelopeFormat::element_strings && !label.starts_with(message_header))
        return Far{};
    const auto fields = read_message(with_control_characters(label, rule.substitutes), rule.format);
    if (!fields)
        return near(fields.error().what, fields.error().remedy);
    LabelParts parts;
    const auto take = [&](const EnvelopeField& wanted, TicketPart part,
                          std::string& out) -> std::optional<Near> {
        auto data = in_fields(*fields, wanted, part);
        if (!data)
            return data.error();
        out = *std::move(data);
        return std::nullopt;
    };
    if (auto wrong = take(rule.serial, TicketPart::serial, parts.serial))
        return std::move(*wrong);
    if (rule.order)
        if (auto wrong = take(*rule.order, TicketPart::order, parts.order))
            return std::move(*wrong);
    if (rule.type)
        if (auto wrong = take(*rule.type, TicketPart::type, parts.type))
            return std::move(*wrong);
    return parts;
}

}  // namespace

LabelMatch::LabelMatch(TicketRule rule) : rule_(std::move(rule)) {
    if (const auto* const content = std::get_if<PatternLabel>(&rule_.content))
        pattern_.emplace(content->pattern);
}

Fit LabelMatch::match(std::string_view text) const {
    const auto& listed = rule_.symbology_identifiers;
    const auto would_fit = [&](std::string_view label) {
        const Fit fit = match_content(label);
        return std::holds_alternative<Fits>(fit) || std::holds_alternative<Spoilt>(fit);
    };
    const std::string_view first = text.substr(0, symbology_identifier_length);
    const std::string_view rest = has_symbology_identifier(text) ? text.substr(first.size()) : text;
    if (listed.empty()) {
        Fit fit = match_content(text);
        const bool is_wrong = std::holds_alternative<Near>(fit) || std::holds_alternative<Far>(fit);
        if (is_wrong && rest.size() < text.size() && would_fit(rest))
            return near(fmt::format("the symbology identifier {} stands before it", shown(first)),
                        "set the scanner not to send it, or list it in the rule of the label");
        return fit;
    }
    if (std::ranges::find(listed, first) != listed.end())
        return match_content(rest);
    if (!would_fit(rest))
        return Far{};
    const std::string read = rest.size() < text.size() ? fmt::format("begins with {}", shown(first))
                                                       : "has no symbology identifier";
    return near(fmt::format("it {} where {} is expected", read, fmt::join(listed, " or ")),
                "set the scanner to send it, or scan the symbol that the ticket is to carry");
}

Fit LabelMatch::match_content(std::string_view label) const {
    const auto* const envelope = std::get_if<EnvelopeLabel>(&rule_.content);
    if (envelope == nullptr && has_unseen(label))
        return Far{};
    MatchedLabel found = Far{};
    if (envelope != nullptr) {
        found = match_envelope(*envelope, label);
    } else if (const auto* const fixed = std::get_if<FixedLabel>(&rule_.content)) {
        if (is_printable_ascii(label))
            found = match_fixed(*fixed, label);
    } else if (auto parts = pattern_->match(label)) {
        found = *std::move(parts);
    } else {
        return near_pattern(*pattern_, label);
    }
    if (auto* const parts = std::get_if<LabelParts>(&found))
        return believed(std::move(*parts), label);
    if (auto* const wrong = std::get_if<Near>(&found))
        return std::move(*wrong);
    return Far{};
}

Fit LabelMatch::believed(LabelParts parts, std::string_view label) const {
    if (parts.serial.empty())
        return Spoilt{{"its serial number is empty", std::string(print_again)}};
    if (!rule_.check)
        return Fits{std::move(parts)};
    const bool of_serial = rule_.check->over == CheckScope::serial;
    const std::string_view checked = of_serial ? std::string_view(parts.serial) : label;
    if (auto fault = check_fault(rule_.check->system, checked)) {
        const std::string subject = of_serial ? "its serial number " + shown(checked) : "the whole of it";
        return Spoilt{{subject + " " + *fault, std::string(scan_once_more)}};
    }
    return Fits{std::move(parts)};
}

}  // namespace tautgate::protocol
