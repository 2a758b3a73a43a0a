// The ways in which a message can go wrong between two devices, after OPC 10000-15, table 2. Which of them a
// tool's link detects is in link_errors.hpp. Plain values; any thread.
#pragma once

#include <cstdint>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

enum class LinkError : std::uint8_t {
    corruption,      // other bits arrive than were sent
    repetition,      // an old message arrives again
    loss,            // a message never arrives
    wrong_sequence,  // messages arrive in another order
    insertion,       // a message of somebody else arrives between
    delay,           // a message arrives too late
    masquerade,      // a message that is not of the tool passes for one
    addressing       // a message arrives at somebody else
};
TAUTGATE_ENUM(LinkError, corruption, repetition, loss, wrong_sequence, insertion, delay, masquerade,
              addressing);

}  // namespace tautgate::protocol
