#include "protocol/ticket_rule.hpp"

#include <algorithm>
#include <array>
#include <utility>

#include <fmt/format.h>

#include "protocol/text.hpp"
#include "protocol/ticket_pattern.hpp"

namespace tautgate::protocol {

namespace {

using RuleFaults = std::vector<TicketRuleFault>;

bool is_alphanumeric(char c) {
    return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}

// A part of a rule with the key that leads to it; none where the label does not state it.
template <class Place, class Label>
std::array<std::pair<TicketPart, const Place*>, ticket_parts.size()> parts_of(const Label& label) {
    return {{{TicketPart::serial, &label.serial},
             {TicketPart::order, label.order ? &*label.order : nullptr},
             {TicketPart::type, label.type ? &*label.type : nullptr}}};
}

// ---- one rule --------------------------------------------------------------------------------------------

class RuleCheck {
  public:
    RuleCheck(const TicketRule& rule, std::size_t index, RuleFaults& faults)
        : rule_(rule), index_(index), faults_(faults) {}

    void run() {
        if (rule_.kind.empty())
            add("kind", "the kind is empty", "name the kind of ticket, such as \"D\"");
        check_symbology();
        std::visit([this](const auto& content) { check_content(content); }, rule_.content);
    }

  private:
    void add(std::string key, std::string finding, std::string remedy) {
        faults_.push_back({index_, std::move(key), std::move(finding), std::move(remedy)});
    }

    void check_symbology() {
        const auto& listed = rule_.symbology_identifiers;
        for (std::size_t i = 0; i < listed.size(); ++i) {
            const std::string key = fmt::format("symbology_identifiers/{}", i);
            if (listed[i].size() != symbology_identifier_length || !has_symbology_identifier(listed[i]))
                add(key, fmt::format("{} is no symbology identifier", shown(listed[i])),
                    "give ']', a letter and a letter or digit, such as \"]d1\" of Data Matrix");
            else if (std::find(listed.begin(), listed.begin() + static_cast<std::ptrdiff_t>(i), listed[i]) !=
                     listed.begin() + static_cast<std::ptrdiff_t>(i))
                add(key, fmt::format("{} stands in the list twice", shown(listed[i])), "remove one of them");
        }
    }

    void check_content(const PatternLabel& content) {
        const TicketPattern pattern(content.pattern);
        if (const std::string error = pattern.error(); !error.empty())
            return add("pattern", error, "write a regular expression in RE2 syntax");
        for (const std::string& name : pattern.unknown_groups())
            add("pattern", fmt::format("unknown group {}", shown(name)),
                "the groups are serial, order and type");
        if (!pattern.states(TicketPart::serial))
            add("pattern", "no group is named serial", "put (?P<serial>...) around the serial number");
    }

    // -- columns

    void check_content(const FixedLabel& content) {
        const std::size_t before = rule_.symbology_identifiers.empty() ? 0 : symbology_identifier_length;
        if (content.length == 0 || content.length + before > label_limit)
            add("fixed/length",
                fmt::format("a label of {} characters is never read", content.length + before),
                fmt::format("give a length from 1 to {}", label_limit - before));
        check_constant("fixed/prefix", content.prefix, content.length);
        check_constant("fixed/suffix", content.suffix, content.length);
        check_prefix_against_suffix(content);
        const auto parts = parts_of<Columns>(content);
        for (std::size_t late = 0; late < parts.size(); ++late) {
            const auto& [part, columns] = parts[late];
            if (columns == nullptr || !check_columns(part, *columns, content.length))
                continue;
            for (std::size_t early = 0; early < late; ++early)
                if (parts[early].second != nullptr)
                    check_apart(part, *columns, parts[early].first, *parts[early].second);
        }
        check_checked_length(content);
    }
    void check_constant(const std::string& key, const std::string& constant, std::size_t length) {
        if (!is_printable_ascii(constant))
            add(key, fmt::format("{} holds more than printable ASCII", shown(constant)),
                "give printable ASCII characters, or use a pattern");
        else if (constant.size() > length)
            add(key, fmt::format("{} has more than the {} characters of the label", shown(constant), length),
                "shorten it, or give the label its whole length");
    }
    void check_prefix_against_suffix(const FixedLabel& content) {
        const std::size_t length = content.length;
        if (content.prefix.size() > length || content.suffix.size() > length)
            return;
        const std::size_t suffix_begin = length - content.suffix.size();
        for (std::size_t i = suffix_begin; i < content.prefix.size(); ++i)
            if (content.prefix[i] != content.suffix[i - suffix_begin])
                return add("fixed/suffix",
                           fmt::format("prefix and suffix contradict each other in column {}", i + 1),
                           "correct one of them, or the length");
    }
    bool check_columns(TicketPart part, const Columns& columns, std::size_t length) {
        const std::string key = fmt::format("fixed/{}", key_of(part));
        const std::size_t last = columns.start + std::size_t{columns.length} - 1;
        if (columns.start == 0 || columns.length == 0) {
            add(key, fmt::format("{} columns from column {} on are none", columns.length, columns.start),
                "count columns from 1, and take at least one");
            return false;
        }
        if (last > length) {
            add(key,
                fmt::format("columns {} to {} go beyond the {} columns of the label", columns.start, last,
                            length),
                "correct the columns, or the length of the label");
            return false;
        }
        return true;
    }
    void check_apart(TicketPart part, const Columns& columns, TicketPart other, const Columns& taken) {
        const std::size_t last = columns.start + std::size_t{columns.length} - 1;
        const std::size_t taken_last = taken.start + std::size_t{taken.length} - 1;
        if (columns.start <= taken_last && taken.start <= last)
            add(fmt::format("fixed/{}", key_of(part)),
                fmt::format("columns {} to {} overlap columns {} to {} of {}", columns.start, last,
                            taken.start, taken_last, key_of(other)),
                "give each its own columns");
    }
    void check_checked_length(const FixedLabel& content) {
        if (!rule_.check)
            return;
        const bool of_serial = rule_.check->over == CheckScope::serial;
        const std::size_t length = of_serial ? content.serial.length : content.length;
        const auto [shortest, longest] = length_of(rule_.check->system);
        if (length < shortest || (longest && !of_serial && length > *longest))
            add("check/system",
                fmt::format("{} characters are checked, but {} needs {}{}", length,
                            name_of(rule_.check->system), longest ? "" : "at least ", shortest),
                "choose another system, or correct the columns");
    }

    // -- messages

    void check_content(const EnvelopeLabel& content) {
        const auto parts = parts_of<EnvelopeField>(content);
        for (std::size_t late = 0; late < parts.size(); ++late) {
            const auto& [part, field] = parts[late];
            if (field == nullptr)
                continue;
            const std::string key = fmt::format("envelope/{}", key_of(part));
            if (auto fault = identifier_fault(field->identifier, content.format))
                add(key + "/identifier", std::move(*fault), identifier_remedy(content.format));
            if (!is_printable_ascii(field->prefix))
                add(key + "/prefix", fmt::format("{} holds more than printable ASCII", shown(field->prefix)),
                    "give printable ASCII characters");
            for (std::size_t early = 0; early < late; ++early)
                if (parts[early].second != nullptr && parts[early].second->identifier == field->identifier)
                    add(key + "/identifier",
                        fmt::format("{} is the identifier of {} already", shown(field->identifier),
                                    key_of(parts[early].first)),
                        "give each its own field");
        }
        check_serial_category(content);
        if (content.format == EnvelopeFormat::element_strings)
            check_element_strings(content.substitutes);
        check_substitutes(content.substitutes);
        if (rule_.check && rule_.check->over == CheckScope::label)
            add("check/over", "a message has no check characters of its own",
                "check the serial number instead");
    }
    static std::string identifier_remedy(EnvelopeFormat format) {
        switch (format) {
        case EnvelopeFormat::data_identifiers:
            return "give up to three digits and a capital letter, such as \"S\" or \"1T\" (ANSI MH10.8.2)";
        case EnvelopeFormat::application_identifiers:
        case EnvelopeFormat::element_strings:
            return "give two to four digits, such as \"21\" (GS1 General Specifications)";
        }
        return {};
    }
    void check_element_strings(const Substitutes& substitutes) {
        if (rule_.symbology_identifiers.empty())
            add("envelope/format", "without an envelope, a label of GS1 begins like many another",
                "list the symbology identifiers that the scanner puts before it, such as \"]d2\"");
        if (!substitutes.rs.empty() || !substitutes.eot.empty())
            add("envelope/substitutes", "without an envelope there is neither RS nor EOT",
                "leave out \"rs\" and \"eot\"");
    }
    // Categories D and Q of ANSI MH10.8.2 are dates and quantities.
    void check_serial_category(const EnvelopeLabel& content) {
        const std::string& identifier = content.serial.identifier;
        const bool is_data = content.format == EnvelopeFormat::data_identifiers;
        if (is_data && (identifier.ends_with('D') || identifier.ends_with('Q')))
            add("envelope/serial/identifier",
                fmt::format("{} names a {}, which many units have in common", shown(identifier),
                            identifier.ends_with('D') ? "date" : "quantity"),
                "give the identifier of a serial number, such as \"S\"");
    }
    void check_substitutes(const Substitutes& substitutes) {
        constexpr std::size_t longest_substitute = 8;
        const std::array<std::pair<std::string_view, const std::string*>, 3> all{
            {{"rs", &substitutes.rs}, {"gs", &substitutes.gs}, {"eot", &substitutes.eot}}};
        for (std::size_t late = 0; late < all.size(); ++late) {
            const auto& [name, text] = all[late];
            const std::string key = fmt::format("envelope/substitutes/{}", name);
            if (text->empty())
                continue;
            if (!is_printable_ascii(*text) || text->size() > longest_substitute ||
                is_alphanumeric(text->front()))
                add(key, fmt::format("{} cannot be told from the data of a label", shown(*text)),
                    fmt::format("give 1 to {} printable ASCII characters that begin with no letter or digit",
                                longest_substitute));
            for (std::size_t early = 0; early < late; ++early) {
                const std::string& other = *all[early].second;
                if (!other.empty() &&
                    (text->find(other) != std::string::npos || other.find(*text) != std::string::npos))
                    add(key,
                        fmt::format("{} cannot be told from {}, which stands for {}", shown(*text),
                                    shown(other), all[early].first),
                        "give substitutes of which none is part of another");
            }
        }
    }

    const TicketRule& rule_;
    std::size_t index_;
    RuleFaults& faults_;
};

// ---- two rules -------------------------------------------------------------------------------------------

// What all labels of a rule have in common.
struct Outline {
    std::string head;
    std::string tail;
    std::size_t shortest = 0;
    std::optional<std::size_t> length;  // where all have the same
};

void outline_content(const PatternLabel& /*content*/, const std::string& /*before*/,
                     std::vector<Outline>& /*out*/) {}
void outline_content(const FixedLabel& content, const std::string& before, std::vector<Outline>& out) {
    const std::size_t length = before.size() + content.length;
    out.push_back({before + content.prefix, content.suffix, length, length});
}
// Without a substitute for each, an envelope holds control characters and resembles no label in columns.
void outline_content(const EnvelopeLabel& content, const std::string& before, std::vector<Outline>& out) {
    const auto& [rs, gs, eot] = content.substitutes;
    const bool has_envelope = content.format != EnvelopeFormat::element_strings;
    if (has_envelope && (rs.empty() || gs.empty() || eot.empty()))
        return;
    Outline outline{before, "", 0, std::nullopt};
    if (has_envelope) {
        outline.head += fmt::format("{}{}{}{}", message_header, rs, indicator_of(content.format), gs);
        outline.tail = rs + eot;
    }
    outline.shortest = outline.head.size() + content.serial.identifier.size() + 1 + outline.tail.size();
    out.push_back(std::move(outline));
}

// One for each symbology identifier with which the labels may begin; none for a pattern.
std::vector<Outline> outlines_of(const TicketRule& rule) {
    std::vector<Outline> out;
    const auto add = [&](const std::string& before) {
        std::visit([&](const auto& content) { outline_content(content, before, out); }, rule.content);
    };
    if (rule.symbology_identifiers.empty())
        add("");
    for (const std::string& identifier : rule.symbology_identifiers)
        add(identifier);
    return out;
}

// Whether a label of `length` characters is possible with both outlines.
bool share_a_label(const Outline& one, const Outline& other, std::size_t length) {
    std::string label(length, '\0');
    for (const Outline* outline : {&one, &other}) {
        if (outline->length.value_or(length) != length || outline->shortest > length ||
            outline->head.size() > length || outline->tail.size() > length)
            return false;
        const auto put = [&](std::size_t begin, const std::string& constant) {
            for (std::size_t i = 0; i < constant.size(); ++i) {
                char& place = label[begin + i];
                if (place != '\0' && place != constant[i])
                    return false;
                place = constant[i];
            }
            return true;
        };
        if (!put(0, outline->head) || !put(length - outline->tail.size(), outline->tail))
            return false;
    }
    return true;
}

bool contradict(const std::string& prefix, const std::string& other) {
    return !prefix.starts_with(other) && !other.starts_with(prefix);
}

// A field that both want and that cannot begin as both want it.
bool are_told_apart(const EnvelopeLabel& one, const EnvelopeLabel& other) {
    if (one.format != other.format)
        return true;
    for (const auto& [part, field] : parts_of<EnvelopeField>(one))
        for (const auto& [other_part, other_field] : parts_of<EnvelopeField>(other))
            if (field != nullptr && other_field != nullptr && field->identifier == other_field->identifier &&
                contradict(field->prefix, other_field->prefix))
                return true;
    return false;
}

bool share_symbology(const TicketRule& one, const TicketRule& other) {
    const auto& listed = one.symbology_identifiers;
    const auto& others = other.symbology_identifiers;
    return (listed.empty() && others.empty()) || std::ranges::find_first_of(listed, others) != listed.end();
}

// Both rules read the same from every label that fits both.
bool read_the_same(const TicketRule& one, const TicketRule& other) {
    if (one.kind != other.kind || one.content.index() != other.content.index())
        return false;
    if (const auto* const fixed = std::get_if<FixedLabel>(&one.content)) {
        const auto& columns = std::get<FixedLabel>(other.content);
        return one.symbology_identifiers == other.symbology_identifiers && fixed->serial == columns.serial &&
               fixed->order == columns.order && fixed->type == columns.type;
    }
    const auto identifier = [](const std::optional<EnvelopeField>& field) {
        return field ? field->identifier : std::string();
    };
    const auto* const envelope = std::get_if<EnvelopeLabel>(&one.content);
    if (envelope == nullptr)
        return false;
    const auto& fields = std::get<EnvelopeLabel>(other.content);
    return envelope->serial.identifier == fields.serial.identifier &&
           identifier(envelope->order) == identifier(fields.order) &&
           identifier(envelope->type) == identifier(fields.type);
}

bool can_both_fit(const TicketRule& one, const TicketRule& other) {
    const auto* const envelope = std::get_if<EnvelopeLabel>(&one.content);
    const auto* const other_envelope = std::get_if<EnvelopeLabel>(&other.content);
    if (envelope != nullptr && other_envelope != nullptr)
        return share_symbology(one, other) && !are_told_apart(*envelope, *other_envelope);
    for (const Outline& outline : outlines_of(one))
        for (const Outline& other_outline : outlines_of(other)) {
            const auto length = outline.length ? outline.length : other_outline.length;
            if (length && share_a_label(outline, other_outline, *length))
                return true;
        }
    return false;
}

void check_pairs(const std::vector<TicketRule>& rules, RuleFaults& faults) {
    for (std::size_t late = 0; late < rules.size(); ++late)
        for (std::size_t early = 0; early < late; ++early)
            if (can_both_fit(rules[early], rules[late]) && !read_the_same(rules[early], rules[late]))
                faults.push_back(
                    {late, "",
                     fmt::format("one label can fit both this rule and the rule of kind {} at place {}",
                                 shown(rules[early].kind), early),
                     "tell them apart by a prefix, a suffix, the length or the symbology identifier"});
}

}  // namespace

bool states(const TicketRule& rule, TicketPart part) {
    if (const auto* const content = std::get_if<PatternLabel>(&rule.content)) {
        const TicketPattern pattern(content->pattern);
        return !pattern.error().empty() || pattern.states(part);
    }
    if (part == TicketPart::serial)
        return true;
    const auto given = [part](const auto& label) {
        return part == TicketPart::order ? label.order.has_value() : label.type.has_value();
    };
    const auto* const fixed = std::get_if<FixedLabel>(&rule.content);
    return fixed != nullptr ? given(*fixed) : given(std::get<EnvelopeLabel>(rule.content));
}

bool has_symbology_identifier(std::string_view text) noexcept {
    return text.size() >= symbology_identifier_length && text[0] == ']' && is_alphanumeric(text[1]) &&
           (text[1] < '0' || text[1] > '9') && is_alphanumeric(text[2]);
}

std::vector<TicketRuleFault> check(const std::vector<TicketRule>& rules) {
    RuleFaults faults;
    for (std::size_t i = 0; i < rules.size(); ++i)
        RuleCheck(rules[i], i, faults).run();
    // Columns that make no sense would show again as labels in common.
    if (faults.empty())
        check_pairs(rules, faults);
    return faults;
}

}  // namespace tautgate::protocol
