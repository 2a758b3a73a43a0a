// Whether a register that the station is to write belongs to what the tool writes: a result wherever it may
// come to lie, the numbers beside the results, what the tool says back, its curve. A value written there
// would change what the tool measured. Part of the check of a profile. Pure; any thread.
#pragma once

#include <optional>
#include <string>

#include "protocol/register_plan.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

// What the tool keeps where these registers lie, as a sentence without its end; nothing: they are the
// station's.
[[nodiscard]] std::optional<std::string> kept_by_tool(const RegisterProfile& profile,
                                                      const FieldPlace& written);
[[nodiscard]] bool overlap(const FieldPlace& one, const FieldPlace& other) noexcept;
// Where the count of what is stored is written, in the form of the counter; nothing: nowhere.
[[nodiscard]] std::optional<FieldPlace> acknowledged_at(const RegisterProfile& profile);

}  // namespace tautgate::protocol
