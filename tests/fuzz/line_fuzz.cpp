// The line protocol, both directions, as a stream of bytes.
#include <string>
#include <variant>
#include <vector>

#include "protocol/line.hpp"
#include "protocol/text.hpp"
#include "tests/fuzz/entry.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

constexpr MeasuringRange range{Torque{100'000}, Angle{100'000}, Torque{600'000'000}, Angle{720'000'000}};

std::vector<std::string> split(std::string_view stream, std::size_t chunk) {
    LineSplitter splitter;
    std::vector<std::string> lines;
    for (std::size_t at = 0; at < stream.size(); at += chunk) {
        splitter.feed(stream.substr(at, chunk));
        while (const auto line = splitter.next()) {
            promise(!*line || !(*line)->empty(), "a line is not empty");
            lines.push_back(*line ? std::string(**line) : "fault: " + line->error().what);
        }
        promise(splitter.pending() <= line_limit + 1, "a splitter holds no more than a line");
    }
    return lines;
}

template <class Quantity>
void check_measured(const Measured<Quantity>& measured, Quantity most, std::int64_t Quantity::*micro,
                    std::int64_t step) {
    if (const auto* quantity = std::get_if<Quantity>(&measured)) {
        promise(quantity->*micro >= 0 && *quantity <= most, "a measured value lies in the sensor's range");
        promise(quantity->*micro % step == 0, "a measured value lies on a step of the resolution");
    }
}

void check_refusal(const LineFault& fault, std::string_view line) {
    promise(!fault.what.empty() && !fault.remedy.empty(), "a fault says what and what to do");
    promise(fault.raw == line.substr(0, line_limit), "a fault keeps the bytes");
    std::string refusal = to_line(Refused{fault.what, fault.remedy});
    refusal.pop_back();
    promise(parse_station_line(refusal) == StationMessage(Refused{fault.what, fault.remedy}),
            "a refusal can be read");
}

void check_line(std::string_view line) {
    const auto message = parse_line(line, range);
    if (!message)
        return check_refusal(message.error(), line);
    if (const auto* result = std::get_if<LineResult>(&*message)) {
        promise(result->reading.counter > 0, "results are counted from 1");
        promise(result->reading.received.raw == line, "a result keeps its line");
        check_measured(result->reading.torque, range.torque_max, &Torque::micro_nm,
                       range.torque_resolution.micro_nm);
        check_measured(result->reading.angle, range.angle_max, &Angle::micro_deg,
                       range.angle_resolution.micro_deg);
        const bool unreadable = std::holds_alternative<Unreadable>(result->reading.torque) ||
                                std::holds_alternative<Unreadable>(result->reading.angle);
        promise(!unreadable || !result->notes.empty(), "an unreadable value is explained");
    }
    if (const auto* part = std::get_if<TracePart>(&*message)) {
        promise(part->counter > 0 && part->part >= 1 && part->part <= part->parts, "a part has its place");
        promise(!part->torque.empty() && (!part->angle || part->angle->size() == part->torque.size()),
                "the lists of a part are of one length");
        TraceParts parts;
        const auto step = parts.take(*part, range);
        promise(!step.complete || !fault_of(step.complete->trace, range), "a trace that is taken is a curve");
        promise(parts.held() <= trace_samples_limit, "no more samples are held than are kept");
    }
    if (const auto* hello = std::get_if<Hello>(&*message)) {
        std::string back = to_line(*hello);
        back.pop_back();
        promise(back.size() > line_limit || parse_line(back, range) == LineMessage(*hello),
                "hello can be written again");
    }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view stream = tautgate::fuzz::as_text(data, size);
    const auto lines = split(stream, stream.size() + 1);
    promise(lines == split(stream, 7), "lines do not depend on how the stream is cut");
    for (const std::string& line : lines) {
        promise(is_utf8(line), "a line is UTF-8");
        check_line(line);
    }
    check_line(stream.substr(0, 2 * line_limit));
    (void)parse_station_line(stream);  // only that it comes back
    return 0;
}
