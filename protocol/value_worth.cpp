#include "protocol/value_worth.hpp"

#include <fmt/format.h>

#include "protocol/field_number.hpp"

namespace tautgate::protocol {

std::vector<WorthFault> worth_faults(const CountedTorque& torque, const MeasuringRange& range) {
    std::vector<WorthFault> faults;
    if (torque.scale.mantissa <= 0 || range.torque_resolution.micro_nm <= 0)
        return faults;
    const auto step = torque_from(torque.scale, torque.unit, Torque{1});
    // Both were rounded to a micronewton metre.
    if (step && step->micro_nm > range.torque_resolution.micro_nm + 1)
        faults.push_back({"scale",
                          fmt::format("one count is {}, more than the torque_resolution of {}",
                                      to_text(*step), to_text(range.torque_resolution)),
                          "give the worth of one count, or the resolution with which the tool really tells"});
    const auto value = scaled({torque.highest, 0}, torque.scale, torque.offset);
    const auto most = value ? torque_from(*value, torque.unit, Torque{1}) : std::unexpected(value.error());
    if (most && *most < range.torque_max)
        faults.push_back({"scale",
                          fmt::format("the highest count, {}, is {}, less than the torque_max of {}",
                                      torque.highest, to_text(*most), to_text(range.torque_max)),
                          "correct the scale, the type or torque_max"});
    const auto lowest = scaled({torque.lowest, 0}, torque.scale, torque.offset);
    const auto least =
        lowest ? torque_from(*lowest, torque.unit, Torque{1}) : std::unexpected(lowest.error());
    if (least && *least > range.torque_max)
        faults.push_back({"offset",
                          fmt::format("even the lowest count, {}, is {}, more than the torque_max of {}",
                                      torque.lowest, to_text(*least), to_text(range.torque_max)),
                          "correct the offset, or torque_max"});
    return faults;
}

std::vector<WorthFault> angle_worth_faults(const Decimal& scale, const MeasuringRange& range) {
    if (scale.mantissa <= 0 || range.angle_resolution.micro_deg <= 0)
        return {};
    const auto step = angle_from(scale, Angle{1});
    if (!step || step->micro_deg <= range.angle_resolution.micro_deg + 1)
        return {};
    return {{"scale",
             fmt::format("one count is {}, more than the angle_resolution of {}", to_text(*step),
                         to_text(range.angle_resolution)),
             "give the worth of one count, or the resolution with which the tool really tells"}};
}

}  // namespace tautgate::protocol
