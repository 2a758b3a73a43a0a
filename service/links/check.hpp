// What the links know to be wrong with a station before it runs: polls and beats that the wire cannot carry
// in their interval. Ports and registers that clash, and limits shorter than what they limit, are found by
// config::check. Pure; any thread.
#pragma once

#include <vector>

#include "config/config_error.hpp"
#include "config/station.hpp"

namespace tautgate::links {

// Errors and warnings beyond those of config::check, which must have passed.
[[nodiscard]] std::vector<config::ConfigFinding> check(const config::Station& station);

}  // namespace tautgate::links
