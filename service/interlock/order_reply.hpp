// What the sender of orders is told about what the core made of them, be it in a file or over HTTP. Of a file
// that counted before, what its orders are now is told, since others may have changed them. Pure.
#pragma once

#include <vector>

#include "protocol/order_answer.hpp"
#include "service/interlock/decide.hpp"

namespace tautgate::interlock {

// `now`: the state after the decision.
[[nodiscard]] protocol::OrderAnswer order_reply(const Outcome& outcome,
                                                std::vector<protocol::OrderEntry> orders, const State& now);

}  // namespace tautgate::interlock
