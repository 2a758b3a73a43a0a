#include "service/interlock/gate.hpp"

#include "service/interlock/overloaded.hpp"

namespace tautgate::interlock {
namespace {

Token token_of(const BayState& bay) {
    const auto* stay = std::get_if<Stay>(&bay.occupant);
    return stay != nullptr ? stay->token : bay.offered;
}

}  // namespace

WireOrder gate(const BayState& newest, const PermissiveState& permissive, EventNumber durable) {
    const auto when_durable = [&](OnWire code, EventNumber by, Token token) {
        const bool may_go_out = by <= durable && token == token_of(newest);
        return WireOrder{may_go_out ? code : OnWire::withheld, token_of(newest)};
    };
    return std::visit(
        Overloaded{[&](const Withheld&) {
                       return WireOrder{OnWire::withheld, token_of(newest)};
                   },
                   [&](const Released& r) { return when_durable(OnWire::released, r.by, r.token); },
                   [&](const LeavingIncomplete& l) {
                       return when_durable(OnWire::leaving_incomplete, l.by, l.token);
                   }},
        permissive.output);
}

}  // namespace tautgate::interlock
