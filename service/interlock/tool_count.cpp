#include "service/interlock/tool_count.hpp"

#include <algorithm>

#include "service/interlock/overloaded.hpp"

namespace tautgate::interlock {
namespace {

// More than a tool may still show or send again that has been told where to go on.
constexpr std::size_t recent_results_kept = 16;
constexpr std::size_t missing_ranges_kept = 16;

// ---- what is missing ----------------------------------------------------------------------------------

// Too many holes become wider ones: what comes in them is kept for a decision, though it may have come
// before.
void note_missing(ToolState& tool, std::uint64_t from, std::uint64_t to) {
    if (from > to)
        return;
    tool.missing.push_back({from, to, false});
    if (tool.missing.size() <= missing_ranges_kept)
        return;
    const MissingRange first = tool.missing.front();
    tool.missing.erase(tool.missing.begin());
    if (auto* broken = std::get_if<Broken>(&tool.count))
        broken->in_turn = false;
    MissingRange& second = tool.missing.front();
    second.from = std::min(first.from, second.from);
    second.to = std::max(first.to, second.to);
    second.accepted = first.accepted && second.accepted;
}

// Takes the number out of what is missing; gives the range in which it was.
std::optional<MissingRange> fill(ToolState& tool, std::uint64_t number) {
    const auto found = std::ranges::find_if(
        tool.missing, [&](const MissingRange& range) { return range.from <= number && number <= range.to; });
    if (found == tool.missing.end())
        return std::nullopt;
    const MissingRange whole = *found;
    const auto at = tool.missing.erase(found);
    if (number < whole.to && number > whole.from) {
        // One hole becomes two; where there is no room for that it stays one, and more is asked about.
        if (tool.missing.size() + 2 > missing_ranges_kept) {
            tool.missing.insert(at, whole);
        } else {
            tool.missing.insert(
                at, {{whole.from, number - 1, whole.accepted}, {number + 1, whole.to, whole.accepted}});
        }
    } else if (number > whole.from) {
        tool.missing.insert(at, {whole.from, number - 1, whole.accepted});
    } else if (number < whole.to) {
        tool.missing.insert(at, {number + 1, whole.to, whole.accepted});
    }
    return whole;
}

// ---- what came before ---------------------------------------------------------------------------------

enum class Twin : std::uint8_t { none, same, other_content };

Twin twin_of(const ToolState& tool, const ResultReceived& result) {
    Twin twin = Twin::none;
    for (const SeenResult& seen : tool.recent) {
        if (seen.epoch != result.epoch || seen.counter != result.reading.counter)
            continue;
        if (seen.digest == result.digest)
            return Twin::same;
        twin = Twin::other_content;
    }
    return twin;
}

void remember(ToolState& tool, const SeenResult& result) {
    tool.recent.push_back(result);
    if (tool.recent.size() > recent_results_kept)
        tool.recent.erase(tool.recent.begin());
}

Arrival in_turn(const ToolState& tool, const ResultReceived& result) {
    const bool of_this_count = !tool.began_anew || made_after(result.made, *tool.began_anew);
    return of_this_count ? Arrival::next : Arrival::maybe_counted;
}

// ---- a count that starts anew -------------------------------------------------------------------------

// Numbers up to `last` were given in the new count and have not come; so was `newest`, which may have.
struct NewCount {
    const std::string& epoch;
    std::uint64_t newest = 0;
    bool newest_came = false;
};

void start_anew(ToolState& tool, const NewCount& count, const Stamp& at) {
    Broken broken;
    if (const auto* following = std::get_if<Following>(&tool.count)) {
        broken.expected = following->counter + 1;
        broken.old_epoch = following->epoch;
    } else if (const auto* before = std::get_if<Broken>(&tool.count)) {
        broken.expected = before->expected;
        broken.old_epoch = before->old_epoch;
    }
    broken.epoch = count.epoch;
    broken.got = broken.newest = count.newest;
    broken.began_anew = true;
    tool.missing.clear();
    if (!count.newest_came)
        note_missing(tool, 0, count.newest);
    else if (count.newest > 0)
        note_missing(tool, 0, count.newest - 1);
    tool.baseline.reset();
    tool.began_anew = at;
    tool.outstanding_to.reset();
    // The same numbers now stand for other results.
    std::erase_if(tool.recent, [&](const SeenResult& seen) { return seen.epoch == count.epoch; });
    std::erase_if(tool.early_curves, [&](const EarlyCurve& early) { return early.epoch == count.epoch; });
    tool.count = std::move(broken);
}

// ---- numbers up to the newest -------------------------------------------------------------------------

Arrival not_newer(ToolState& tool, const ResultReceived& result, const Stamp& at) {
    const std::uint64_t number = result.reading.counter;
    const Twin twin = twin_of(tool, result);
    if (twin == Twin::other_content)
        return Arrival::conflict;
    if (twin == Twin::none) {
        if (const auto range = fill(tool, number))
            return range->accepted ? Arrival::after_all : Arrival::out_of_count;
    }
    const bool early = tool.baseline && number <= *tool.baseline && twin == Twin::none;
    // The newest one that was there when we first asked may be shown until it is acknowledged.
    const bool shown_then = early && number == *tool.baseline;
    // What was made after the newest result came cannot be an earlier one, nor can one be that is neither
    // remembered nor missing: the tool gives its numbers again.
    const bool anew = made_after(result.made, tool.heard) || (twin == Twin::none && !early);
    const bool following = std::holds_alternative<Following>(tool.count);
    if (anew || (early && following && !shown_then)) {
        start_anew(tool, {result.epoch, number, true}, at);
        return Arrival::out_of_count;
    }
    return early ? Arrival::before_baseline : Arrival::repeated;
}

// ---- Following ----------------------------------------------------------------------------------------

Arrival count_following(ToolState& tool, Following& following, const ResultReceived& result,
                        const Stamp& at) {
    const std::uint64_t number = result.reading.counter;
    if (following.epoch != result.epoch) {
        const Twin twin = twin_of(tool, result);
        if (twin != Twin::none)
            return twin == Twin::same ? Arrival::repeated : Arrival::conflict;
        start_anew(tool, {result.epoch, number, true}, at);
        return Arrival::out_of_count;
    }
    if (number <= following.counter)
        return not_newer(tool, result, at);
    if (number == following.counter + 1) {
        following.counter = number;
        return in_turn(tool, result);
    }
    note_missing(tool, following.counter + 1, number - 1);
    tool.count = Broken{.epoch = following.epoch,
                        .expected = following.counter + 1,
                        .got = number,
                        .newest = number,
                        .old_epoch = following.epoch,
                        .began_anew = false,
                        .in_turn = true};
    return Arrival::out_of_count;
}

// ---- Broken -------------------------------------------------------------------------------------------

// What was left out and came in its turn counts: nothing that was made before it still waits for people.
bool comes_in_turn(const Broken& broken, const ResultReceived& result) {
    const std::uint64_t number = result.reading.counter;
    return broken.in_turn && number == broken.expected && number < broken.got;
}

// Whole again, or the next hole.
void look_at_holes(ToolState& tool) {
    auto* broken = std::get_if<Broken>(&tool.count);
    if (broken == nullptr || broken->began_anew)
        return;
    const auto open = std::ranges::find(tool.missing, false, &MissingRange::accepted);
    if (open == tool.missing.end()) {
        tool.count = Following{broken->epoch, broken->newest};
        return;
    }
    broken->in_turn = broken->in_turn && open->from == broken->expected;
    broken->expected = open->from;
    broken->got = open->to + 1;
}

Arrival of_another_count(ToolState& tool, const Broken& broken, const ResultReceived& result,
                         const Stamp& at) {
    const Twin twin = twin_of(tool, result);
    if (twin != Twin::none)
        return twin == Twin::same ? Arrival::repeated : Arrival::conflict;
    if (result.epoch != broken.old_epoch)
        start_anew(tool, {result.epoch, result.reading.counter, true}, at);
    return Arrival::out_of_count;
}

Arrival count_broken(ToolState& tool, Broken& broken, const ResultReceived& result, const Stamp& at) {
    if (result.epoch != broken.epoch)
        return of_another_count(tool, broken, result, at);
    const std::uint64_t number = result.reading.counter;
    if (number > broken.newest) {
        note_missing(tool, broken.newest + 1, number - 1);
        broken.newest = number;
        return Arrival::out_of_count;
    }
    const bool in_its_turn = comes_in_turn(broken, result);
    const Arrival arrival = not_newer(tool, result, at);
    const bool counts = in_its_turn && arrival == Arrival::out_of_count;
    if (auto* still = std::get_if<Broken>(&tool.count); still != nullptr && counts)
        still->expected += 1;
    look_at_holes(tool);
    return counts ? in_turn(tool, result) : arrival;
}

Arrival place_in_count(ToolState& tool, const ResultReceived& result, const Stamp& at) {
    if (std::holds_alternative<NoBaseline>(tool.count)) {
        tool.count = Following{result.epoch, result.reading.counter};
        tool.baseline = result.reading.counter;
        return Arrival::before_baseline;
    }
    if (auto* following = std::get_if<Following>(&tool.count))
        return count_following(tool, *following, result, at);
    return count_broken(tool, std::get<Broken>(tool.count), result, at);
}

// A tool that named a newer one than it does now has lost it, and will give its number to another.
bool went_back(const ToolState& tool, std::uint64_t last) {
    return tool.outstanding_to && last < *tool.outstanding_to;
}

// Results that the tool holds and that we lack.
void note_outstanding(ToolState& tool, std::uint64_t newest, std::uint64_t last) {
    tool.outstanding_to = last > newest ? std::optional(last) : std::nullopt;
}

}  // namespace

bool made_after(const Interval& made, const Stamp& since) {
    return made.boot == since.boot ? made.from_ns >= since.monotonic_ns : made.from_ns >= 0;
}

bool made_within(const Interval& made, const Stamp& from, const std::optional<Stamp>& until) {
    const bool before_end = !until || (until->boot == made.boot && made.to_ns <= until->monotonic_ns);
    return made_after(made, from) && before_end;
}

bool pass_over(ToolState& tool, const SeenResult& aside, const Stamp& at) {
    auto* following = std::get_if<Following>(&tool.count);
    if (following == nullptr || following->epoch != aside.epoch || following->counter + 1 != aside.counter)
        return false;
    following->counter = aside.counter;
    remember(tool, aside);
    tool.heard = at;
    return true;
}

Arrival count(ToolState& tool, const ResultReceived& result, const Stamp& at) {
    const Arrival arrival = place_in_count(tool, result, at);
    if (arrival == Arrival::repeated)
        return arrival;
    remember(tool, {result.epoch, result.reading.counter, result.digest});
    tool.heard = at;
    const auto* following = std::get_if<Following>(&tool.count);
    const bool all_came =
        following != nullptr && tool.outstanding_to && *tool.outstanding_to <= following->counter;
    if (all_came)
        tool.outstanding_to.reset();
    return arrival;
}

void take_word(ToolState& tool, const ToolAnswered& answered, const Stamp& at) {
    const NewCount anew{answered.epoch, answered.last, false};
    if (std::holds_alternative<NoBaseline>(tool.count)) {
        tool.count = Following{answered.epoch, answered.last};
        tool.baseline = answered.last;
    } else if (const auto* following = std::get_if<Following>(&tool.count)) {
        if (following->epoch != answered.epoch || answered.last < following->counter ||
            went_back(tool, answered.last))
            start_anew(tool, anew, at);
        else
            note_outstanding(tool, following->counter, answered.last);
    } else {
        auto& broken = std::get<Broken>(tool.count);
        if (broken.epoch != answered.epoch || answered.last < broken.newest ||
            went_back(tool, answered.last)) {
            start_anew(tool, anew, at);
        } else if (broken.began_anew) {
            if (answered.last > broken.newest)
                note_missing(tool, broken.newest + 1, answered.last);
            broken.newest = answered.last;
        } else {
            note_outstanding(tool, broken.newest, answered.last);
        }
    }
    tool.heard = at;
}

void accept_gap(ToolState& tool) {
    if (const auto* broken = std::get_if<Broken>(&tool.count))
        tool.count = Following{broken->epoch, broken->newest};
    // What the tool holds and cannot show, or shows in words that nobody understands, is part of the gap: it
    // may drop that, or it would show it for ever.
    if (auto* following = std::get_if<Following>(&tool.count);
        following != nullptr && tool.outstanding_to && *tool.outstanding_to > following->counter) {
        note_missing(tool, following->counter + 1, *tool.outstanding_to);
        following->counter = *tool.outstanding_to;
    }
    for (MissingRange& range : tool.missing)
        range.accepted = true;
    tool.conflict = false;
    tool.outstanding_to.reset();
    tool.asked = true;
}

}  // namespace tautgate::interlock
