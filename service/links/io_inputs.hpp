// The inputs of an I/O module, polled over Modbus at a fixed interval: click wrenches, push buttons, sensors.
// A pulse of a wrench becomes a result that measures nothing, whose tool says OK: that is all that a click
// says.
//
// A wrench that only clicks keeps no count, so this counts for it, from the newest result that the station
// knows on: a click is never anything against a unit, so that one that came while nobody looked is missing,
// and is made again, but hides nothing. What is seen first on a connection is where a level or a count stands
// and no pulse. Pulses that are too short or too long, and those that were cut off, are told and not counted.
//
// Has a thread of its own. Every function is called on the loop's thread; the sinks are called there too.
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "config/station.hpp"
#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::links {

class SerialBuses;

// The Modbus link of a module, as tools have one.
[[nodiscard]] config::RegisterLink link_of(const config::IoModule& module);

class IoInputs {
  public:
    struct Sinks {
        std::function<void(interlock::Payload)> event;
        // A sensor's settled level, and nothing while it is not known; may be empty.
        std::function<void(const config::IoInput&, std::optional<bool>)> level;
        // When a look at all inputs began, on the steady clock, after what it brought; and nothing where the
        // looks end, after what follows from that. May be empty.
        std::function<void(std::optional<std::chrono::nanoseconds>)> looked = {};
    };
    // The counter of the newest result of the tool that the station knows; 0: there is none. Asked at start.
    using Counted = std::function<std::uint64_t(const domain::ToolId&)>;

    // `station` and `module` are only read here. `boot` is the boot's id, for the intervals in which pulses
    // were made; `buses` are the station's serial lines.
    IoInputs(boost::asio::io_context& loop, const config::Station& station, const config::IoModule& module,
             Sinks sinks, Counted counted, std::string boot, std::shared_ptr<SerialBuses> buses);
    // Stops, if nobody did.
    ~IoInputs();
    IoInputs(const IoInputs&) = delete;
    IoInputs& operator=(const IoInputs&) = delete;
    IoInputs(IoInputs&&) = delete;
    IoInputs& operator=(IoInputs&&) = delete;

    void start();
    [[nodiscard]] SourceHealth health() const;
    // Takes no longer than two time-outs of a request (each at most 500 ms), and the turn at a shared line.
    // Nothing reaches the sinks afterwards.
    void stop();

  private:
    class Poller;
    std::shared_ptr<Poller> poller_;
};

}  // namespace tautgate::links
