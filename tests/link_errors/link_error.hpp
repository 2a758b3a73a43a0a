// What can happen to a message on its way: the eight errors of OPC 10000-15, Table 2 (after IEC 61784-3),
// which protocol/PERMISSIVE.md takes as its error model. The source gives the names and their meaning; how
// each is brought about here is common practice and stands in injector.cpp.
#pragma once

#include <array>
#include <cstdint>
#include <string_view>

namespace tautgate::link_errors {

enum class LinkError : std::uint8_t {
    corruption,
    repetition,
    loss,
    wrong_sequence,
    insertion,
    delay,
    masquerade,
    wrong_addressing
};
inline constexpr std::array all_link_errors{
    LinkError::corruption, LinkError::repetition, LinkError::loss,       LinkError::wrong_sequence,
    LinkError::insertion,  LinkError::delay,      LinkError::masquerade, LinkError::wrong_addressing};

[[nodiscard]] constexpr std::string_view name_of(LinkError error) noexcept {
    switch (error) {
    case LinkError::corruption: return "corruption";
    case LinkError::repetition: return "repetition";
    case LinkError::loss: return "loss";
    case LinkError::wrong_sequence: return "wrong sequence";
    case LinkError::insertion: return "insertion";
    case LinkError::delay: return "delay";
    case LinkError::masquerade: return "masquerade";
    case LinkError::wrong_addressing: return "wrong addressing";
    }
    return "";
}

}  // namespace tautgate::link_errors
