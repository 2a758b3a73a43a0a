// A curve in characters: what a terminal can show of it. Pure; any thread.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

namespace tautgate::cli {

struct PlotPoint {
    double x = 0;
    double y = 0;
};

struct PlotStyle {
    std::size_t screen = 80;  // characters in a line
    std::size_t lines = 16;   // of the curve itself
    bool braille = true;      // eight dots in a character; otherwise one
    std::string x_name{};
    std::string y_name{};
};

// The points joined by straight lines, in their order, with the lowest and highest values at the axes. Both
// axes hold 0 if the values lie on one side of it. Empty without points, or where the screen has no room.
[[nodiscard]] std::string plot(const std::vector<PlotPoint>& points, const PlotStyle& style);

}  // namespace tautgate::cli
