#include "tools/cli/frame_look.hpp"

#include <algorithm>
#include <utility>
#include <variant>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/register_request.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace {

std::string with_remedy(std::string what, const std::string& remedy) {
    return remedy.empty() ? what : fmt::format("{}; {}", what, remedy);
}

// Text as it stands, with \xHH for what is no printable ASCII; mostly such bytes are shown in hex.
std::string bytes_words(std::string_view raw) {
    const auto is_printable = [](char byte) { return byte >= ' ' && byte <= '~'; };
    const auto printable = std::ranges::count_if(raw, is_printable);
    if (2 * static_cast<std::size_t>(printable) < raw.size())
        return protocol::spaced_hex(raw);
    std::string words;
    for (const char byte : raw) {
        if (is_printable(byte))
            words += byte;
        else
            words += fmt::format("\\x{:02x}", static_cast<std::uint8_t>(byte));
    }
    return words;
}

}  // namespace

bool FrameSaid::understood() const noexcept {
    return fault.empty() &&
           std::ranges::all_of(explained.rows, [](const protocol::FrameRow& row) { return row.why.empty(); });
}

std::vector<FrameSaid> FrameLooker::hear(std::string_view bytes) { return said(splitter_.take(bytes)); }
std::vector<FrameSaid> FrameLooker::give_up() { return said(splitter_.give_up()); }

std::vector<FrameSaid> FrameLooker::said(const std::vector<protocol::Cut>& cuts) const {
    std::vector<FrameSaid> all;
    for (const protocol::Cut& cut : cuts) {
        if (const auto* garbage = std::get_if<protocol::Garbage>(&cut)) {
            all.push_back({garbage->raw,
                           {},
                           fmt::format("{} byte(s) are no frame: {}", garbage->bytes,
                                       with_remedy(garbage->why, garbage->remedy))});
            continue;
        }
        const auto& frame = std::get<protocol::WholeFrame>(cut);
        auto explained = protocol::explain(profile_, frame);
        std::string fault = explained.why;
        all.push_back({frame.raw, std::move(explained), std::move(fault)});
    }
    return all;
}

std::string said_text(const FrameSaid& said, const Style& style) {
    constexpr std::size_t indent = 4;
    std::string text = fmt::format("  {}\n", plain(bytes_words(said.raw)));
    if (!said.explained.message.empty())
        text += fmt::format("    {}\n", plain(said.explained.message));
    Table table({"", "place", "field", "raw", "value", "says"});
    for (const protocol::FrameRow& row : said.explained.rows)
        table.row({{row.why.empty() ? "" : "?"},
                   {plain(row.place)},
                   {plain(row.field)},
                   {plain(row.raw)},
                   {plain(row.value)},
                   {plain(row.why)}});
    if (!table.empty())
        text += table.text(style.colours, indent, style.screen);
    if (!said.fault.empty())
        text += fmt::format("    not understood: {}\n", plain(said.fault));
    return text;
}

nlohmann::ordered_json said_json(const FrameSaid& said) {
    using nlohmann::ordered_json;
    ordered_json rows = ordered_json::array();
    for (const protocol::FrameRow& row : said.explained.rows)
        rows.push_back({{"place", row.place},
                        {"field", row.field},
                        {"raw", row.raw},
                        {"value", row.value},
                        {"fault", row.why}});
    return {{"understood", said.understood()},
            {"fault", said.fault},
            {"hex", protocol::spaced_hex(said.raw)},
            {"message", said.explained.message},
            {"fields", std::move(rows)}};
}

}  // namespace tautgate::cli
