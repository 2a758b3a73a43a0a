// How a stand lets time pass. One thread.
#pragma once

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

}  // namespace tautgate::link_errors
