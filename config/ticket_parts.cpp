#include <utility>

#include <fmt/format.h>

#include "config/parts.hpp"
#include "protocol/ticket_rule.hpp"

namespace tautgate::config {

namespace {

using namespace protocol;

constexpr std::int64_t most_columns = label_limit;
constexpr std::size_t longest_constant = 64;

Shape<Columns> columns_shape() {
    return Shape<Columns>()
        .required("start", &Columns::start, Whole(1, most_columns))
        .required("length", &Columns::length, Whole(1, most_columns));
}

Shape<FixedLabel> fixed_shape() {
    return Shape<FixedLabel>()
        .required("length", &FixedLabel::length, Whole(1, most_columns))
        .optional("prefix", &FixedLabel::prefix, Text(longest_constant))
        .optional("suffix", &FixedLabel::suffix, Text(longest_constant))
        .required("serial", &FixedLabel::serial, columns_shape())
        .optional("order", &FixedLabel::order, columns_shape())
        .optional("type", &FixedLabel::type, columns_shape());
}

Shape<EnvelopeField> envelope_field_shape() {
    constexpr std::size_t longest_identifier = 4;
    return Shape<EnvelopeField>()
        .required("identifier", &EnvelopeField::identifier, Text(longest_identifier))
        .optional("prefix", &EnvelopeField::prefix, Text(longest_constant));
}

Shape<Substitutes> substitutes_shape() {
    constexpr std::size_t longest_substitute = 8;
    return Shape<Substitutes>()
        .optional("rs", &Substitutes::rs, Text(longest_substitute))
        .optional("gs", &Substitutes::gs, Text(longest_substitute))
        .optional("eot", &Substitutes::eot, Text(longest_substitute));
}

Shape<EnvelopeLabel> envelope_shape() {
    return Shape<EnvelopeLabel>()
        .required("format", &EnvelopeLabel::format,
                  OneOf<EnvelopeFormat>({{"05", EnvelopeFormat::application_identifiers},
                                         {"06", EnvelopeFormat::data_identifiers},
                                         {"gs1", EnvelopeFormat::element_strings}}))
        .required("serial", &EnvelopeLabel::serial, envelope_field_shape())
        .optional("order", &EnvelopeLabel::order, envelope_field_shape())
        .optional("type", &EnvelopeLabel::type, envelope_field_shape())
        .optional("substitutes", &EnvelopeLabel::substitutes, substitutes_shape());
}

Shape<LabelCheck> check_shape() {
    return Shape<LabelCheck>()
        .required("system", &LabelCheck::system,
                  OneOf<CheckSystem>({{"mod_11_2", CheckSystem::mod_11_2},
                                      {"mod_37_2", CheckSystem::mod_37_2},
                                      {"mod_97_10", CheckSystem::mod_97_10},
                                      {"mod_661_26", CheckSystem::mod_661_26},
                                      {"mod_1271_36", CheckSystem::mod_1271_36},
                                      {"mod_11_10", CheckSystem::mod_11_10},
                                      {"mod_27_26", CheckSystem::mod_27_26},
                                      {"mod_37_36", CheckSystem::mod_37_36},
                                      {"gs1_mod_10", CheckSystem::gs1_mod_10},
                                      {"vin", CheckSystem::vin}}))
        .optional("over", &LabelCheck::over,
                  OneOf<CheckScope>({{"serial", CheckScope::serial}, {"label", CheckScope::label}}));
}

// A rule as the file has it: the kind of its content is told by its key.
struct RawTicket {
    std::string kind;
    std::optional<std::string> pattern;
    std::optional<FixedLabel> fixed;
    std::optional<EnvelopeLabel> envelope;
    std::vector<std::string> symbology_identifiers;
    std::optional<LabelCheck> check;
    std::vector<std::string> examples;
};

Shape<RawTicket> raw_ticket_shape() {
    constexpr std::size_t longest_pattern = 1000;
    constexpr std::size_t most_symbologies = 16;
    constexpr std::size_t most_examples = 16;
    return Shape<RawTicket>()
        .required("kind", &RawTicket::kind, Identifier{})
        .optional("pattern", &RawTicket::pattern, Text(longest_pattern))
        .optional("fixed", &RawTicket::fixed, fixed_shape())
        .optional("envelope", &RawTicket::envelope, envelope_shape())
        .optional("symbology_identifiers", &RawTicket::symbology_identifiers,
                  ListOf(Text(symbology_identifier_length), 0, most_symbologies))
        .optional("check", &RawTicket::check, check_shape())
        .optional("examples", &RawTicket::examples, ListOf(DeviceText(label_limit), 0, most_examples));
}

}  // namespace

void TicketRuleObject::read(Errors& errors, const Node& node, const std::string& pointer,
                            protocol::TicketRule& out) const {
    const auto before = errors.count();
    RawTicket raw;
    static const auto shape = raw_ticket_shape();
    shape.read(errors, node, pointer, raw);
    if (errors.count() != before)
        return;
    const int given =
        int{raw.pattern.has_value()} + int{raw.fixed.has_value()} + int{raw.envelope.has_value()};
    if (given != 1) {
        errors.add(node, pointer,
                   fmt::format("the ticket has {} of the keys pattern, fixed and envelope", given),
                   "give exactly one of them");
        return;
    }
    out.kind = std::move(raw.kind);
    if (raw.pattern)
        out.content = PatternLabel{*std::move(raw.pattern)};
    else if (raw.fixed)
        out.content = *std::move(raw.fixed);
    else
        out.content = *std::move(raw.envelope);
    out.symbology_identifiers = std::move(raw.symbology_identifiers);
    out.check = raw.check;
    out.examples = std::move(raw.examples);
}

void TicketRuleObject::list(const std::string& path, std::vector<KnownKey>& keys) const {
    raw_ticket_shape().list(path, keys);
}

}  // namespace tautgate::config
