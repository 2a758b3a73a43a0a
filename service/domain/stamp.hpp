// When something was seen. Waits and attribution use the monotonic clock of one boot; UTC is a label that
// people read and never an order. Plain values; any thread.
#pragma once

#include <cstdint>
#include <string>

#include "protocol/describe.hpp"

namespace tautgate::domain {

struct Stamp {
    std::int64_t utc_us = 0;        // microseconds since 1970
    std::int64_t monotonic_ns = 0;  // since the boot named below
    std::string boot;               // the boot's id; stamps of different boots are never compared
    bool operator==(const Stamp&) const = default;
};
TAUTGATE_FIELDS(Stamp, utc_us, monotonic_ns, boot);

// The moment in which a tightening was made is never known exactly: it lies between these two, both on the
// monotonic clock of `boot`. `from` may be earlier than the boot (negative).
struct Interval {
    std::int64_t from_ns = 0;
    std::int64_t to_ns = 0;
    std::string boot;
    bool operator==(const Interval&) const = default;
};
TAUTGATE_FIELDS(Interval, from_ns, to_ns, boot);

}  // namespace tautgate::domain
