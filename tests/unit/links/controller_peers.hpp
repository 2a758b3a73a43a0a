// A loop that a test turns until a condition holds, and the description of a small bay.
#pragma once

#include <chrono>
#include <functional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include <boost/asio/io_context.hpp>

#include "config/station.hpp"
#include "service/interlock/event.hpp"
#include "service/links/trace_sink.hpp"
#include "tests/unit/links/kinds.hpp"

namespace tautgate::links::testing {

inline constexpr std::chrono::seconds deadline{10};

// What the sink of a link was given, in order, and the loop that it was given on.
class Floor {
  public:
    boost::asio::io_context loop;
    std::vector<interlock::Payload> got;
    std::vector<links::ArrivedTrace> got_traces;

    [[nodiscard]] std::function<void(interlock::Payload)> sink() {
        return [this](interlock::Payload payload) { got.push_back(std::move(payload)); };
    }
    [[nodiscard]] links::TraceSink traces() {
        return [this](links::ArrivedTrace trace) {
            got_traces.push_back(std::move(trace));
            return true;
        };
    }
    // Turns the loop until the condition holds; `every_turn` is the loop's own work between waits.
    [[nodiscard]] bool turn_until(
        const std::function<bool()>& wanted, const std::function<void()>& every_turn = [] {}) {
        const auto end = std::chrono::steady_clock::now() + deadline;
        while (!wanted()) {
            if (std::chrono::steady_clock::now() > end)
                return false;
            every_turn();
            loop.restart();
            static_cast<void>(loop.run_one_for(std::chrono::milliseconds(5)));
        }
        return true;
    }
    template <class Kind>
    [[nodiscard]] std::vector<Kind> all() const {
        return all_of<Kind>(got);
    }
};

inline config::Station small_station(config::WireRole role, std::uint16_t port) {
    config::Station station;
    station.number = 3;
    config::Bay bay;
    bay.id = "J1";
    bay.number = 2;
    bay.controller.role = role;
    bay.controller.host = "127.0.0.1";
    bay.controller.port = port;
    bay.controller.permissive_address = 10;
    bay.controller.feedback_address = 100;
    bay.controller.beat_interval = std::chrono::milliseconds(20);
    bay.controller.echo_timeout = std::chrono::milliseconds(400);
    bay.controller.settling = std::chrono::milliseconds(60);
    station.bays.push_back(bay);
    for (const auto& [id, number] : {std::pair{"lift-beam", 1}, std::pair{"carrier", 2}}) {
        config::Permissive permissive;
        permissive.id = id;
        permissive.number = static_cast<std::uint16_t>(number);
        permissive.bay = "J1";
        station.permissives.push_back(permissive);
    }
    return station;
}

}  // namespace tautgate::links::testing
