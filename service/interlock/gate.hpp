// The release gate: what may stand on the wire, given what was decided and what is durable. The core may run
// ahead of the disk; withholding never waits for it, a release always does.
//
// A release bears the number of the event that decided it. It goes out only when the newest decided state
// still holds that very release and everything up to its number is durable. A withhold in between ends it for
// good: a later release bears a later number and waits for that. Pure; any thread.
#pragma once

#include "service/interlock/state.hpp"

namespace tautgate::interlock {

// What the equipment is told for one permissive.
struct WireOrder {
    OnWire code = OnWire::withheld;
    Token token;  // of the stay, the one offered to the next (or of the stay that may move here), or that of
                  // a test of the wiring
    bool operator==(const WireOrder&) const = default;
};
TAUTGATE_FIELDS(WireOrder, code, token);

// What the newest decided state would have on the wire, and the event up to which everything must be durable
// first. Withheld: none.
struct Claim {
    OnWire code = OnWire::withheld;
    Token token;
    EventNumber once_durable;
    bool operator==(const Claim&) const = default;
};

// The gate's one question to the disk, for whoever puts a claim on the wire.
[[nodiscard]] constexpr bool may_go_out(EventNumber once_durable, EventNumber durable) noexcept {
    return once_durable <= durable;
}

// Shown as released to try the wiring, for a token on which no controller moves. Never while a unit is there.
[[nodiscard]] bool is_in_wiring_test(const BayState& bay, const PermissiveId& permissive) noexcept;

[[nodiscard]] Claim claim_of(const BayState& newest, const PermissiveState& permissive);
[[nodiscard]] WireOrder gate(const Claim& claim, EventNumber durable);
[[nodiscard]] WireOrder gate(const BayState& newest, const PermissiveState& permissive, EventNumber durable);

}  // namespace tautgate::interlock
