#include "tools/cli/line_look.hpp"

#include <algorithm>
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
        return fmt::format("? (it {})", to_text(unreadable->why));
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

std::string LineLooker::sealed(const std::string& line) { return seal_ ? seal_->seal(line) : line; }

LineSaid LineLooker::taken(std::string_view line) {
    if (!sealed_lines_)
        return taken_opened(line);
    if (settings_.replayed)
        return proved(taken_opened(line.substr(std::min(line.size(), protocol::seal_length))));
    // What goes to the tool bears a seal from its first sealed line on.
    if (!seal_)
        seal_.emplace(*settings_.key, protocol::LineSeal::Side::station, hello_, nonce_);
    const auto opened = seal_->open(line);
    if (!opened)
        return not_understood(std::string(line), opened.error());
    return proved(taken_opened(*opened));
}

// The answer to its first sealed line is the welcome; a result in it comes once more after that.
LineSaid LineLooker::proved(LineSaid said) {
    if (greeted_)
        return said;
    greeted_ = true;
    said.says.emplace_back(settings_.replayed ? "its lines bear seals, which are not checked here"
                                              : "it has the key");
    said.answer = to_line(protocol::Welcome{1});
    return said;
}

LineSaid LineLooker::taken_opened(std::string_view line) {
    const auto message = protocol::parse_line(line, settings_.range);
    LineSaid said{.raw = std::string(line), .says = {}, .fault = {}, .answer = {}};
    if (!message)
        return not_understood(std::move(said.raw), message.error());
    if (const auto* hello = std::get_if<protocol::Hello>(&*message))
        return taken(std::move(said), *hello);
    if (!greeted_ && !sealed_lines_)
        return not_understood(
            std::move(said.raw),
            {"the first line was no hello", "say hello first on every connection", std::string(line)});
    if (const auto* result = std::get_if<protocol::LineResult>(&*message))
        return taken(std::move(said), *result);
    said.says.emplace_back("sign of life");
    return said;
}

LineSaid LineLooker::taken(LineSaid said, const protocol::Hello& hello) {
    if (hello.tool != settings_.tool)
        return not_understood(
            std::move(said.raw),
            {fmt::format("it says that it is tool '{}', looked for is {}", hello.tool, settings_.tool),
             "say the tool's id of the station description",
             {}});
    said.says.push_back(
        fmt::format("tool {}, epoch {}, newest result {}", hello.tool, hello.epoch, hello.last));
    if (settings_.key || !hello.nonce.empty())
        return challenged(std::move(said), hello);
    greeted_ = true;
    // What was acknowledged before it does not have any more; all else it shows.
    said.answer = to_line(protocol::Welcome{1});
    return said;
}

LineSaid LineLooker::challenged(LineSaid said, const protocol::Hello& hello) {
    if (!settings_.replayed && !settings_.key)
        return not_understood(std::move(said.raw),
                              {"it speaks with a key, and the description names none",
                               "enter the key's file for the tool in the station description",
                               {}});
    if (!protocol::is_nonce(hello.nonce))
        return not_understood(
            std::move(said.raw),
            {"by the description it has a key, and its hello bears no nonce of 32 hexadecimal digits",
             "give the tool its key, and a new nonce with each hello",
             {}});
    sealed_lines_ = true;
    hello_ = said.raw;
    nonce_ = protocol::fresh_nonce();
    splitter_.allow(protocol::sealed_limit);
    said.answer = to_line(protocol::Challenge{nonce_});
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
    if (std::holds_alternative<protocol::Unreadable>(reading.torque))
        said.not_usable.emplace_back("torque");
    if (std::holds_alternative<protocol::Unreadable>(reading.angle))
        said.not_usable.emplace_back("angle");
    if (reading.position)
        said.says.push_back(fmt::format("fastener {}", *reading.position));
    if (reading.stamp_utc_us)
        said.says.push_back(fmt::format("made at {}", protocol::utc_text(*reading.stamp_utc_us)));
    said.says.insert(said.says.end(), result.notes.begin(), result.notes.end());
    if (settings_.acknowledges)
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
    return {{"understood", said.understood()},
            {"fault", said.fault},
            {"raw", said.raw},
            {"says", said.says},
            {"answer", said.answer}};
}

}  // namespace tautgate::cli
