// How the labels of one kind of build ticket are made, as the station's description says it, and what in such
// rules cannot work. Three ways of saying it: a pattern, columns, or the fields of a message of ISO/IEC
// 15434. Plain values; the checks are pure; any thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/check_character.hpp"
#include "protocol/describe.hpp"
#include "protocol/envelope.hpp"

namespace tautgate::protocol {

// Most bytes of a label.
inline constexpr std::size_t label_limit = 256;

// What a label states. The serial number is never missing.
enum class TicketPart : std::uint8_t { serial, order, type };
TAUTGATE_ENUM(TicketPart, serial, order, type);

// RE2 syntax; must fit the whole label. Named groups: `serial` (needed), `order`, `type`.
struct PatternLabel {
    std::string pattern;
    bool operator==(const PatternLabel&) const = default;
};
TAUTGATE_FIELDS(PatternLabel, pattern);

// Characters of a label, counted from 1. Blanks at both ends of what stands there are padding.
struct Columns {
    std::uint16_t start = 1;
    std::uint16_t length = 1;
    bool operator==(const Columns&) const = default;
};
TAUTGATE_FIELDS(Columns, start, length);

// A label of printable ASCII that has the same columns every time.
struct FixedLabel {
    std::uint16_t length = 1;  // of the whole label
    std::string prefix;  // with which every label begins; may reach into a part, and is then read with it
    std::string suffix;  // likewise, at its end
    Columns serial;
    std::optional<Columns> order;
    std::optional<Columns> type;
    bool operator==(const FixedLabel&) const = default;
};
TAUTGATE_FIELDS(FixedLabel, length, prefix, suffix, serial, order, type);

struct EnvelopeField {
    std::string identifier;  // "S", "1T"; "21" in format 05
    std::string prefix;      // with which the data begins every time, and is read with it
    bool operator==(const EnvelopeField&) const = default;
};
TAUTGATE_FIELDS(EnvelopeField, identifier, prefix);

// A message of ISO/IEC 15434 whose format envelopes are all of one format, or elements of GS1 without an
// envelope. It may hold other fields as well.
struct EnvelopeLabel {
    EnvelopeFormat format = EnvelopeFormat::data_identifiers;
    EnvelopeField serial;
    std::optional<EnvelopeField> order;
    std::optional<EnvelopeField> type;
    Substitutes substitutes;
    bool operator==(const EnvelopeLabel&) const = default;
};
TAUTGATE_FIELDS(EnvelopeLabel, format, serial, order, type, substitutes);

using LabelContent = std::variant<PatternLabel, FixedLabel, EnvelopeLabel>;

enum class CheckScope : std::uint8_t { serial, label };
TAUTGATE_ENUM(CheckScope, serial, label);

// Check characters that stand in the serial number or at the end of the whole label.
struct LabelCheck {
    CheckSystem system = CheckSystem::mod_37_36;
    CheckScope over = CheckScope::serial;
    bool operator==(const LabelCheck&) const = default;
};
TAUTGATE_FIELDS(LabelCheck, system, over);

struct TicketRule {
    std::string kind;  // "D"
    LabelContent content;
    // Symbology identifiers (ISO/IEC 15424: "]d2") that the scanner puts before the label. Where some are
    // listed, one of them must be there, and it does not count as part of the label.
    std::vector<std::string> symbology_identifiers{};
    std::optional<LabelCheck> check{};
    // Labels of the kind, as the scanner sends them; that they are read as such shows that the rule is right
    // before the first unit comes (check_examples() in ticket.hpp).
    std::vector<std::string> examples{};
    bool operator==(const TicketRule&) const = default;
};
TAUTGATE_FIELDS(TicketRule, kind, content, symbology_identifiers, check, examples);

// Whether the labels of the rule state the part; true of a pattern that is no pattern, which check() tells.
[[nodiscard]] bool states(const TicketRule& rule, TicketPart part);

// Whether the text begins like one with a symbology identifier: ']', a letter, and a letter or digit.
inline constexpr std::size_t symbology_identifier_length = 3;
[[nodiscard]] bool has_symbology_identifier(std::string_view text) noexcept;

// A mistake in a rule. `rule` is its index; `key` leads to the member ("pattern", "fixed/serial"), empty: the
// rule as a whole.
struct TicketRuleFault {
    std::size_t rule = 0;
    std::string key;
    std::string finding;
    std::string remedy;
    bool operator==(const TicketRuleFault&) const = default;
};
TAUTGATE_FIELDS(TicketRuleFault, rule, key, finding, remedy);

// All mistakes, of each rule alone and of rules that could both fit one label. Which labels two patterns have
// in common cannot be told beforehand; the reader refuses such a label when it comes.
[[nodiscard]] std::vector<TicketRuleFault> check(const std::vector<TicketRule>& rules);

}  // namespace tautgate::protocol
