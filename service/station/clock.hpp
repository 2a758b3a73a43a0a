// The only place that looks at a clock on behalf of the core: each event gets its stamp here. Loop thread.
#pragma once

#include <chrono>
#include <string>

#include "service/domain/stamp.hpp"

namespace tautgate::station {

class Clock {
  public:
    // Reads the boot's id. Where the kernel tells none, each run counts as a boot of its own, so that nothing
    // is compared that may not be.
    Clock();

    [[nodiscard]] domain::Stamp stamp() const;
    // The clock of std::chrono::steady_clock, on which the links say when a result was made.
    [[nodiscard]] std::chrono::nanoseconds monotonic() const;
    [[nodiscard]] const std::string& boot() const noexcept { return boot_; }

  private:
    std::string boot_;
};

}  // namespace tautgate::station
