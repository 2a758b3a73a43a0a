// What an earlier run of the service may leave behind, written with the service's own means while no daemon
// runs: the note of an event that it died of, an event that another program version decided otherwise.
//
// One thread.
#pragma once

#include <cstdint>
#include <filesystem>

#include "service/interlock/event.hpp"
#include "tests/end_to_end/harness.hpp"

namespace tautgate::end_to_end {

[[nodiscard]] std::filesystem::path journal_of(const Plant& plant);

// The run before ended while it decided this. Gives the number that the next start will set it aside by.
std::uint64_t died_deciding(const std::filesystem::path& journal, interlock::Payload payload);

// Stored by the run before with a decision that today's program does not come to. The payload must be one
// that changes no state, so that nothing else follows from it.
void decided_otherwise(const std::filesystem::path& journal, interlock::Payload payload);

}  // namespace tautgate::end_to_end
