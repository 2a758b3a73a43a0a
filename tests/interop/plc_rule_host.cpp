// The PLC's rule as the simulated controller runs it, for a script that compares it with others. Reads
// commands and answers each scan with a line: the feedback block's registers in hexadecimal, then the
// movement.
//
//   point STATION BAY PERMISSIVE LIMIT_MS ONE_SHOT ARRIVALS DEPARTURES STARTS MOVED    one more point
//   start POINT                                                                         its program starts
//   anew scan POINT NOW_MS PRESENT MOVED EQUIPMENT_FAULT REGISTER...                         12 registers,
//   decimal
#include <array>
#include <cstdint>
#include <iostream>
#include <sstream>
#include <string>
#include <vector>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "protocol/permissive_block.hpp"

using namespace tautgate::protocol;

namespace {

struct Point {
    PlcSettings settings;
    PlcState state;
};

// Throws where the line does not go on with a number: the script is at fault then, and the program ends.
std::istringstream strict(const std::string& line) {
    std::istringstream words(line);
    words.exceptions(std::ios::failbit | std::ios::badbit);
    return words;
}

Point read_point(std::istringstream& words) {
    Point point;
    PlcState before;
    words >> point.settings.own.station >> point.settings.own.bay >> point.settings.own.permissive >>
        point.settings.beat_limit_ms >> point.settings.one_shot >> before.arrivals >> before.departures >>
        before.plc_starts >> before.moved_count;
    point.state = plc_start(before);
    return point;
}

void scan(Point& point, std::istringstream& words) {
    std::uint64_t now_ms = 0;
    PlcInputs inputs;
    std::array<std::uint16_t, permissive_words> registers{};
    words >> now_ms >> inputs.present >> inputs.moved >> inputs.equipment_fault;
    for (auto& value : registers)
        words >> value;
    point.state = plc_step(point.state, point.settings, registers, now_ms, inputs);
    fmt::print("{:04X} {}\n", fmt::join(encode(feedback(point.state, point.settings)), " "),
               static_cast<int>(movement(point.state)));
}

}  // namespace

int main() {
    std::vector<Point> points;
    for (std::string line; std::getline(std::cin, line);) {
        auto words = strict(line);
        std::string command;
        words >> command;
        if (command == "point") {
            points.push_back(read_point(words));
            continue;
        }
        std::size_t index = 0;
        words >> index;
        Point& point = points.at(index);
        if (command == "start")
            point.state = plc_start(point.state);
        else if (command == "scan")
            scan(point, words);
        else
            return 2;
    }
    return 0;
}
