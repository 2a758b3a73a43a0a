// The message of ISO/IEC 15434, as two-dimensional symbols carry it: a message envelope "[)>" RS ... EOT
// around one or more format envelopes, each a two-digit format indicator, fields with GS before each, and RS.
// Read are format 06, whose fields begin with a data identifier (ANSI MH10.8.2), and format 05, whose fields
// begin with an application identifier of GS1; ISO/IEC 15418 refers to both. Pure; any thread.
//
// In doubt there is no message: one that is cut off, holds anything else, or has a field that nothing
// identifies is refused as a whole. Scanners that type like a keyboard often cannot send the control
// characters; what they send instead is taken for them only where the caller lists it.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

inline constexpr std::string_view message_header = "[)>";

enum class EnvelopeFormat : std::uint8_t {
    application_identifiers,  // 05
    data_identifiers,         // 06
    element_strings           // no envelope: elements of GS1 from the first character to the last
};
TAUTGATE_ENUM(EnvelopeFormat, application_identifiers, data_identifiers, element_strings);

// The two digits of its format indicator; empty: there is no envelope.
[[nodiscard]] std::string_view indicator_of(EnvelopeFormat format);

// Printable characters that stand for a control character; empty: the control character itself comes.
struct Substitutes {
    std::string rs;
    std::string gs;
    std::string eot;
    bool operator==(const Substitutes&) const = default;
};
TAUTGATE_FIELDS(Substitutes, rs, gs, eot);

// The text with control characters where their substitutes stand behind the header. A substitute counts only
// in a text that does not hold the character itself.
[[nodiscard]] std::string with_control_characters(std::string_view text, const Substitutes& substitutes);

struct MessageField {
    std::string identifier;  // "S", "25S", "01"
    std::string data;        // never empty
    bool operator==(const MessageField&) const = default;
};
TAUTGATE_FIELDS(MessageField, identifier, data);

// Why a text is no message, in words that follow "except that".
struct MessageFault {
    std::string what;
    std::string remedy;
};

// The fields of a message of `format`, in the order of the message. One with several format envelopes has no
// other.
[[nodiscard]] std::expected<std::vector<MessageField>, MessageFault> read_message(std::string_view text,
                                                                                  EnvelopeFormat format);

// Why `identifier` is none of the format, as a sentence; nothing: it is one. A data identifier is known by
// its form (up to three digits and a capital letter), an application identifier by its first digits.
[[nodiscard]] std::optional<std::string> identifier_fault(std::string_view identifier, EnvelopeFormat format);

}  // namespace tautgate::protocol
