#include "tools/cli/line_look.hpp"

#include <utility>
#include <variant>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/utc.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace {

LineSaid not_understood(std::string raw, const protocol::LineFault& fault) {
    return {.raw = std::move(raw),
            .says = {},
            .fault = fmt::format("{}; {}", fault.what, fault.remedy),
            .answer = to_line(protocol::Refused{fault.what, fault.remedy})};
}

template <class Quantity>
std::string measured_words(const protocol::Measured<Quantity>& value) {
    if (const auto* unreadable = std::get_if<protocol::Unreadable>(&value))
        return fmt::format("unreadable: it {}", to_text(unreadable->why));
    if (const auto* taken = std::get_if<Quantity>(&value))
        return to_text(*taken);
    return "not sent";
}

std::string verdict_words(const protocol::Reading& reading) {
    switch (reading.tool_verdict) {
    case protocol::ToolVerdict::absent: return "not sent";
    case protocol::ToolVerdict::ok: return "OK";
    case protocol::ToolVerdict::not_ok:
        return reading.tool_reason.empty() ? "not OK" : fmt::format("not OK ({})", reading.tool_reason);
    }
    std::unreachable();
}

}  // namespace

std::vector<LineSaid> LineLooker::hear(std::string_view bytes) {
    std::vector<LineSaid> all;
    splitter_.feed(bytes);
    while (const auto line = splitter_.next()) {
        if (*line)
            all.push_back(taken(**line));
        else
            all.push_back(not_understood(line->error().raw, line->error()));
    }
    return all;
}

LineSaid LineLooker::taken(std::string_view line) {
    const auto message = protocol::parse_line(line, range_);
    LineSaid said{.raw = std::string(line), .says = {}, .fault = {}, .answer = {}};
    if (!message)
        return not_understood(std::move(said.raw), message.error());
    if (const auto* hello = std::get_if<protocol::Hello>(&*message))
        return taken(std::move(said), *hello);
    if (!greeted_)
        return not_understood(
            std::move(said.raw),
            {"the first line was no hello", "say hello first on every connection", std::string(line)});
    if (const auto* result = std::get_if<protocol::LineResult>(&*message))
        return taken(std::move(said), *result);
    said.says.emplace_back("sign of life");
    return said;
}

LineSaid LineLooker::taken(LineSaid said, const protocol::Hello& hello) {
    if (hello.tool != tool_)
        return not_understood(
            std::move(said.raw),
            {fmt::format("it says that it is tool '{}', looked for is {}", hello.tool, tool_),
             "say the tool's id of the station description",
             {}});
    greeted_ = true;
    said.says.push_back(
        fmt::format("tool {}, epoch {}, newest result {}", hello.tool, hello.epoch, hello.last));
    // What was acknowledged before it does not have any more; all else it shows.
    said.answer = to_line(protocol::Welcome{1});
    return said;
}

LineSaid LineLooker::taken(LineSaid said, const protocol::LineResult& result) {
    const protocol::Reading& reading = result.reading;
    said.says.push_back(
        fmt::format("result {}: a {}, program {}", reading.counter,
                    reading.direction == protocol::Direction::loosen ? "loosening" : "tightening",
                    reading.program.empty() ? "not sent" : reading.program));
    said.says.push_back(fmt::format("torque {}; angle {}; verdict {}", measured_words(reading.torque),
                                    measured_words(reading.angle), verdict_words(reading)));
    if (reading.position)
        said.says.push_back(fmt::format("fastener {}", *reading.position));
    if (reading.stamp_utc_us)
        said.says.push_back(fmt::format("made at {}", protocol::utc_text(*reading.stamp_utc_us)));
    said.says.insert(said.says.end(), result.notes.begin(), result.notes.end());
    if (acknowledges_)
        said.answer = to_line(protocol::Acknowledge{reading.counter});
    return said;
}

std::string said_text(const LineSaid& said) {
    std::string text = fmt::format("  {}\n", plain(said.raw));
    for (const std::string& line : said.says)
        text += fmt::format("    {}\n", plain(line));
    if (!said.fault.empty())
        text += fmt::format("    not understood: {}\n", plain(said.fault));
    return text;
}

nlohmann::ordered_json said_json(const LineSaid& said) {
    return {{"understood", said.fault.empty()},
            {"fault", said.fault},
            {"raw", said.raw},
            {"says", said.says},
            {"answer", said.answer}};
}

}  // namespace tautgate::cli
