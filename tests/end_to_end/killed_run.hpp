// A good unit during whose stay the daemon is killed twice at a named point, told as a test.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace tautgate::end_to_end {

struct Kills {
    std::string point;
    std::uint64_t first = 1;   // pass, counted from the moment in which the unit is brought
    std::uint64_t second = 1;  // pass, counted from the start after the first death
};

// `always` are arguments of every start. Checks that nothing was lost, counted twice or released without its
// grounds, and that the unit leaves as a good one in the end.
void check_killed_run(const Kills& kills, const std::vector<std::string>& always = {});

}  // namespace tautgate::end_to_end
