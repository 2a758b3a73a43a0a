// Whether the numbers that a tool sends for its torque and angle can be what its profile says of its sensors:
// one count is no coarser than the resolution, the highest count reaches what the sensor can measure, and the
// lowest lies within that. Part of the check of a profile, of registers and of frames. Pure; any thread.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "protocol/quantity.hpp"

namespace tautgate::protocol {

// A whole number without its scale.
struct CountedTorque {
    std::int64_t lowest = 0;
    std::int64_t highest = 0;
    Decimal scale{1, 0};
    Decimal offset{0, 0};
    TorqueUnit unit = TorqueUnit::newton_metre;
};

struct WorthFault {
    std::string key;  // of the field: "scale", "offset"
    std::string finding;
    std::string remedy;
};

// A scale that is not positive, or a range without a resolution, is another mistake: nothing is said here.
[[nodiscard]] std::vector<WorthFault> worth_faults(const CountedTorque& torque, const MeasuringRange& range);
// Of an angle in whole numbers of degrees times `scale`.
[[nodiscard]] std::vector<WorthFault> angle_worth_faults(const Decimal& scale, const MeasuringRange& range);

}  // namespace tautgate::protocol
