// What the sender of orders is told about what the core made of them, be it in a file or over HTTP. Pure.
#pragma once

#include <vector>

#include "protocol/order_answer.hpp"
#include "service/interlock/decide.hpp"

namespace tautgate::interlock {

[[nodiscard]] protocol::OrderAnswer order_reply(const Outcome& outcome,
                                                std::vector<protocol::OrderEntry> orders);

}  // namespace tautgate::interlock
