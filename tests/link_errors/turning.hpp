// How a stand lets time pass. One thread.
#pragma once

#include <algorithm>
#include <chrono>

#include <boost/asio/io_context.hpp>

namespace tautgate::link_errors {

inline void turn_loop(boost::asio::io_context& loop) {
    loop.restart();
    loop.run_one_for(std::chrono::milliseconds(1));
    loop.poll();
}

// False: it did not come to hold in time. `patience()` is asked anew after each turn.
template <class Patience, class Wanted, class Turn>
[[nodiscard]] bool turn_until(Patience patience, const Wanted& wanted, Turn turn) {
    const auto begin = std::chrono::steady_clock::now();
    while (!wanted()) {
        if (std::chrono::steady_clock::now() > begin + patience())
            return false;
        turn();
    }
    return true;
}

// The quickest of several measurements: whatever else a busy computer does makes one longer, never shorter,
// so that this one may be held against the limit itself. `ready()` before each of them: false ends it.
template <class Ready, class Measure>
[[nodiscard]] std::chrono::milliseconds quickest(Ready ready, Measure measure) {
    constexpr int measurements = 5;
    auto least = std::chrono::milliseconds::max();
    for (int i = 0; i < measurements && ready(); ++i)
        least = std::min(least, measure());
    return least;
}

// Of the test's own looking, beside the limit and a poll.
constexpr std::chrono::milliseconds look_slack{30};

}  // namespace tautgate::link_errors
