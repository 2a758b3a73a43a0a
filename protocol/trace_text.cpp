#include "protocol/trace_text.hpp"

#include <cstddef>

#include <fmt/format.h>

namespace tautgate::protocol {

namespace {

constexpr int millionths = -6;

std::string torque_text(const Trace& trace, std::size_t sample) {
    return to_text(Decimal{torque_at(trace, sample).micro_nm, millionths});
}
std::string angle_text(const Trace& trace, std::size_t sample) {
    return to_text(Decimal{angle_at(trace, sample)->micro_deg, millionths});
}
std::string time_text(const Trace& trace, std::size_t sample) {
    return fmt::format_int(*time_us_at(trace, sample)).str();
}

template <class Text>
std::string json_list(const Trace& trace, bool there, Text text) {
    if (!there)
        return "null";
    std::string list = "[";
    for (std::size_t i = 0; i < trace.samples(); ++i) {
        list += i == 0 ? "" : ",";
        list += text(trace, i);
    }
    return list + "]";
}

}  // namespace

std::string trace_csv(const Trace& trace) {
    const bool timed = !std::holds_alternative<NoTimes>(trace.times);
    std::string csv =
        fmt::format("{}torque (N.m){}\r\n", timed ? "time (us)," : "", trace.angle ? ",angle (deg)" : "");
    for (std::size_t i = 0; i < trace.samples(); ++i) {
        if (timed)
            csv += time_text(trace, i) + ",";
        csv += torque_text(trace, i);
        if (trace.angle)
            csv += "," + angle_text(trace, i);
        csv += "\r\n";
    }
    return csv;
}

std::string trace_json(const Trace& trace) {
    const bool timed = !std::holds_alternative<NoTimes>(trace.times);
    return fmt::format(R"({{"torque_unit_received":"{}","time_us":{},"torque_nm":{},"angle_deg":{}}})",
                       symbol(trace.torque_unit), json_list(trace, timed, time_text),
                       json_list(trace, true, torque_text),
                       json_list(trace, trace.angle.has_value(), angle_text));
}

}  // namespace tautgate::protocol
