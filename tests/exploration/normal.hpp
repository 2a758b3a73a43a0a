// Makes a finite space of an endless one. Only the order of event numbers, tokens and counters matters to the
// rules, and of most of them not even that; two situations that differ in nothing else are one.
#pragma once

#include <string>

#include "tests/exploration/floor.hpp"

namespace tautgate::exploration {

// Renumbers in place. Numbers that no rule compares become 1; the others keep their order.
void normalise(Situation& situation);
// Equal for equal situations, and for no others.
[[nodiscard]] std::string key_of(const Situation& situation);

}  // namespace tautgate::exploration
