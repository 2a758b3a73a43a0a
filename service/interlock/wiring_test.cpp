// Trying the wiring of an empty bay: its permissives are shown as released for a token of the reserved range,
// on which no controller moves (protocol/PERMISSIVE.md). The outputs that the rules decide stay withheld
// throughout, so that a test can prove nothing and release nothing; it ends with the first thing that speaks
// against it.
#include <algorithm>
#include <optional>
#include <string>
#include <utility>

#include "protocol/permissive_block.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

std::optional<Refused> not_entitled(const Transition& t, const config::Station& station, PersonNumber by) {
    const Person* person = person_of(t.state, by);
    if (person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (!may_act_as(t.state, *person, station.wiring_tests.roles))
        return Refused{RefusalCode::not_entitled, ""};
    return std::nullopt;
}

// Why the wiring cannot be tried now; empty: nothing stands against it.
std::string not_now(const BayState& bay) {
    if (bay.wiring_test)
        return "the wiring of this bay is being tested already";
    if (stay_at(bay) != nullptr || bay.departure_due)
        return "a unit is at the bay";
    if (bay.expected)
        return "a unit may move to the bay now";
    if (bay.controller.link != Quality::good)
        return "the link to the equipment's controller is not good";
    if (!bay.controller.counts || bay.controller.present != Presence::absent)
        return "the equipment does not say that the bay is empty";
    return {};
}

// What of the event itself speaks against a test of this bay.
std::optional<WiringTestEnd> end_by(const Payload& payload, const BayId& bay) {
    if (std::holds_alternative<StationStarted>(payload) || std::holds_alternative<StationStopped>(payload))
        return WiringTestEnd::station_restarted;
    if (std::holds_alternative<RulesApproved>(payload))
        return WiringTestEnd::rules_changed;
    if (const auto* scanned = std::get_if<TicketScanned>(&payload); scanned != nullptr && scanned->bay == bay)
        return WiringTestEnd::unit_seen;
    if (const auto* changed = std::get_if<ControllerLinkChanged>(&payload);
        changed != nullptr && changed->bay == bay)
        return WiringTestEnd::link_lost;  // or it flapped: it was not good all the time
    return std::nullopt;
}

std::optional<WiringTestEnd> end_of(const Payload& payload, const BayState& bay) {
    if (const auto end = end_by(payload, bay.id))
        return end;
    if (bay.controller.link != Quality::good)
        return WiringTestEnd::link_lost;
    if (stay_at(bay) != nullptr || bay.controller.present != Presence::absent)
        return WiringTestEnd::unit_seen;
    if (bay.controller.counts != bay.wiring_test->counts)
        return WiringTestEnd::equipment_moved;
    return std::nullopt;
}

}  // namespace

Outcome apply(Transition& t, const WiringTestBegan& began) {
    BayState* bay = bay_of(t.state, began.bay);
    if (bay == nullptr)
        return Refused{RefusalCode::no_such_thing, "no bay " + began.bay.text};
    const config::Station* station = rules_of(t.rules, t.state.rules);
    if (station == nullptr)
        return Refused{RefusalCode::not_possible_now, "no rules are in force"};
    if (auto refused = not_entitled(t, *station, began.by))
        return std::move(*refused);
    const config::Bay* described = bay_in(*station, bay->id);
    if (described != nullptr && config::is_by_coils(*described))
        return Refused{RefusalCode::not_possible_now,
                       "the bay's equipment is released by coils, and would take the test for a release"};
    const bool known = !began.permissive || std::ranges::find(bay->permissives, *began.permissive,
                                                              &PermissiveState::id) != bay->permissives.end();
    if (!known)
        return Refused{RefusalCode::no_such_thing,
                       std::string(refusal::no_permissive) + began.permissive->text + " at this bay"};
    if (std::string why = not_now(*bay); !why.empty())
        return Refused{RefusalCode::not_possible_now, std::move(why)};
    if (protocol::token_kind(began.token.value) != protocol::TokenKind::challenge)
        return Refused{RefusalCode::not_possible_now, "the token drawn for it could be a unit's"};
    bay->wiring_test =
        WiringTest{t.now(), began.permissive, began.by, began.token, t.event.at, *bay->controller.counts};
    return Applied{};
}

Outcome apply(Transition& t, const WiringTestEnded& ended) {
    BayState* bay = bay_of(t.state, ended.bay);
    if (bay == nullptr)
        return Refused{RefusalCode::no_such_thing, "no bay " + ended.bay.text};
    if (!bay->wiring_test)
        return Refused{RefusalCode::already_settled, "the wiring of this bay is not being tested"};
    // Whoever is signed in may end it: ending withholds.
    bay->wiring_test.reset();
    t.effects.emplace_back(
        WiringTestOver{bay->id, ended.by ? WiringTestEnd::by_person : WiringTestEnd::time_over});
    return Applied{};
}

void end_wiring_tests(Transition& t) {
    for (BayState& bay : t.state.bays) {
        const auto why = bay.wiring_test ? end_of(t.event.payload, bay) : std::nullopt;
        if (!why)
            continue;
        bay.wiring_test.reset();
        t.effects.emplace_back(WiringTestOver{bay.id, *why});
    }
}

}  // namespace tautgate::interlock
