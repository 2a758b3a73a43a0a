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

constexpr std::size_t newest_bytes = 48;

std::size_t length_of_cut(const protocol::Cut& cut) {
    if (const auto* frame = std::get_if<protocol::WholeFrame>(&cut))
        return frame->raw.size();
    return std::get<protocol::Garbage>(cut).bytes;
}

std::string start_words(const std::string& start) {
    return start.empty() ? "" : fmt::format("begins with {} and ", protocol::spaced_hex(start));
}

// How a frame ends by the profile.
struct EndWords {
    std::string operator()(const protocol::Delimited& framing) const {
        return fmt::format("ends with {}", protocol::spaced_hex(framing.end));
    }
    std::string operator()(const protocol::StartStop& framing) const {
        return fmt::format("begins with {:02X} and ends with {:02X}", framing.start, framing.stop);
    }
    std::string operator()(const protocol::LengthPrefixed& framing) const {
        return fmt::format("{}tells its length, {} bytes at most", start_words(framing.start),
                           framing.longest);
    }
    std::string operator()(const protocol::FixedLength& framing) const {
        return fmt::format("{}has {} bytes", start_words(framing.start), framing.length);
    }
};

std::string end_by(const protocol::FrameProfile& profile) { return std::visit(EndWords(), profile.framing); }

}  // namespace

bool FrameSaid::understood() const noexcept {
    return fault.empty() &&
           std::ranges::all_of(explained.rows, [](const protocol::FrameRow& row) { return row.why.empty(); });
}

std::vector<std::string> not_usable_in(const FrameSaid& said) {
    std::vector<std::string> names;
    for (const protocol::FrameRow& row : said.explained.rows)
        if (!row.why.empty())
            names.push_back(row.field);
    return names;
}

std::vector<FrameSaid> FrameLooker::hear(std::string_view bytes) {
    const auto cuts = splitter_.take(bytes);
    begun_ += bytes.size();
    for (const protocol::Cut& cut : cuts)
        begun_ -= std::min(begun_, length_of_cut(cut));
    // Empty frames were no piece.
    begun_ = splitter_.half() ? begun_ : 0;
    newest_ += bytes;
    newest_.erase(0, newest_.size() - std::min(newest_.size(), newest_bytes));
    return said(cuts);
}

std::vector<FrameSaid> FrameLooker::give_up() {
    begun_ = 0;
    return said(splitter_.give_up());
}

FrameBegun FrameLooker::begun() const {
    const std::size_t shown = std::min(begun_, newest_.size());
    return {.bytes = begun_, .newest = newest_.substr(newest_.size() - shown), .end = end_by(profile_)};
}

std::vector<FrameSaid> FrameLooker::said(const std::vector<protocol::Cut>& cuts) const {
    std::vector<FrameSaid> all;
    for (const protocol::Cut& cut : cuts) {
        if (const auto* garbage = std::get_if<protocol::Garbage>(&cut)) {
            all.push_back(
                {garbage->raw,
                 {},
                 fmt::format("{} no frame: {}",
                             garbage->bytes == 1 ? "1 byte is" : fmt::format("{} bytes are", garbage->bytes),
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

std::string begun_text(const FrameBegun& begun) {
    std::string printable;
    for (const char byte : begun.newest)
        printable += byte >= ' ' && byte <= '~' ? byte : '.';
    return fmt::format(
        "  no end of a frame yet, after {} byte{}{}: {}\n    as text: {}\n"
        "    by the profile a frame {}; check framing in the profile, and what the tool sends\n",
        begun.bytes, begun.bytes == 1 ? "" : "s",
        begun.bytes > begun.newest.size() ? fmt::format(", of which the newest {} are", begun.newest.size())
                                          : "",
        protocol::spaced_hex(begun.newest), printable, begun.end);
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
