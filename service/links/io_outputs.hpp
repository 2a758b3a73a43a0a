// The outputs of an I/O module, written over Modbus: stack lights and sounders. On a connection of its own,
// so that a coil that cannot be written takes no input with it: that is told, and withholds nothing. Each
// coil is written when it changes and again every second; all are switched off when the station stops or can
// say nothing, and the alive output, which is switched over with every poll, stands still then.
//
// Has a thread of its own. Every function is called on the loop's thread and waits for nothing, but for
// `stop`.
#pragma once

#include <memory>

#include "config/station.hpp"
#include "service/interlock/signals.hpp"
#include "service/links/freshness.hpp"

namespace tautgate::links {

class SerialBuses;

class IoOutputs {
  public:
    // `module` is only read here; `buses` are the station's serial lines.
    IoOutputs(const config::IoModule& module, std::shared_ptr<SerialBuses> buses);
    // Stops, if nobody did.
    ~IoOutputs();
    IoOutputs(const IoOutputs&) = delete;
    IoOutputs& operator=(const IoOutputs&) = delete;
    IoOutputs(IoOutputs&&) = delete;
    IoOutputs& operator=(IoOutputs&&) = delete;

    void start();
    void show(const interlock::Signals& signals);
    [[nodiscard]] SourceHealth health() const;
    // Switches everything off, if the module can be reached. Takes no longer than a time-out of a request (at
    // most 500 ms) for each output, and the turn at a shared line.
    void stop();

  private:
    class Writer;
    std::unique_ptr<Writer> writer_;
};

}  // namespace tautgate::links
