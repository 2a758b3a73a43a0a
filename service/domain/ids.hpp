// The names and numbers by which the station knows things. Each is a type of its own, so that a serial
// number never serves as a tool and an event number never as a token. Plain values; any thread.
#pragma once

#include <compare>
#include <cstdint>
#include <string>

#include "protocol/describe.hpp"

namespace tautgate::domain {

// Place of an event in the journal, 1.. without a hole. Zero: none yet.
struct EventNumber {
    std::uint64_t value = 0;
    constexpr auto operator<=>(const EventNumber&) const = default;
};
TAUTGATE_FIELDS(EventNumber, value);

// Ties a unit's stay to the equipment's controller. Drawn new for every stay; never zero or all ones.
struct Token {
    std::uint32_t value = 0;
    constexpr auto operator<=>(const Token&) const = default;
};
TAUTGATE_FIELDS(Token, value);

// People stand in the journal by number; their names are kept apart.
struct PersonNumber {
    std::uint32_t value = 0;
    constexpr auto operator<=>(const PersonNumber&) const = default;
};
TAUTGATE_FIELDS(PersonNumber, value);

struct Serial {
    std::string text;
    auto operator<=>(const Serial&) const = default;
};
TAUTGATE_FIELDS(Serial, text);

struct BayId {
    std::string text;
    auto operator<=>(const BayId&) const = default;
};
TAUTGATE_FIELDS(BayId, text);

struct ToolId {
    std::string text;
    auto operator<=>(const ToolId&) const = default;
};
TAUTGATE_FIELDS(ToolId, text);

struct JointId {
    std::string text;
    auto operator<=>(const JointId&) const = default;
};
TAUTGATE_FIELDS(JointId, text);

struct PermissiveId {
    std::string text;
    auto operator<=>(const PermissiveId&) const = default;
};
TAUTGATE_FIELDS(PermissiveId, text);

// Digest (hex SHA-256) of a configuration text: names the rules under which something was decided.
struct Revision {
    std::string digest;
    auto operator<=>(const Revision&) const = default;
};
TAUTGATE_FIELDS(Revision, digest);

}  // namespace tautgate::domain
