#include "protocol/frame_splitter.hpp"

#include <algorithm>
#include <optional>
#include <utility>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/frame_guard.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::size_t shown_garbage = 256;

// Its end has not come yet.
struct Unfinished {
    std::size_t searched = 0;
};
struct Taken {
    std::size_t bytes = 0;
    std::string content;
};
// Bytes that are in no frame. `whole`: with them the garbage ends, what comes next is another piece. `lost`:
// nobody knows where the next frame begins.
struct NoFrame {
    std::size_t bytes = 0;
    std::string why;
    std::string remedy;
    bool whole = false;
    bool lost = false;
};
// What the bytes from a place on are.
using Piece = std::variant<Unfinished, Taken, NoFrame>;

constexpr const char* outside = "bytes outside of a frame";
constexpr const char* unlike_profile = "check framing in the profile, and what the tool sends";
constexpr const char* disturbed = "check the wiring and the line's settings, and checksum in the profile";
constexpr const char* no_end = "check the end of a frame in the profile, and what the tool sends";

std::string too_long() { return fmt::format("a frame of more than {} bytes", frame_limit); }

// The content and the guard behind it.
struct Guarded {
    std::string content;
    std::string fault;
};
Guarded without_guard(const FrameProfile& profile, std::string_view head, std::string_view body) {
    const std::size_t guard = guard_length(profile);
    if (body.size() < guard)
        return {{}, "the frame is too short for its checksum"};
    const std::string_view content = body.substr(0, body.size() - guard);
    return {std::string(content),
            guard_fault(profile, covered_by(profile, head, content), body.substr(content.size()))};
}

// ---- up to a delimiter ----------------------------------------------------------------------------------

Piece look_for(const FrameProfile& profile, const Delimited& framing, std::string_view data,
               std::size_t searched, bool lost) {
    const std::size_t end = data.find(framing.end, searched);
    const std::size_t keep = framing.end.size() - 1;
    const std::size_t settled = data.size() > keep ? data.size() - keep : 0;
    if (end == std::string_view::npos) {
        if (lost || data.size() > frame_limit)
            return settled == 0 ? Piece(Unfinished{})
                                : Piece(NoFrame{settled, too_long(), no_end, false, true});
        return Unfinished{settled};
    }
    const std::size_t whole = end + framing.end.size();
    if (lost || whole > frame_limit)
        return NoFrame{whole, too_long(), no_end, true, false};
    if (end == 0)
        return Taken{whole, {}};
    auto guarded = without_guard(profile, {}, data.substr(0, end));
    if (!guarded.fault.empty())
        return NoFrame{whole, std::move(guarded.fault), disturbed, true, false};
    return Taken{whole, std::move(guarded.content)};
}

// ---- between two bytes ----------------------------------------------------------------------------------

std::string unescaped(std::string_view bytes, std::optional<std::uint8_t> escape) {
    std::string out;
    out.reserve(bytes.size());
    for (std::size_t i = 0; i < bytes.size(); ++i) {
        if (escape && static_cast<std::uint8_t>(bytes[i]) == *escape && i + 1 < bytes.size())
            ++i;
        out += bytes[i];
    }
    return out;
}

// The frame whose stop byte is the one at `stop`.
Piece up_to(const FrameProfile& profile, const StartStop& framing, std::string_view data, std::size_t stop) {
    const std::string body = unescaped(data.substr(1, stop - 1), framing.escape);
    if (!framing.checksum_after_stop) {
        if (body.empty())
            return Taken{stop + 1, {}};
        auto guarded = without_guard(profile, data.substr(0, 1), body);
        if (!guarded.fault.empty())
            return NoFrame{stop + 1, std::move(guarded.fault), disturbed, true, false};
        return Taken{stop + 1, std::move(guarded.content)};
    }
    const std::size_t whole = stop + 1 + guard_length(profile);
    if (data.size() < whole)
        return Unfinished{stop};
    std::string fault = guard_fault(profile, covered_by(profile, data.substr(0, 1), body),
                                    data.substr(stop + 1, whole - stop - 1));
    if (!fault.empty())  // what follows the stop byte may be the next frame
        return NoFrame{stop + 1, std::move(fault), disturbed, false, false};
    return Taken{whole, body};
}

Piece look_for(const FrameProfile& profile, const StartStop& framing, std::string_view data,
               std::size_t searched, bool /*lost*/) {
    const auto start = static_cast<char>(framing.start);
    if (data.front() != start)
        return NoFrame{std::min(data.find(start), data.size()), outside, unlike_profile, false, false};
    std::size_t at = std::max<std::size_t>(searched, 1);
    for (; at < data.size(); ++at) {
        const auto byte = static_cast<std::uint8_t>(data[at]);
        if (framing.escape && byte == *framing.escape) {
            if (at + 1 == data.size())
                break;
            ++at;
        } else if (byte == framing.stop) {
            return up_to(profile, framing, data, at);
        } else if (byte == framing.start) {
            return NoFrame{at, "another frame began before this one ended", disturbed, true, false};
        }
    }
    if (data.size() > frame_limit)
        return NoFrame{1, too_long(), no_end, false, false};
    return Unfinished{at};
}

// ---- of a length that is known --------------------------------------------------------------------------

// Bytes before the next place where the start stands, or may yet come to stand.
std::size_t before_start(std::string_view data, std::string_view start) {
    const std::size_t found = data.find(start);
    if (found != std::string_view::npos)
        return found;
    std::size_t kept = std::min(start.size() - 1, data.size());
    while (kept > 0 && !start.starts_with(data.substr(data.size() - kept)))
        --kept;
    return data.size() - kept;
}

// From here on nothing is a frame before the start stands again, or before a pause.
NoFrame nothing_here(std::string_view data, std::string_view start, std::string why, const char* remedy) {
    if (start.empty())
        return {data.size(), std::move(why), remedy, false, true};
    return {1, std::move(why), remedy, false, false};
}

// A frame of `total` bytes, of which `head` stand before the content.
Piece of_length(const FrameProfile& profile, std::string_view start, std::string_view data, std::size_t total,
                std::size_t head) {
    if (data.size() < total)
        return Unfinished{};
    auto guarded = without_guard(profile, data.substr(0, head), data.substr(head, total - head));
    if (!guarded.fault.empty())
        return nothing_here(data.substr(0, start.empty() ? data.size() : total), start,
                            std::move(guarded.fault), disturbed);
    return Taken{total, std::move(guarded.content)};
}

// Nothing: the length has not come yet.
std::optional<std::int64_t> total_of(const LengthPrefixed& framing, std::string_view data) {
    const std::size_t at = framing.start.size();
    if (data.size() < at + length_bytes(framing))
        return std::nullopt;
    const auto length = framing.one_byte ? std::uint64_t{static_cast<std::uint8_t>(data[at])}
                                         : bits_in(data, at, framing.type, framing.order).value_or(0);
    return static_cast<std::int64_t>(length) + framing.besides;
}

Piece look_for(const FrameProfile& profile, const LengthPrefixed& framing, std::string_view data,
               std::size_t /*searched*/, bool lost) {
    if (lost)
        return NoFrame{data.size(), outside, unlike_profile, false, true};
    if (const std::size_t before = framing.start.empty() ? 0 : before_start(data, framing.start); before > 0)
        return NoFrame{before, outside, unlike_profile, false, false};
    const auto total = total_of(framing, data);
    if (!total)
        return Unfinished{};
    const std::size_t head = head_bytes(profile);
    if (*total < static_cast<std::int64_t>(head + guard_length(profile)) || *total > framing.longest)
        return nothing_here(data, framing.start, fmt::format("a frame of {} bytes by its length", *total),
                            unlike_profile);
    return of_length(profile, framing.start, data, static_cast<std::size_t>(*total), head);
}

Piece look_for(const FrameProfile& profile, const FixedLength& framing, std::string_view data,
               std::size_t /*searched*/, bool /*lost*/) {
    if (const std::size_t before = before_start(data, framing.start); before > 0)
        return NoFrame{before, outside, unlike_profile, false, false};
    return of_length(profile, framing.start, data, framing.length, framing.start.size());
}

// How much of a frame that was not finished is garbage for sure: behind it others may stand whole.
std::size_t given_up(const FrameProfile& profile, std::size_t bytes) {
    if (std::holds_alternative<Delimited>(profile.framing))
        return bytes;
    const auto* counted = std::get_if<LengthPrefixed>(&profile.framing);
    const bool by_length = counted != nullptr || std::holds_alternative<FixedLength>(profile.framing);
    const bool tells = counted == nullptr || !counted->start.empty();
    // Without a checksum anything after a start would pass for a frame.
    return by_length && !(tells && profile.checksum) ? bytes : 1;
}

}  // namespace

void FrameSplitter::skip(std::string_view bytes, const std::string& why, const std::string& remedy) {
    if (bytes.empty())
        return;
    if (garbage_.bytes == 0) {
        garbage_.why = why;
        garbage_.remedy = remedy;
    }
    garbage_.bytes += bytes.size();
    garbage_.raw += bytes.substr(0, shown_garbage - garbage_.raw.size());
}

void FrameSplitter::end_garbage(std::vector<Cut>& cuts) {
    if (garbage_.bytes != 0)
        cuts.emplace_back(std::exchange(garbage_, {}));
}

void FrameSplitter::scan(std::vector<Cut>& cuts, bool over) {
    std::size_t at = 0;
    while (at < rest_.size()) {
        const auto data = std::string_view(rest_).substr(at);
        const Piece piece = std::visit(
            [&](const auto& framing) { return look_for(*profile_, framing, data, searched_, lost_); },
            profile_->framing);
        searched_ = 0;
        if (const auto* unfinished = std::get_if<Unfinished>(&piece)) {
            if (!over) {
                searched_ = unfinished->searched;
                break;
            }
            const std::size_t bytes = given_up(*profile_, data.size());
            skip(data.substr(0, bytes), "a frame that did not go on", no_end);
            at += bytes;
        } else if (const auto* none = std::get_if<NoFrame>(&piece)) {
            skip(data.substr(0, none->bytes), none->why, none->remedy);
            if (none->whole)
                end_garbage(cuts);
            lost_ = none->lost;
            at += none->bytes;
        } else {
            const Taken& taken = std::get<Taken>(piece);
            end_garbage(cuts);
            if (!taken.content.empty())
                cuts.emplace_back(WholeFrame{taken.content, std::string(data.substr(0, taken.bytes))});
            at += taken.bytes;
        }
    }
    rest_.erase(0, at);
}

std::vector<Cut> FrameSplitter::take(std::string_view bytes) {
    std::vector<Cut> cuts;
    rest_ += bytes;
    scan(cuts, false);
    return cuts;
}

std::vector<Cut> FrameSplitter::give_up() {
    std::vector<Cut> cuts;
    scan(cuts, true);
    end_garbage(cuts);
    lost_ = false;
    searched_ = 0;
    return cuts;
}

}  // namespace tautgate::protocol
