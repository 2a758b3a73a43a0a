// Reads lines of "angle torque" until an empty one, says gradient and offset of the line through them, and
// goes on with the next points. For the script beside it.
#include <cstdio>
#include <iostream>
#include <sstream>
#include <string>
#include <vector>

#include "protocol/curve.hpp"

int main() {
    std::vector<tautgate::protocol::CurvePoint> points;
    for (std::string text; std::getline(std::cin, text);) {
        std::istringstream words(text);
        tautgate::protocol::CurvePoint point;
        if (words >> point.angle >> point.torque) {
            points.push_back(point);
            continue;
        }
        const auto line = tautgate::protocol::fitted_line(points);
        if (line)
            std::printf("%.17g %.17g\n", line->gradient, line->offset);
        else
            std::puts("none");
        points.clear();
    }
}
