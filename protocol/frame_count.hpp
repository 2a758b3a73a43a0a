// Which result of a tool that sends frames this is: its own number where the tool counts, unrolled so that
// after 65535 of a 16-bit count comes 65536; where it does not count, one that is given here, one more with
// each other stamp. Pure; belongs to one tool and one thread.
//
// It judges nothing: that a result comes again, is missing or has other values under its number is for the
// interlock to find. In doubt a number goes back, so that the interlock sees a count that starts anew.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <utility>

#include "protocol/frame_profile.hpp"

namespace tautgate::protocol {

class FrameCount {
  public:
    struct Known {
        std::string epoch;
        std::uint64_t counter = 0;
        std::string mark;  // of a tool that does not count; empty: not known
        bool operator==(const Known&) const = default;
    };
    explicit FrameCount(std::optional<Known> known = std::nullopt) : known_(std::move(known)) {}

    // `raw` as it stands in a result, a newest or a trace. What lies at most 16 before the newest known one
    // is taken as sent again, what lies up to half the ring after it as newer; anything else is the number
    // itself. Nothing is changed by asking.
    [[nodiscard]] std::uint64_t unroll(const FrameCounter& counter, std::uint64_t raw,
                                       const std::string& epoch) const;
    // The number of a result by its stamp: that of the newest one if it is the same, the next otherwise.
    [[nodiscard]] std::uint64_t by_mark(const std::string& mark) const;
    // The epoch in which it has that number.
    [[nodiscard]] std::string epoch_by_mark(const std::string& mark) const;
    // Goes on from this one. A number that is not newer changes nothing; another epoch begins anew.
    void heard(const std::string& epoch, std::uint64_t counter, const std::string& mark = {});
    // A tool that does not count was not heard for a while: nobody knows what it made meanwhile, unless its
    // next stamp is the last one.
    void unwatched(std::string new_epoch);
    [[nodiscard]] const std::optional<Known>& known() const noexcept { return known_; }

  private:
    [[nodiscard]] bool is_newest(const std::string& mark) const;

    std::optional<Known> known_;
    std::optional<std::string> unwatched_;  // the epoch that then begins
};

}  // namespace tautgate::protocol
