// The rule of simple equipment as the simulated one runs it, for a script that compares it with others. Reads
// commands and answers each scan with a line: good, interrupted, echo, heartbeat, then of the permissive
// moved as shown and whether it may move; each 0 or 1.
//
//   start LIMIT_MS HEARTBEAT_MS MOVED_MS              its program starts anew
//   scan NOW_MS ALIVE RELEASE PRESENT MOVED
#include <cstdint>
#include <iostream>
#include <sstream>
#include <string>

#include <fmt/format.h>

#include "protocol/coil_rule.hpp"

using namespace tautgate::protocol;

namespace {

struct Equipment {
    CoilSettings settings;
    CoilLine line;
    CoilPointState point;
};

void scan(Equipment& it, std::istringstream& words) {
    std::uint64_t now_ms = 0;
    bool alive = false;
    CoilInputs inputs;
    words >> now_ms >> alive >> inputs.release >> inputs.present >> inputs.moved;
    it.line = coil_line_step(it.line, it.settings, alive, now_ms);
    it.point = coil_point_step(it.point, it.settings, it.line, inputs, now_ms);
    fmt::print("{:d} {:d} {:d} {:d} {:d} {:d}\n", it.line.good, it.line.interrupted, it.line.alive,
               it.line.heartbeat, it.point.shows_moved, may_move(it.line, it.point));
}

}  // namespace

int main() {
    Equipment it;
    for (std::string line; std::getline(std::cin, line);) {
        std::istringstream words(line);
        // Throws where the line does not go on with a number: the script is at fault then, and the program
        // ends.
        words.exceptions(std::ios::failbit | std::ios::badbit);
        std::string command;
        words >> command;
        if (command == "start") {
            it = {};
            words >> it.settings.beat_limit_ms >> it.settings.heartbeat_ms >> it.settings.moved_ms;
        } else if (command == "scan") {
            scan(it, words);
        } else {
            return 2;
        }
    }
    return 0;
}
