#include <catch2/catch.hpp>

#include "service/interlock/gate.hpp"

using namespace tautgate::interlock;

namespace {

constexpr Token token{77};

BayState bay_with_unit() {
    BayState bay;
    bay.offered = Token{76};
    Stay stay;
    stay.token = token;
    bay.occupant = stay;
    return bay;
}

PermissiveState decided(Output output) { return {PermissiveId{"lift"}, output, {}}; }
EventNumber event(std::uint64_t number) { return EventNumber{number}; }

}  // namespace

TEST_CASE("a release waits on the wire until its own event is durable") {
    const auto released = decided(Released{event(10), token});
    CHECK(gate(bay_with_unit(), released, event(9)).code == OnWire::withheld);
    CHECK(gate(bay_with_unit(), released, event(10)) == WireOrder{OnWire::released, token});
}

TEST_CASE("leaving incomplete waits for its own event like a release, under a code of its own") {
    const auto leaving = decided(LeavingIncomplete{event(10), token});
    CHECK(gate(bay_with_unit(), leaving, event(9)).code == OnWire::withheld);
    CHECK(gate(bay_with_unit(), leaving, event(10)) == WireOrder{OnWire::leaving_incomplete, token});
}

TEST_CASE("a withhold never waits") {
    CHECK(gate(bay_with_unit(), decided(Withheld{}), event(0)) == WireOrder{OnWire::withheld, token});
}

TEST_CASE("a release after a withhold in between waits for its later number") {
    const auto again = decided(Released{event(12), token});
    CHECK(gate(bay_with_unit(), again, event(10)).code == OnWire::withheld);
    CHECK(gate(bay_with_unit(), again, event(11)).code == OnWire::withheld);
    CHECK(gate(bay_with_unit(), again, event(12)).code == OnWire::released);
}

TEST_CASE("a release for another unit's token never goes out") {
    const auto of_another = decided(Released{event(10), Token{78}});
    CHECK(gate(bay_with_unit(), of_another, event(99)) == WireOrder{OnWire::withheld, token});
    const auto leaving = decided(LeavingIncomplete{event(10), Token{78}});
    CHECK(gate(bay_with_unit(), leaving, event(99)).code == OnWire::withheld);
}

TEST_CASE("an empty bay shows the token that it offers, withheld") {
    BayState bay;
    bay.offered = Token{76};
    CHECK(gate(bay, decided(Withheld{}), event(99)) == WireOrder{OnWire::withheld, Token{76}});
}

TEST_CASE("what tries the wiring is never claimed while a unit is there") {
    BayState bay = bay_with_unit();
    bay.wiring_test = WiringTest{event(5), std::nullopt, PersonNumber{1}, Token{0xFF000001}, {}, {}};
    CHECK(gate(bay, decided(Withheld{}), event(99)) == WireOrder{OnWire::withheld, token});
    bay.occupant = Empty{};
    CHECK(gate(bay, decided(Withheld{}), event(4)).code == OnWire::withheld);
    CHECK(gate(bay, decided(Withheld{}), event(5)) == WireOrder{OnWire::released, Token{0xFF000001}});
}

TEST_CASE("a claim names what must be durable, and the gate asks for nothing else") {
    const auto released = decided(Released{event(10), token});
    const Claim claim = claim_of(bay_with_unit(), released);
    CHECK(claim == Claim{OnWire::released, token, event(10)});
    CHECK(gate(claim, event(9)) == gate(bay_with_unit(), released, event(9)));
    CHECK(gate(claim, event(10)) == gate(bay_with_unit(), released, event(10)));
    CHECK(claim_of(bay_with_unit(), decided(Withheld{})) == Claim{OnWire::withheld, token, {}});
    const auto of_another = decided(Released{event(10), Token{token.value + 1}});
    CHECK(claim_of(bay_with_unit(), of_another) == Claim{OnWire::withheld, token, {}});
}
