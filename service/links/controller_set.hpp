// What several controllers of one bay say, put together as if one had said it: the main one tells of the
// unit, and each has some of the bay's permissives. The time is given, so that a test decides how it passes.
// Pure; belongs to one thread.
//
// In doubt it says what withholds:
// - the link is as good as the worst of them;
// - a token counts as taken once all have it, and of a further controller only while it sees the unit as the
//   main one does and has counted the same arrivals;
// - nothing is told before each of them was heard;
// - the main one's news of a unit waits until each further one has answered a block that was sent after it,
// so
//   that no unit is counted as gone, or as come, before the movement that explains it; for a controller that
//   is not heard it waits no longer.
//
// A further controller that goes on counting other arrivals than the main one has seen another unit, or the
// main one has: that is told like a start of its program, after which nobody knows what stands there.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <optional>
#include <string>
#include <vector>

#include "config/controllers.hpp"
#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"

namespace tautgate::links {

class ControllerSet {
  public:
    using Released = std::vector<domain::PermissiveId>;
    using Told = std::vector<interlock::Payload>;  // in this order

    struct Member {
        std::string name;  // in a sentence
        // Its sight of the unit may differ from the main one's for so long.
        std::chrono::milliseconds presence_within{0};
    };

    // The main one first, and at least one more.
    ControllerSet(domain::BayId bay, std::vector<Member> members);

    // Each gives what is to be told of the bay. `member` counts as in the constructor's list.
    //
    // `released`: what all of them had as released on the wire when this report came.
    [[nodiscard]] Told take(std::size_t member, interlock::ControllerReported report,
                            const Released& released, SteadyTime now);
    [[nodiscard]] Told take(std::size_t member, const interlock::ControllerLinkChanged& changed,
                            SteadyTime now);
    // A sign of life of the member: what it says was taken already, and it said that with blocks in hand that
    // did not go out before `as_of`.
    [[nodiscard]] Told alive(std::size_t member, SteadyTime as_of, SteadyTime now);
    // At which of them the wiring is being tried now: only those echo what it is tried with. At none: each
    // echoes the token of its unit.
    void tries_wiring(const std::vector<bool>& members);
    // Call it often: nothing else notices that time has passed.
    [[nodiscard]] Told look(SteadyTime now);

  private:
    struct Device {
        Member member;
        interlock::Quality quality = interlock::Quality::unknown;
        std::string why;
        std::optional<interlock::ControllerReported> said;
        std::optional<SteadyTime> alive_as_of{};
        // Arrivals that it has counted beyond the main one's, as they were when both agreed last.
        std::uint16_t ahead = 0;
        std::optional<SteadyTime> differs_since{};
        bool differs_long = false;
        bool tried = false;
    };
    // News of a unit that waits until the further ones have answered since.
    struct Waiting {
        interlock::ControllerReported report;
        Released released;
        SteadyTime since;
    };

    [[nodiscard]] const interlock::ControllerReported& of_main() const { return *devices_.front().said; }
    [[nodiscard]] bool all_heard() const;
    [[nodiscard]] bool all_good() const;
    [[nodiscard]] std::uint16_t ahead_now(const Device& device) const;
    [[nodiscard]] bool differs(const Device& device) const;
    void compare(SteadyTime now);
    [[nodiscard]] bool brings_news_of_a_unit(const interlock::ControllerReported& report) const;
    [[nodiscard]] bool may_be_told(const Waiting& waiting) const;
    void let_out(Told& told, SteadyTime now);

    [[nodiscard]] const Device& worst() const;
    [[nodiscard]] interlock::Presence presence() const;
    [[nodiscard]] std::uint16_t starts() const;
    [[nodiscard]] domain::Token echoed() const;
    [[nodiscard]] interlock::ControllerReported merged() const;
    void tell(Told& told, const Released& released, bool again);

    domain::BayId bay_;
    std::vector<Device> devices_;  // the main one first
    std::deque<Waiting> waiting_;
    interlock::Quality quality_ = interlock::Quality::unknown;  // as told
    std::size_t named_ = 0;                                     // whose it was
    std::optional<interlock::ControllerReported> told_;
};

}  // namespace tautgate::links
