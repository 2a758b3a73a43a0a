// Whether a number that decodes is one that a sensor tells. Two words of a float in another order mostly make
// a number that is next to nothing. Pure; any thread.
#pragma once

#include <charconv>
#include <cmath>
#include <string_view>

namespace tautgate::protocol {

// What is no number is as good as nothing here.
[[nodiscard]] inline double number_in(std::string_view text) {
    double value = 0;
    std::from_chars(text.data(), text.data() + text.size(), value);
    return value;
}

struct Likely {
    double step = 0;
    double most = 0;  // 0: not known
    // So far below the step of the sensor that no torque or angle is meant.
    [[nodiscard]] bool is_hardly(double value) const {
        constexpr double share = 1e-6;
        return value != 0 && std::abs(value) < share * step;
    }
    [[nodiscard]] bool holds(double value) const { return value >= step && (most == 0 || value <= most); }
};

}  // namespace tautgate::protocol
