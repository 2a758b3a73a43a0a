// A unit moves between bays of the station (queue, turntable): its stay goes with it, the token and all.
//
//   released at the bay before --> expected at the bay after: it shows the stay's token as the next one
//   movement counted           --> the stay is at the bay after, on its way; the bay before is empty
//   arrival counted there      --> the unit is there
//
// Which of two units is where is never guessed: what was counted in another order, while withheld, or towards
// a bay that is not free, leaves a doubt that a ticket of the unit clears. Used within this folder. Pure.
#pragma once

#include <optional>
#include <string>

#include "service/interlock/transition.hpp"

namespace tautgate::interlock {

// Why no unit can come to the bay now; nothing: it is empty, the equipment says so, and nobody else is
// expected.
struct NotFree {
    ReasonCode code = ReasonCode::next_bay_occupied;
    std::vector<Fact> facts;
};
[[nodiscard]] std::optional<NotFree> not_free(const State& state, const BayId& target, const Stay& coming);

// A movement of the stay at this bay to another one.
struct Move {
    const config::Permissive& permissive;
    bool allowed = true;    // it was released on the wire
    bool in_doubt = false;  // counted more than once: another unit may have moved after it
    Token fresh;            // for the next stay at the bay that falls empty
};
// Puts the stay at the other bay. Nothing: a unit stands there in a stay of its own, and both are in doubt.
[[nodiscard]] std::optional<StayMoved> move_stay(Transition& t, BayState& from, const Move& move);

// The equipment saw the unit arrive that was on its way to the bay.
void note_arrival(const Transition& t, BayState& bay, Stay& stay);
// The stay at the bay ends, and where its unit went is not certain: it may come where a way leads, or here.
void expect_stray(Transition& t, BayState& from);
// It saw one arrive at an empty bay to which one may move: whether it was that one, the count at the bay
// before will say. False: none is expected.
[[nodiscard]] bool note_early_arrival(Transition& t, BayState& bay);
// What came early is gone again.
void forget_early_arrival(BayState& bay);

// By the outputs as they are now: lets the bays to which the unit of this bay may move expect it, or ends
// what no bay can expect any more. True: something changed by that.
[[nodiscard]] bool expect_from(const RuleBook& rules, State& state, const BayState& from);
[[nodiscard]] bool drop_expected(State& state);

}  // namespace tautgate::interlock
