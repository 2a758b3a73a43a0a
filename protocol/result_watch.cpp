#include "protocol/result_watch.hpp"

#include <algorithm>
#include <utility>

#include <fmt/format.h>

#include "protocol/register_image.hpp"
#include "protocol/register_plan.hpp"

namespace tautgate::protocol {

namespace {

// What the raw number in a counter register says, against the last known count.
WatchOutcome follow(const CounterField& counter, KnownResult& known, std::uint64_t raw) {
    const std::uint64_t expected = known.counter + 1;
    if (raw < counter.lowest || raw > counter.highest) {  // below: "no result yet"; above: no such count
        if (raw == known.counter)
            return NoNew{};
        known.counter = raw;
        return Jump{expected, raw, std::nullopt};
    }
    const std::uint64_t last = counter.highest - counter.lowest;  // ring size minus one, which always fits
    const auto ring = static_cast<WideSigned>(last) + 1;
    const WideSigned distance = (WideSigned{raw} - known.counter) % ring;
    const auto advance = static_cast<std::uint64_t>(distance < 0 ? distance + ring : distance);
    if (advance == 0)
        return NoNew{};
    if (advance > last / 2 + 1) {
        known.counter = raw;
        return Jump{expected, raw, std::nullopt};
    }
    known.counter += advance;
    if (advance == 1)
        return NewResult{known.counter};
    return Jump{expected, known.counter, advance - 1};
}

bool marked_by_stamp(const RegisterProfile& profile) { return profile.stamp && profile.stamp->marks_result; }

// Of a second read that is compared as a whole: what the profile names, and how the result shows.
std::vector<std::uint16_t> compared(const RegisterProfile& profile, std::span<const std::uint16_t> words) {
    if (profile.ring)
        return {words.begin(), words.end()};
    auto content = content_of(profile, words);
    const auto blocks = reads_of(profile);
    const RegisterImage image(profile, blocks, words);
    for (const RegisterField* mark : {profile.toggle ? &*profile.toggle : nullptr,
                                      profile.handshake ? &profile.handshake->ready : nullptr})
        if (mark != nullptr) {
            const std::uint64_t bits = image.bits("", *mark).value_or(0);
            for (const unsigned part : {0U, 16U, 32U, 48U})
                content.push_back(static_cast<std::uint16_t>(bits >> part));
        }
    return content;
}

// The number by which the tool says how far it is; of a ring the newest one's, outside of the slots.
const RegisterField& count_field(const RegisterProfile& profile) {
    return profile.ring ? profile.ring->newest : profile.counter->field;
}

// By what a tool without a counter shows its next result.
std::expected<std::uint64_t, DecodeFault> mark_in(const RegisterProfile& profile,
                                                  const RegisterImage& image) {
    if (profile.toggle)
        return image.whole("toggle", *profile.toggle);
    if (profile.handshake)
        return image.whole("handshake", profile.handshake->ready);
    return std::unexpected(DecodeFault{"counter", "nothing in the profile tells a new result",
                                       "name a counter, a toggle, a stamp or a handshake", std::nullopt});
}

// All of the stamp, whatever its kind: any difference is another one.
std::expected<std::vector<std::uint64_t>, DecodeFault> marks_in(const RegisterProfile& profile,
                                                                const RegisterImage& image) {
    if (!marked_by_stamp(profile)) {
        auto mark = mark_in(profile, image);
        if (!mark)
            return std::unexpected(std::move(mark.error()));
        return std::vector{*mark};
    }
    std::vector<std::uint64_t> marks;
    RegisterField part = profile.stamp->field;
    const std::size_t parts = profile.stamp->kind == StampKind::calendar ? calendar_registers : 1;
    for (std::size_t i = 0; i < parts; ++i, ++part.address) {
        auto value = image.bits("stamp", part);
        if (!value)
            return std::unexpected(std::move(value.error()));
        marks.push_back(*value);
    }
    return marks;
}

}  // namespace

std::optional<BlockRange> second_read_of(const RegisterProfile& profile) {
    if (profile.second_read == SecondRead::block || !profile.counter)
        return std::nullopt;
    const FieldPlace place = place_of(profile, count_field(profile));
    return BlockRange{place.table, place.address, static_cast<std::uint16_t>(place.count)};
}

std::expected<WatchOutcome, DecodeFault> ResultWatch::observe(const RegisterProfile& profile,
                                                              std::span<const std::uint16_t> words,
                                                              std::span<const std::uint16_t> again,
                                                              bool familiar) {
    const auto blocks = reads_of(profile);
    const RegisterImage first(profile, blocks, words);
    if (auto fault = first.wrong_length())
        return std::unexpected(std::move(*fault));
    return profile.counter ? counted(profile, first, again) : marked(profile, first, again, familiar);
}

// Torn, or a second read that cannot be compared; nothing: both reads are the same.
std::optional<ResultWatch::Seen> ResultWatch::unlike(const RegisterProfile& profile,
                                                     const RegisterImage& first,
                                                     std::span<const std::uint16_t> again,
                                                     std::optional<std::uint64_t> counter) {
    const auto part = second_read_of(profile);
    const auto once = part ? first.registers({part->table, part->start, part->length}).value_or(first.words())
                           : first.words();
    if (again.size() != once.size())
        return std::unexpected(DecodeFault{
            "counter",
            fmt::format("the second read has {} registers instead of {}", again.size(), once.size()),
            "check what the tool answers", counter});
    const bool same =
        std::ranges::equal(once, again) || (!part && compared(profile, once) == compared(profile, again));
    return same ? std::nullopt : std::optional<Seen>(Torn{});
}

std::expected<WatchOutcome, DecodeFault> ResultWatch::counted(const RegisterProfile& profile,
                                                              const RegisterImage& first,
                                                              std::span<const std::uint16_t> again) {
    const auto raw = first.whole("counter", count_field(profile));
    if (!raw)
        return std::unexpected(raw.error());
    if (const auto fault_or_torn = unlike(profile, first, again, *raw))
        return *fault_or_torn;
    std::optional<std::uint64_t> epoch;
    if (profile.epoch) {
        const auto value = first.whole("epoch", *profile.epoch);
        if (!value)
            return std::unexpected(value.error());
        epoch = *value;
    }
    return by_count(profile, *raw, epoch);
}

std::expected<WatchOutcome, DecodeFault> ResultWatch::marked(const RegisterProfile& profile,
                                                             const RegisterImage& first,
                                                             std::span<const std::uint16_t> again,
                                                             bool familiar) {
    auto marks = marks_in(profile, first);
    if (!marks)
        return std::unexpected(std::move(marks.error()));
    if (const auto fault_or_torn = unlike(profile, first, again, std::nullopt))
        return *fault_or_torn;
    Look look{std::move(*marks), content_of(profile, first.words())};
    const bool by_handshake = !profile.toggle && !marked_by_stamp(profile);
    return by_handshake ? by_ready(profile, std::move(look), familiar)
                        : by_change(std::move(look), marked_by_stamp(profile) && familiar);
}

WatchOutcome ResultWatch::by_count(const RegisterProfile& profile, std::uint64_t raw,
                                   std::optional<std::uint64_t> epoch) {
    if (!known_) {
        known_ = KnownResult{raw, epoch};
        return Baseline{raw};
    }
    if (epoch && known_->epoch && *epoch != *known_->epoch) {
        const std::uint64_t before = *known_->epoch;
        known_ = KnownResult{raw, epoch};
        return Restarted{before, *epoch, raw};
    }
    known_->epoch = epoch;
    return follow(*profile.counter, *known_, raw);
}

// Two changes between two looks would look like none; while it is watched, that is taken not to be.
WatchOutcome ResultWatch::by_change(Look look, bool nothing_happened) {
    const auto gap = std::exchange(unwatched_, std::nullopt);
    const auto before = std::exchange(last_, std::move(look));
    if (!known_) {
        known_ = KnownResult{0, gap};
        return Baseline{0};
    }
    if (!gap) {
        if (before && before->marks == last_->marks)
            return NoNew{};
        return NewResult{++known_->counter};
    }
    if (nothing_happened)
        return NoNew{};
    // What it shows may be new or the one that we had: kept under the new count, for people to say.
    return begin_count(*gap);
}

// It keeps its result until it is told that it is stored, so that nothing is lost while nobody looks.
WatchOutcome ResultWatch::by_ready(const RegisterProfile& profile, Look look, bool familiar) {
    const auto gap = std::exchange(unwatched_, std::nullopt);
    const auto before = std::exchange(last_, std::move(look));
    const auto waits = [](const Look& at) { return at.marks.front() != 0; };
    const bool ready = waits(*last_);
    if (!known_) {
        known_ = KnownResult{ready ? std::uint64_t{1} : std::uint64_t{0}, gap};
        return Baseline{known_->counter};
    }
    const bool alike = before ? waits(*before) && before->content == last_->content : familiar;
    if (ready && alike) {
        // Between two starts of the service nobody here knows what the tool was told.
        const bool was_free = !before || let_go_;
        // A time of its own tells its results apart. Without one it shows the last result or one like it:
        // kept under a new count, for people to say.
        if (!gap || !was_free || profile.stamp)
            return NoNew{};
        let_go_ = false;
        return begin_count(*gap);
    }
    let_go_ = false;
    if (!ready)
        return NoNew{};
    return NewResult{++known_->counter};
}

// What was made meanwhile nobody knows.
WatchOutcome ResultWatch::begin_count(std::uint64_t epoch) {
    const std::uint64_t before = known_->epoch.value_or(0);
    known_ = KnownResult{1, epoch};
    return Restarted{before, epoch, 1};
}

}  // namespace tautgate::protocol
