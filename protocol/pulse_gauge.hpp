// Pulses of a contact that is looked at from time to time: the click of a wrench, a push button. A contact
// bounces, so a level counts only once it has stood still for the debounce time; it then counts from the
// first look that saw it. A pulse is measured from its first look to the first look without it, and is good
// from the shortest to the longest length, both included; any other is told with its length.
//
// In doubt nothing is counted: the level that is seen first is where it stands and no pulse; where nobody
// looked for longer than the shortest pulse lasts, or the looks ended, a pulse under way is given up, and
// what is seen next is where it stands again. So bounces shorter than the debounce time never make a pulse,
// nor two of one, and a late look can lose a pulse but never make one up.
//
// Pure: the caller brings the times, never backwards. Belongs to one input and its thread.
#pragma once

#include <chrono>
#include <optional>
#include <string>
#include <variant>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

using PulseTime = std::chrono::nanoseconds;  // of one steady clock

// A level that has stood still for the debounce time.
struct SettledLevel {
    bool active = false;
    PulseTime since{};   // the first look that saw it
    PulseTime before{};  // the last look that did not; `since` where there was none
    bool operator==(const SettledLevel&) const = default;
};

class Debouncer {
  public:
    explicit Debouncer(PulseTime debounce) : debounce_(debounce) {}

    // The level that settles with this look, where it is another than before or the first.
    [[nodiscard]] std::optional<SettledLevel> look(PulseTime at, bool active);
    [[nodiscard]] const std::optional<SettledLevel>& settled() const noexcept { return settled_; }
    // Asked before look(): the settled level is there again, and was not seen for so long that it may have
    // been another one meanwhile, although none settled.
    [[nodiscard]] bool has_lapsed(PulseTime at, bool active, PulseTime longest) const noexcept {
        return settled_ && settled_->active == active && at - held_ > longest;
    }
    // Nobody has looked: what is seen next is where it stands.
    void forget() noexcept;

  private:
    PulseTime debounce_;
    PulseTime held_{};  // the newest look that saw the settled level
    std::optional<SettledLevel> settled_;
    std::optional<SettledLevel> candidate_;  // what the newest looks saw, all of them
    std::optional<PulseTime> looked_;
};

struct PulseLimits {
    PulseTime debounce{};
    PulseTime shortest{};
    PulseTime longest{};
    bool operator==(const PulseLimits&) const = default;
};

struct GoodPulse {
    PulseTime after{};  // the last look before it
    PulseTime began{};  // the first look that saw it
    PulseTime length{};
    bool operator==(const GoodPulse&) const = default;
};
struct TooShort {
    PulseTime length{};
    bool operator==(const TooShort&) const = default;
};
struct TooLong {
    PulseTime length{};
    bool operator==(const TooLong&) const = default;
};
// It has lasted longer than the longest pulse and still does; told once, as soon as that is so.
struct StillOn {
    PulseTime length{};  // so far
    bool operator==(const StillOn&) const = default;
};
// A pulse was under way when nobody looked any more.
struct CutOff {
    PulseTime unwatched{};  // how long nobody looked; zero where the looks ended
    bool operator==(const CutOff&) const = default;
};
using PulseNews = std::variant<GoodPulse, TooShort, TooLong, StillOn, CutOff>;

// "40.0 ms": with one digit behind the point, and with as many more as tell it from the limit that it misses.
[[nodiscard]] std::string pulse_text(PulseTime length, std::optional<PulseTime> limit = std::nullopt);

class PulseGauge {
  public:
    // The shortest pulse is at least as long as the debounce time.
    explicit PulseGauge(PulseLimits limits) : limits_(limits), level_(limits.debounce) {}

    [[nodiscard]] std::optional<PulseNews> look(PulseTime at, bool active);
    // The looks end here; the next one is a first one.
    [[nodiscard]] std::optional<PulseNews> end();

  private:
    [[nodiscard]] std::optional<PulseNews> give_up(PulseTime unwatched);
    [[nodiscard]] std::optional<PulseNews> settle(const SettledLevel& level);
    [[nodiscard]] PulseNews measured(PulseTime end) const;

    PulseLimits limits_;
    Debouncer level_;
    std::optional<SettledLevel> pulse_;  // the one under way, whose beginning was seen
    std::optional<PulseTime> looked_;
    bool told_still_on_ = false;
};

}  // namespace tautgate::protocol
