// Names and secrets stand beside the chain, so that a name can be taken out without breaking it. What stands
// in the chain instead is a mark of each, in the event that enrolled the person: whoever changes a name or
// puts another secret in its place is found out. A name's mark is salted, and the salt goes with the name:
// from the mark alone nobody finds the name again. The exact bytes are in RECORD.md. Pure; any thread.
#pragma once

#include <string>

#include "service/domain/person.hpp"
#include "service/journal/stored_event.hpp"

namespace tautgate::journal {

// 64 hex digits.
[[nodiscard]] std::string mark_of(const PersonName& name);
[[nodiscard]] std::string mark_of(const Credential& credential);

// 32 hex digits, drawn anew.
[[nodiscard]] std::string draw_salt();

}  // namespace tautgate::journal
