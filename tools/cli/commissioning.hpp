// The check list for the day on which a station and the equipment's controller meet: what is tried at the
// machine, for every permissive, every reason to hold and every way in which the line between the two can
// fail. Made from the station's description, so that no joint, tool or permissive of it is forgotten. Pure;
// any thread.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "config/station.hpp"
#include "service/interlock/reason.hpp"

namespace tautgate::cli {

// How one reason is brought about at the machine, and which permissives it must then hold.
struct Trial {
    interlock::ReasonCode reason = interlock::ReasonCode::no_unit;
    std::string what;
    std::vector<bool> holds;  // for each permissive of the bay, in its order
};

// Worst reason first. Every reason has at least one trial, unless the description leaves no way to bring it
// about or it cannot be brought about at a machine.
[[nodiscard]] std::vector<Trial> trials_at(const config::Station& station, const config::Bay& bay);
// Of those that no machine can bring about: shown by tests of the program instead.
[[nodiscard]] bool is_shown_elsewhere(interlock::ReasonCode reason) noexcept;

// Markdown. `source` is the name of the file that the station was read from.
[[nodiscard]] std::string commissioning_checklist(const config::Station& station, std::string_view source);

}  // namespace tautgate::cli
