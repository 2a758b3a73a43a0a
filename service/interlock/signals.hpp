// What a stack light at the bay shows, from the bay's state alone. The meanings are those of colours for the
// condition of a process and for what it asks of people (IEC 60073): green normal, yellow attention, red
// wrong, blue action required. Several may be up at once. A lamp is a picture of what was decided, never a
// permissive, and nothing may be moved by it. Pure; any thread.
#pragma once

#include "service/interlock/state.hpp"

namespace tautgate::interlock {

struct Signals {
    bool released = false;   // a permissive for this unit is released, and nothing is wrong
    bool attention = false;  // something is asked or due: a decision, a confirmation of presence, a hold
    bool wrong = false;      // not OK, or held by a fault
    bool action = false;     // the operator has something to do: scan, tighten, confirm
    bool operator==(const Signals&) const = default;
};

// `durable`: what is stored for good; a release lights nothing before it is. `station_fails`: the station
// itself withholds everything, whatever was decided.
[[nodiscard]] Signals signals_of(const BayState& bay, EventNumber durable, bool station_fails);

}  // namespace tautgate::interlock
