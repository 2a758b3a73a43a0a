// What can happen to a message on its way: the eight errors of OPC 10000-15, Table 2 (after IEC 61784-3),
// which protocol/PERMISSIVE.md takes as its error model. The source gives the names and their meaning; how
// each is brought about here is common practice and stands in injector.cpp.
#pragma once

#include <array>

#include "protocol/link_error.hpp"

namespace tautgate::link_errors {

using protocol::LinkError;
inline constexpr std::array all_link_errors{
    LinkError::corruption, LinkError::repetition, LinkError::loss,       LinkError::wrong_sequence,
    LinkError::insertion,  LinkError::delay,      LinkError::masquerade, LinkError::addressing};

}  // namespace tautgate::link_errors
