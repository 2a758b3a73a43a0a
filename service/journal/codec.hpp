// A stored event as text and back: the body of a journal row, one JSON object whose form RECORD.md defines.
// The same event always gives the same bytes. Reading accepts exactly those bytes: whatever this program
// could not have written is refused with its place. Pure; any thread.
#pragma once

#include <expected>
#include <string>
#include <string_view>

#include "service/journal/stored_event.hpp"

namespace tautgate::journal {

[[nodiscard]] std::string encode(const StoredEvent& stored);
[[nodiscard]] std::expected<StoredEvent, std::string> decode(std::string_view body);

// As they stand in bodies; the query tables use the same words.
[[nodiscard]] std::string_view kind_of(const interlock::Payload& payload);
[[nodiscard]] std::string_view kind_of(const interlock::Action& action);
[[nodiscard]] std::string_view kind_of(const interlock::Outcome& outcome);
[[nodiscard]] std::string_view kind_of(const interlock::Output& output);

}  // namespace tautgate::journal
