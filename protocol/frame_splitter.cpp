#include "protocol/frame_splitter.hpp"

#include <algorithm>
#include <optional>
#include <utility>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/frame_guard.hpp"
#include "protocol/stretch_sums.hpp"

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
// nobody knows where the next frame begins. `searched`: as in Unfinished, from the first of these bytes on.
struct NoFrame {
    std::size_t bytes = 0;
    std::string why;
    std::string_view remedy;
    bool whole = false;
    bool lost = false;
    std::size_t searched = 0;
};
// What the bytes from a place on are.
using Piece = std::variant<Unfinished, Taken, NoFrame>;

// What is known beside the bytes themselves.
struct Known {
    std::size_t searched = 0;            // bytes in which no end was found
    bool lost = false;                   // nobody knows where a frame begins
    bool tells = true;                   // somebody reads why it is no frame: it begins a piece of garbage
    const StretchSums* sums = nullptr;   // where the length is known and there is a checksum
    std::size_t at = 0;                  // where in them the bytes begin
    std::uint64_t* looked_at = nullptr;  // counts the bytes that are looked at
};

constexpr std::string_view unlike_profile = "check framing in the profile, and what the tool sends";
constexpr std::string_view disturbed =
    "check the wiring and the line's settings, and checksum in the profile";
constexpr std::string_view no_end = "check the end of a frame in the profile, and what the tool sends";

std::string outside(const Known& known) { return known.tells ? "bytes outside of a frame" : ""; }
std::string too_long() { return fmt::format("a frame of more than {} bytes", frame_limit); }

std::string fault_of(const FrameProfile& profile, std::string_view covered, std::string_view guard) {
    if (!profile.checksum)
        return {};
    return guard_fault(*profile.checksum, checksum_of(profile.checksum->kind, covered), guard);
}

// The content and the guard behind it.
struct Guarded {
    std::string content;
    std::string fault;
};
Guarded without_guard(const FrameProfile& profile, std::string_view head, std::string_view body,
                      const Known& known) {
    *known.looked_at += body.size();
    const std::size_t guard = guard_length(profile);
    if (body.size() < guard)
        return {{}, "the frame is too short for its checksum"};
    const std::string_view content = body.substr(0, body.size() - guard);
    return {std::string(content),
            fault_of(profile, covered_by(profile, head, content), body.substr(content.size()))};
}

// ---- up to a delimiter ----------------------------------------------------------------------------------

Piece look_for(const FrameProfile& profile, const Delimited& framing, std::string_view data,
               const Known& known) {
    const bool lost = known.lost;
    const std::size_t end = data.find(framing.end, known.searched);
    *known.looked_at += std::min(end, data.size()) - known.searched;
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
    auto guarded = without_guard(profile, {}, data.substr(0, end), known);
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

// Behind this start nothing ended in time; another one may stand in what was searched.
NoFrame too_long_by(std::size_t searched, const Known& known) {
    return {1, known.tells ? too_long() : std::string(), no_end, false, false, searched};
}

// The frame whose stop byte is the one at `stop`.
Piece up_to(const FrameProfile& profile, const StartStop& framing, std::string_view data, std::size_t stop,
            const Known& known) {
    const std::size_t whole = stop + 1 + (framing.checksum_after_stop ? guard_length(profile) : 0);
    if (whole > frame_limit)
        return too_long_by(stop, known);
    if (data.size() < whole)
        return Unfinished{stop};
    *known.looked_at += stop;
    const std::string body = unescaped(data.substr(1, stop - 1), framing.escape);
    if (!framing.checksum_after_stop) {
        if (body.empty())
            return Taken{whole, {}};
        auto guarded = without_guard(profile, data.substr(0, 1), body, known);
        if (!guarded.fault.empty())
            return NoFrame{whole, std::move(guarded.fault), disturbed, true, false};
        return Taken{whole, std::move(guarded.content)};
    }
    std::string fault = fault_of(profile, covered_by(profile, data.substr(0, 1), body),
                                 data.substr(stop + 1, whole - stop - 1));
    if (!fault.empty())  // what follows the stop byte may be the next frame
        return NoFrame{stop + 1, std::move(fault), disturbed, false, false};
    return Taken{whole, body};
}

// A start byte within what was searched in vain has an escape before it. What follows it was therefore read
// the same way already, and is not searched again for the frame that may begin there: each byte is looked at
// once.
Piece look_for(const FrameProfile& profile, const StartStop& framing, std::string_view data,
               const Known& known) {
    const auto start = static_cast<char>(framing.start);
    if (data.front() != start)
        return NoFrame{std::min(data.find(start), data.size()),
                       outside(known),
                       unlike_profile,
                       false,
                       false,
                       known.searched};
    std::size_t at = std::max<std::size_t>(known.searched, 1);
    for (; at < std::min(data.size(), frame_limit); ++at) {
        ++*known.looked_at;
        const auto byte = static_cast<std::uint8_t>(data[at]);
        if (framing.escape && byte == *framing.escape) {
            if (at + 1 == data.size())
                break;
            ++at;
        } else if (byte == framing.stop) {
            return up_to(profile, framing, data, at, known);
        } else if (byte == framing.start) {
            return NoFrame{at, "another frame began before this one ended", disturbed, true, false};
        }
    }
    if (at >= frame_limit)
        return too_long_by(at, known);
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
NoFrame nothing_here(std::string_view data, std::string_view start, std::string why,
                     std::string_view remedy) {
    if (start.empty())
        return {data.size(), std::move(why), remedy, false, true};
    return {1, std::move(why), remedy, false, false};
}

// What is wrong with the guard of a frame of `total` bytes, of which `head` stand before the content.
std::optional<std::string> fault_in(const FrameProfile& profile, std::string_view data, std::size_t total,
                                    std::size_t head, const Known& known) {
    if (!profile.checksum)
        return std::nullopt;
    const FrameChecksum& checksum = *profile.checksum;
    const std::size_t guard = total - guard_length(profile);
    const std::size_t first = checksum.covers_start ? 0 : head;
    const std::uint16_t sum = known.sums->of(known.at + first, known.at + guard);
    *known.looked_at += total - guard;
    const std::string_view sent = data.substr(guard, total - guard);
    if (is_right(checksum, sum, sent))
        return std::nullopt;
    return known.tells ? guard_fault(checksum, sum, sent) : std::string();
}

// A frame of `total` bytes, with room for head and guard.
Piece of_length(const FrameProfile& profile, std::string_view start, std::string_view data, std::size_t total,
                std::size_t head, const Known& known) {
    if (data.size() < total)
        return Unfinished{};
    if (auto fault = fault_in(profile, data, total, head, known))
        return nothing_here(data, start, std::move(*fault), disturbed);
    return Taken{total, std::string(data.substr(head, total - head - guard_length(profile)))};
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
               const Known& known) {
    if (known.lost)
        return NoFrame{data.size(), outside(known), unlike_profile, false, true};
    if (const std::size_t before = framing.start.empty() ? 0 : before_start(data, framing.start); before > 0)
        return NoFrame{before, outside(known), unlike_profile, false, false};
    const auto total = total_of(framing, data);
    if (!total)
        return Unfinished{};
    const std::size_t head = head_bytes(profile);
    if (*total < static_cast<std::int64_t>(head + guard_length(profile)) || *total > framing.longest)
        return nothing_here(data, framing.start,
                            known.tells ? fmt::format("a frame of {} bytes by its length", *total)
                                        : std::string(),
                            unlike_profile);
    return of_length(profile, framing.start, data, static_cast<std::size_t>(*total), head, known);
}

Piece look_for(const FrameProfile& profile, const FixedLength& framing, std::string_view data,
               const Known& known) {
    if (const std::size_t before = before_start(data, framing.start); before > 0)
        return NoFrame{before, outside(known), unlike_profile, false, false};
    return of_length(profile, framing.start, data, framing.length, framing.start.size(), known);
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

FrameSplitter::FrameSplitter(const FrameProfile& profile) : profile_(&profile) {
    const bool has_length = std::holds_alternative<LengthPrefixed>(profile.framing) ||
                            std::holds_alternative<FixedLength>(profile.framing);
    if (has_length && profile.checksum)
        sums_.emplace(profile.checksum->kind);
}

void FrameSplitter::skip(std::string_view bytes, std::string_view why, std::string_view remedy) {
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
    while (half_frame()) {
        const auto data = std::string_view(rest_).substr(done_);
        const Known known{.searched = searched_,
                          .lost = lost_,
                          .tells = garbage_.bytes == 0,
                          .sums = sums_ ? &*sums_ : nullptr,
                          .at = done_,
                          .looked_at = &looked_at_};
        const Piece piece =
            std::visit([&](const auto& framing) { return look_for(*profile_, framing, data, known); },
                       profile_->framing);
        if (const auto* unfinished = std::get_if<Unfinished>(&piece)) {
            searched_ = unfinished->searched;
            if (!over)
                break;
            const std::size_t bytes = given_up(*profile_, data.size());
            skip(data.substr(0, bytes), "a frame that did not go on", no_end);
            pass(bytes);
        } else if (const auto* none = std::get_if<NoFrame>(&piece)) {
            searched_ = none->searched;
            skip(data.substr(0, none->bytes), none->why, none->remedy);
            if (none->whole)
                end_garbage(cuts);
            lost_ = none->lost;
            pass(none->bytes);
        } else {
            const Taken& taken = std::get<Taken>(piece);
            end_garbage(cuts);
            if (!taken.content.empty())
                cuts.emplace_back(WholeFrame{taken.content, std::string(data.substr(0, taken.bytes))});
            searched_ = 0;
            pass(taken.bytes);
        }
    }
    drop_done();
}

void FrameSplitter::pass(std::size_t bytes) {
    done_ += bytes;
    searched_ -= std::min(searched_, bytes);
}

// Only when it is much: a device that sends byte by byte would have the rest moved for each.
void FrameSplitter::drop_done() {
    if (2 * done_ < rest_.size())
        return;
    rest_.erase(0, done_);
    if (sums_)
        sums_->drop(done_);
    done_ = 0;
}

std::vector<Cut> FrameSplitter::take(std::string_view bytes) {
    std::vector<Cut> cuts;
    rest_ += bytes;
    if (sums_) {
        sums_->append(bytes);
        looked_at_ += bytes.size();
    }
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
