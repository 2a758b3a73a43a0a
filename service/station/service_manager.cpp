#include "service/station/service_manager.hpp"

#include <systemd/sd-daemon.h>

namespace tautgate::station {
namespace {

// Nobody listens when we are not run by a service manager; that is no error.
void tell(const std::string& text) { static_cast<void>(sd_notify(0, text.c_str())); }

}  // namespace

void tell_ready(const std::string& status) { tell("READY=1\nSTATUS=" + status); }
void tell_status(const std::string& status) { tell("STATUS=" + status); }
void tell_stopping() { tell("STOPPING=1\nSTATUS=withholding and stopping"); }
void feed_watchdog() { tell("WATCHDOG=1"); }

}  // namespace tautgate::station
