// What the service manager hears of us (systemd's notify protocol); without one every call does nothing.
// The watchdog is fed by the loop's beat, so it is fed only while the loop truly turns. Loop thread.
#pragma once

#include <string>

namespace tautgate::station {

void tell_ready(const std::string& status);
void tell_status(const std::string& status);
void tell_stopping();
void feed_watchdog();

}  // namespace tautgate::station
