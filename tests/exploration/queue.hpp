// A second shop floor, of two bays: units stand at B1, where they are tightened, move on to B2, where they
// are looked at, and leave. What is physically so is kept beside what the station believes: where each unit
// is, whether its bolt is tight, what each bay's equipment has counted. Links and power fail in between.
#pragma once

#include <cstddef>
#include <map>
#include <string>

#include "tests/unit/interlock/story.hpp"

namespace tautgate::exploration {

struct QueueFindings {
    std::string fault;  // empty: every promise held, and nowhere was a dead end
    std::size_t situations = 0;
    std::size_t steps = 0;
    std::map<interlock::ReasonCode, std::size_t> reasons;
    std::map<std::size_t, std::size_t> outcomes;
    std::map<interlock::Doubt, std::size_t> doubts;
    std::map<std::string, std::size_t> seen;  // what was to be shown, by name
};

// Nearest first, up to so many situations; dead ends are looked for where all were seen.
[[nodiscard]] QueueFindings explore_queue(std::size_t most);

}  // namespace tautgate::exploration
