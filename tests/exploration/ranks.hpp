// How numbers of which only the order matters are made few: each is replaced by its place among all that are
// there. What both floors do alike. One thread.
#pragma once

#include <algorithm>
#include <cstdint>
#include <variant>
#include <vector>

#include "service/interlock/state.hpp"

namespace tautgate::exploration {

template <class Number>
class Ranks {
  public:
    void note(Number number) { numbers_.push_back(number); }
    void rank(std::uint64_t least) {
        std::ranges::sort(numbers_);
        const auto [first, last] = std::ranges::unique(numbers_);
        numbers_.erase(first, last);
        least_ = least;
    }
    void apply(Number& number) const {
        const auto found = std::ranges::lower_bound(numbers_, number);
        number.value = static_cast<decltype(number.value)>(
            least_ + static_cast<std::uint64_t>(found - numbers_.begin()));
    }

  private:
    std::vector<Number> numbers_;
    std::uint64_t least_ = 1;
};

// By which event something is out.
template <class Visit>
void each_event_of_outputs(interlock::BayState& bay, const Visit& visit) {
    for (interlock::PermissiveState& permissive : bay.permissives) {
        if (auto* released = std::get_if<interlock::Released>(&permissive.output))
            visit(released->by);
        if (auto* leaving = std::get_if<interlock::LeavingIncomplete>(&permissive.output))
            visit(leaving->by);
    }
}

template <class Visit>
void each_token(interlock::State& state, const Visit& visit) {
    for (interlock::BayState& bay : state.bays) {
        visit(bay.offered);
        visit(bay.controller.echoed);
        if (bay.expected)
            visit(bay.expected->token);
        if (auto* stay = std::get_if<interlock::Stay>(&bay.occupant))
            visit(stay->token);
        for (interlock::PermissiveState& permissive : bay.permissives) {
            if (auto* released = std::get_if<interlock::Released>(&permissive.output))
                visit(released->token);
            if (auto* leaving = std::get_if<interlock::LeavingIncomplete>(&permissive.output))
                visit(leaving->token);
        }
    }
}

}  // namespace tautgate::exploration
