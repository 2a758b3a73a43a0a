// What could not be understood, from one source, told so that a babbling device does not fill the journal:
// the first refusal at once, those that follow it within a second as one event with a count and the first of
// their bytes. Nothing is left out of the count. Pure: the caller brings the time. Belongs to one thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>

#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"

namespace tautgate::links {

class Refusals {
  public:
    explicit Refusals(std::string source) : source_(std::move(source)) {}

    // The event that has to be told now, if there is one.
    [[nodiscard]] std::optional<interlock::InputRefused> add(SteadyTime now, std::string raw,
                                                             std::string why);
    // What is due; call it at least every second.
    [[nodiscard]] std::optional<interlock::InputRefused> due(SteadyTime now);
    // What is left, whether due or not.
    [[nodiscard]] std::optional<interlock::InputRefused> rest();

    static constexpr std::chrono::milliseconds quiet{1000};

  private:
    std::string source_;
    std::optional<SteadyTime> told_;
    std::optional<interlock::InputRefused> waiting_;
};

}  // namespace tautgate::links
