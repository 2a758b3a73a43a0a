// How far a source can be believed, worked out from its signs of life: unknown at the start, good after a
// settling time of them, stale when they stop, failed on an error. Good needs evidence and time; the loss of
// it needs neither.
//
// A source that keeps coming and going before it was good again is one change with a count, not a change
// each. Pure: the caller brings the time (of one steady clock, never backwards). Belongs to one thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>

#include "service/interlock/event.hpp"

namespace tautgate::links {

using SteadyTime = std::chrono::steady_clock::time_point;

// What became of a source since the start of the service.
struct LinkCounts {
    std::uint64_t became_good = 0;
    std::uint64_t lost = 0;      // good no longer
    std::uint64_t failures = 0;  // could not be reached, or broke
    bool operator==(const LinkCounts&) const = default;
};

// How the polls of a tool or module ended since the start.
struct PollCounts {
    std::uint64_t good = 0;
    std::uint64_t failed = 0;     // no connection, no answer, a wrong one
    std::uint64_t skipped = 0;    // due while an earlier one still ran
    std::uint64_t discarded = 0;  // answered, but torn or not understood
    bool operator==(const PollCounts&) const = default;
};

// For health: what is known of a source at this moment.
struct SourceHealth {
    std::string name;  // id of the tool, scanner or bay
    interlock::Quality quality = interlock::Quality::unknown;
    std::optional<std::chrono::milliseconds> age{};  // of the last sign of life; none: there never was one
    std::string why{};                               // one sentence; empty while the source is good
    LinkCounts counts{};
    std::optional<PollCounts> polls{};  // of a tool or module that is polled
};

struct QualityChange {
    interlock::Quality quality = interlock::Quality::unknown;
    std::string why;            // one sentence
    std::uint32_t changes = 1;  // those that this one stands for, itself included
    bool operator==(const QualityChange&) const = default;
};

class Freshness {
  public:
    struct Limits {
        std::chrono::milliseconds silence{2000};   // without a sign of life for longer than this: stale
        std::chrono::milliseconds settling{1000};  // of signs of life, none further apart than `silence`
        // Between two changes that both say that the source is not good. The loss of good never waits.
        std::chrono::milliseconds quiet{10'000};
    };

    explicit Freshness(Limits limits) : limits_(limits) {}

    // Each returns the change that has to be told now, if there is one.
    [[nodiscard]] std::optional<QualityChange> alive(SteadyTime now);
    [[nodiscard]] std::optional<QualityChange> failed(SteadyTime now, std::string why);
    // Call it often: nothing else notices silence.
    [[nodiscard]] std::optional<QualityChange> look(SteadyTime now);

    [[nodiscard]] interlock::Quality quality() const noexcept { return quality_; }
    [[nodiscard]] std::optional<SteadyTime> last_sign() const noexcept { return last_sign_; }
    [[nodiscard]] SourceHealth health(std::string name, SteadyTime now) const;

  private:
    [[nodiscard]] bool silent(SteadyTime now) const;
    [[nodiscard]] std::optional<QualityChange> become(SteadyTime now, interlock::Quality quality,
                                                      std::string why);
    [[nodiscard]] std::optional<QualityChange> tell(SteadyTime now);

    Limits limits_;
    interlock::Quality quality_ = interlock::Quality::unknown;
    std::string why_ = "nothing was heard yet";
    std::optional<SteadyTime> last_sign_;
    std::optional<SteadyTime> settling_since_;  // of the signs of life that may lead to good
    std::optional<SteadyTime> told_;
    std::uint32_t untold_ = 0;
    LinkCounts counts_;
};

}  // namespace tautgate::links
