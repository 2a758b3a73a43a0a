#include "service/station/clock.hpp"

#include <ctime>
#include <fstream>

#include <unistd.h>

namespace tautgate::station {
namespace {

std::chrono::nanoseconds read(clockid_t clock) {
    timespec now{};
    clock_gettime(clock, &now);  // cannot fail for these clocks on Linux
    return std::chrono::seconds(now.tv_sec) + std::chrono::nanoseconds(now.tv_nsec);
}

}  // namespace

Clock::Clock() {
    std::ifstream file("/proc/sys/kernel/random/boot_id");
    if (!std::getline(file, boot_) || boot_.empty())
        boot_ = "run-" + std::to_string(read(CLOCK_REALTIME).count()) + "-" + std::to_string(getpid());
}

std::chrono::nanoseconds Clock::monotonic() const { return read(CLOCK_MONOTONIC); }

domain::Stamp Clock::stamp() const {
    const auto utc = std::chrono::duration_cast<std::chrono::microseconds>(read(CLOCK_REALTIME));
    return {utc.count(), monotonic().count(), boot_};
}

}  // namespace tautgate::station
