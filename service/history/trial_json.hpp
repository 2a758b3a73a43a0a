// What a trial of proposed rules on past units found, as JSON for the command line and other programs. Always
// UTF-8, whatever tools and labels sent. Pure; any thread.
#pragma once

#include <string>

#include "service/history/past_units.hpp"

namespace tautgate::history {

[[nodiscard]] std::string trial_json(const Trial& trial, const config::Station& proposed);

}  // namespace tautgate::history
