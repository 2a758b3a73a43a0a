#include "service/interlock/gate.hpp"

#include "service/interlock/overloaded.hpp"

namespace tautgate::interlock {
namespace {

Token token_of(const BayState& bay) {
    const auto* stay = std::get_if<Stay>(&bay.occupant);
    if (stay != nullptr)
        return stay->token;
    return bay.expected ? bay.expected->token : bay.offered;
}

}  // namespace

bool is_in_wiring_test(const BayState& bay, const PermissiveId& permissive) noexcept {
    return bay.wiring_test && std::holds_alternative<Empty>(bay.occupant) &&
           bay.wiring_test->permissive.value_or(permissive) == permissive;
}

Claim claim_of(const BayState& newest, const PermissiveState& permissive) {
    if (is_in_wiring_test(newest, permissive.id))
        return {OnWire::released, newest.wiring_test->token, newest.wiring_test->began};
    const Token token = token_of(newest);
    const auto release = [&](OnWire code, EventNumber by, Token of) {
        return of == token ? Claim{code, token, by} : Claim{OnWire::withheld, token, {}};
    };
    return std::visit(Overloaded{[&](const Withheld&) {
                                     return Claim{OnWire::withheld, token, {}};
                                 },
                                 [&](const Released& r) { return release(OnWire::released, r.by, r.token); },
                                 [&](const LeavingIncomplete& l) {
                                     return release(OnWire::leaving_incomplete, l.by, l.token);
                                 }},
                      permissive.output);
}

WireOrder gate(const Claim& claim, EventNumber durable) {
    return {may_go_out(claim.once_durable, durable) ? claim.code : OnWire::withheld, claim.token};
}

WireOrder gate(const BayState& newest, const PermissiveState& permissive, EventNumber durable) {
    return gate(claim_of(newest, permissive), durable);
}

}  // namespace tautgate::interlock
