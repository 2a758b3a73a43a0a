// What simple equipment shows and what the station makes of it: coils and inputs instead of blocks, without
// the line. The equipment counts nothing, so the station counts for it, from debounced edges; and it guards
// nothing, so the station takes a coil back as soon as a movement is seen or the unit is not.
//
// A sensor is believed only while the line is alive, or while the I/O module that has it is. After a gap the
// counts go on from what was known before: where a level differs there was an edge, whatever else happened
// meanwhile; and one is added to the starts, since nobody can tell whether the same unit stands there.
//
// A coil that is on while the equipment says that it does not act on it: its program began anew or its unit
// was exchanged between two looks, since a release that was on before either counts for nothing there. That
// is a gap as well; the release is given anew once people have said which unit it is. So are two looks so far
// apart that a unit may have been exchanged between them.
//
// The alive coil is switched over at most once with each beat of the loop, and not before the equipment has
// echoed the last time: so an echo that stands still is never mistaken for one that follows.
//
// Pure: the time is given. Belongs to one thread.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/pulse_gauge.hpp"
#include "protocol/register_plan.hpp"
#include "service/links/controller_blocks.hpp"

namespace tautgate::links {

class CoilSignals {
  public:
    // `frame` must be of a bay by coils; its points name what the description lists. Without `known` the
    // counts begin at zero.
    CoilSignals(const ControllerFrame& frame, const std::optional<KnownOfBay>& known);

    // The bits to be read, and room for them in a row.
    [[nodiscard]] const std::vector<protocol::BlockRange>& reads() const noexcept { return blocks_; }

    // Of an I/O module at the bay: a settled level, nothing while it is not known. Others' inputs are passed
    // over.
    void sensed(const config::IoInput& input, std::optional<bool> level, Instant now);

    // `words` are the bits read, in the order of `reads`; `on`: by point, whether its coil may be on.
    [[nodiscard]] FeedbackSeen take(std::span<const std::uint16_t> words, const std::vector<bool>& on,
                                    Instant now);
    // Nothing can be read. What only the equipment tells is not known any more.
    [[nodiscard]] FeedbackSeen lost(Instant now);
    // Only what modules tell may have changed.
    [[nodiscard]] FeedbackSeen look(Instant now);
    void report_again() { last_.reset(); }
    // As of the last look.
    [[nodiscard]] const interlock::ControllerReported& report() const noexcept { return report_; }

    [[nodiscard]] std::vector<PointGuard> guards() const;

    // The level to be written to the alive coil, with words of this beat; `ended`: it stands still.
    [[nodiscard]] bool alive(std::uint16_t beat, bool ended, Instant now);
    // Words go out by which these coils may be on from now on; and they have arrived.
    void writes(const std::vector<bool>& on, Instant now);
    void sent() { written_ = true; }

  private:
    // One sensor, at the equipment or at a module.
    struct Sensor {
        std::optional<config::ControllerBit> bit;  // nothing: a module tells it
        protocol::Debouncer debouncer;
        std::optional<bool> raw;  // nothing: not known now
        std::optional<bool>
            known;  // settled, as last taken into account; before the first look from the record
        std::optional<bool> settled;
        Instant changed_after{};  // the last look before the settled level was first seen
    };
    struct Point {
        Sensor moved;
        std::optional<config::ControllerBit> acting;
        std::uint16_t count = 0;
        std::optional<Instant> on_at;  // when its coil may last have been on
        bool acts = false;
        bool heeded = false;                    // it acted on the release that is on
        std::optional<Instant> unheeded_since;  // on, and not acted on
    };

    [[nodiscard]] bool bit_of(const config::ControllerBit& bit, std::span<const std::uint16_t> words) const;
    void note_unheeded(Point& point, bool on, Instant now);
    [[nodiscard]] bool is_too_long(std::optional<Instant> since, Instant now) const;
    void take_signs(std::span<const std::uint16_t> words, Instant now);
    void take_bit(Sensor& sensor, bool level, Instant now);
    void take_sensor(Sensor& sensor, std::optional<bool> level, Instant now);
    [[nodiscard]] bool is_alive(Instant now) const;
    [[nodiscard]] std::optional<Instant> alive_as_of() const;
    [[nodiscard]] bool all_settled() const;
    void count(Instant now);
    [[nodiscard]] std::optional<std::string> acts_alone(Instant now) const;
    [[nodiscard]] std::string why_not_alive() const;
    [[nodiscard]] FeedbackSeen seen(Instant now);

    ControllerFrame frame_;
    config::CoilPlan plan_;
    std::vector<protocol::BlockRange> blocks_;
    Sensor present_;
    std::vector<Point> points_;
    bool gap_ = true;                 // some sensor was not known since the last count
    std::optional<Instant> read_at_;  // when the bits of the equipment came last
    std::optional<Instant> counted_at_;
    interlock::ControllerReported report_;
    std::optional<interlock::ControllerReported> last_;  // as told
    // Signs of life.
    bool alive_ = false;
    bool written_ = false;               // since it was switched over, or at all
    bool switched_ = false;              // in this run
    bool echoed_ = false;                // the level that stands there now
    std::optional<std::uint16_t> beat_;  // with which it was switched over last
    Instant switched_at_{};
    std::optional<Instant> echo_sign_;
    std::optional<bool> heartbeat_;
    std::optional<Instant> heartbeat_sign_;
};

}  // namespace tautgate::links
