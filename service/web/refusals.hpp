// What is said after an act that the core refused: why, and a remedy for each code, with what would have been
// allowed here. It decides nothing; it reads the newest state and the rules that the bay follows. Loop's
// thread.
#pragma once

#include <cstdint>
#include <string>

#include "service/interlock/decide.hpp"
#include "service/interlock/event.hpp"
#include "service/web/station_port.hpp"

namespace tautgate::web {

// The core's sentence, without the full stop: the remedy follows in the same sentence.
[[nodiscard]] std::string why_of(const interlock::Refused& refused);

// Whose roles the rules name in a list of their own.
enum class ActKind : std::uint8_t { decision, wiring_test, orders, tool_call };
[[nodiscard]] ActKind act_kind(const interlock::Payload& payload) noexcept;

struct RefusedAt {
    const interlock::BayState* bay = nullptr;  // where the act was to be; none: it is about no bay
    ActKind act = ActKind::decision;
};
[[nodiscard]] std::string remedy_of(const interlock::Refused& refused, const StationPort& station,
                                    const RefusedAt& at);

}  // namespace tautgate::web
