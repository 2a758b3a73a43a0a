// What goes over the line to a controller and what comes back, without the line: which words are due when,
// and what a feedback says of them. The time is given, so that a test decides how it passes. Pure; not shared
// between threads.
//
// In doubt the words say withheld, and a feedback is no sign of life.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <deque>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/permissive_block.hpp"
#include "service/interlock/event.hpp"
#include "service/links/controller_link.hpp"

namespace tautgate::links {

using Instant = SteadyTime;

struct ControlledPoint {
    domain::PermissiveId id;
    protocol::BlockAddress address;
    bool one_shot = false;
};

// The part of the station description that one line is about.
struct ControllerFrame {
    domain::BayId bay;
    config::ControllerLink link;
    std::vector<ControlledPoint> points;  // in the order of their blocks
};

[[nodiscard]] ControllerFrame controller_frame(const config::Station& station, const config::Bay& bay);

// What the sensors at the equipment say against a release of one permissive.
struct PointGuard {
    bool open = false;
    std::uint16_t moved = 0;  // movements seen
    bool operator==(const PointGuard&) const = default;
};

// The permissive blocks of a bay, as they are to stand on the wire.
class Outgoing {
  public:
    // `first_beat` should differ from run to run: an echo that stood at the controller before is then no
    // echo.
    Outgoing(const ControllerFrame& frame, std::uint16_t first_beat);

    void order(std::vector<PermissiveOrder> orders, std::uint16_t loop_beat, Instant now);
    // Everything up to there is. Orders that wait for more stand as withheld.
    void durable(domain::EventNumber up_to) { durable_ = up_to; }
    // Whether the controller's echo can be believed. A release waits for orders that were given after it
    // could.
    void trust(bool echo_is_good);
    // From now on withheld, whatever is ordered.
    void end() { ended_ = true; }
    [[nodiscard]] bool ended() const noexcept { return ended_; }
    // Of equipment that does not guard itself: an order goes out only where the point is open and the order
    // takes as many movements into account as were seen. Empty: the equipment does that.
    void guard(std::vector<PointGuard> guards) { guards_ = std::move(guards); }

    // When the next words must go out; not later than `now`: at once.
    [[nodiscard]] Instant due(Instant now) const;
    // Something that was shown as out must be so no longer.
    [[nodiscard]] bool withholds(Instant now) const { return !shown_.empty() && withholding(now); }
    // The words of all blocks in a row, to be sent now. The beat goes on if the loop's did.
    [[nodiscard]] std::vector<std::uint16_t> take(Instant now);
    // The controller confirmed the words last taken; in the server role they stand in the registers.
    void sent();
    // No answer: whether they arrived is not known, and they are due again.
    void lost() { shown_.clear(); }

    [[nodiscard]] std::vector<domain::PermissiveId> released_on_wire() const;
    // By point, whether it may stand as released at the controller; and whether it does by the words last
    // taken.
    [[nodiscard]] std::vector<bool> maybe_on() const;
    [[nodiscard]] std::vector<bool> on() const;
    // Of the words last taken.
    [[nodiscard]] std::uint16_t beat() const noexcept { return beat_; }
    // The loop gave no beat for the echo time-out.
    [[nodiscard]] bool loop_is_silent(Instant now) const;

    // When words with this beat were first taken in this run; nothing: never, or long ago.
    [[nodiscard]] std::optional<Instant> first_shown(std::uint16_t beat) const;
    // Whether the point had the state that comes back, for its token and, where it is one-shot, its count of
    // movements, under the beat that comes back. Withheld is always allowed.
    [[nodiscard]] bool may_act(std::size_t point, const protocol::FeedbackBlock& back) const;

  private:
    struct Shown {
        protocol::Code code = protocol::Code::withheld;
        std::uint32_t token = 0;
        std::uint16_t reason = 0;
        std::uint16_t moved = 0;
        bool operator==(const Shown&) const = default;
    };
    using Row = std::vector<Shown>;
    struct Beat {
        std::uint16_t beat = 0;
        Instant since;
        std::vector<Row> rows;  // everything that was shown under it
    };

    [[nodiscard]] Row row(Instant now) const;
    [[nodiscard]] bool is_guarded(std::size_t point) const;
    [[nodiscard]] bool withholding(Instant now) const;
    void remember(const Row& row, Instant now);

    ControllerFrame frame_;
    Row ordered_;
    std::vector<domain::EventNumber> once_durable_;  // of each of them
    domain::EventNumber durable_;
    std::optional<std::uint16_t> loop_beat_;
    Instant ordered_at_{};
    bool fresh_beat_ = false;  // the loop's beat went on since the last words
    bool trusted_ = false;
    bool stale_orders_ = true;  // given before the echo was good
    bool ended_ = false;
    std::vector<PointGuard> guards_;
    std::uint16_t beat_;
    Row shown_;  // last taken; empty: nothing, or whether it arrived is not known
    Instant shown_at_{};
    // When the beat last went on, oldest first. A controller takes a beat that went on by eight at most since
    // its last scan; so a change that is no withhold waits where it would be the eighth within a beat
    // interval, which leaves room for a withhold.
    std::array<Instant, protocol::beat_advance_max - 1> advances_{};
    std::vector<bool> confirmed_;  // released, by point
    std::vector<bool> possible_;   // released by words that may have arrived since
    std::deque<Beat> beats_;
};

// What one feedback says.
struct FeedbackSeen {
    // When the newest words that the controller has accepted for every permissive were first shown.
    std::optional<Instant> alive_as_of;
    std::string why_not;      // without the above: what is missing
    bool acts_alone = false;  // it acts on a release that was not given: worse than silence
    // Nothing, if the blocks could not be read, contradict each other or say what was said before.
    std::optional<interlock::ControllerReported> report;
};

// The feedback blocks of a bay.
class Incoming {
  public:
    explicit Incoming(const ControllerFrame& frame) : frame_(frame) {}
    // `words` are all blocks in a row.
    [[nodiscard]] FeedbackSeen take(std::span<const std::uint16_t> words, const Outgoing& outgoing);
    // The next whole feedback is reported even if it says nothing new.
    void report_again() { last_.reset(); }
    // As of the last whole feedback.
    [[nodiscard]] const std::optional<interlock::ControllerReported>& last() const { return last_; }

  private:
    ControllerFrame frame_;
    std::optional<interlock::ControllerReported> last_;
};

}  // namespace tautgate::links
