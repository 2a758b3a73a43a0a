#include "service/interlock/moves.hpp"

#include <algorithm>
#include <iterator>
#include <utility>

namespace tautgate::interlock {
namespace {

bool holds(const std::vector<PermissiveId>& list, const PermissiveId& id) {
    return std::ranges::find(list, id) != list.end();
}

std::string unit_text(const Stay& stay) {
    const Serial unit = unit_of(stay);
    return unit.text.empty() ? "a unit without a ticket" : unit.text;
}

std::optional<NotFree> because(const BayId& bay, std::string why) {
    return NotFree{ReasonCode::next_bay_occupied, {{"bay", bay.text}, {"why", std::move(why)}}};
}

// ---- the bay that may expect a unit -------------------------------------------------------------------

const PermissiveState* output_of(const BayState& bay, const PermissiveId& id) {
    const auto found = std::ranges::find(bay.permissives, id, &PermissiveState::id);
    return found == bay.permissives.end() ? nullptr : &*found;
}

// It is out, or was when the unit left its place or when we lost sight of the equipment, which may still act
// on it.
bool may_be_made(const BayState& from, const PermissiveId& id) {
    const PermissiveState* permissive = output_of(from, id);
    const bool out = permissive != nullptr && !std::holds_alternative<Withheld>(permissive->output);
    return out || holds(from.controller.standing, id) || holds(from.gone_by, id);
}

bool still_expected(const State& state, const Expected& expected) {
    const BayState* from = bay_of(state, expected.from);
    const Stay* stay = from != nullptr ? stay_at(*from) : nullptr;
    const bool there = stay != nullptr && stay->id == expected.stay;
    return there && (expected.arrived || may_be_made(*from, expected.permissive));
}

// ---- the move -----------------------------------------------------------------------------------------

void into_another(Transition& t, BayState& from, BayState& to, const PermissiveId& permissive) {
    t.alarm(AlarmCode::moved_to_occupied, to.id, unit_of(*stay_at(to)),
            permissive.text + " was made from bay " + from.id.text + " while another unit is at bay " +
                to.id.text);
    stay_at(from)->doubt = Doubt::moved_towards_another;
    stay_at(to)->doubt = Doubt::moved_towards_another;
}

Doubt doubt_after(const Stay& stay, const BayState& to, const Move& move, bool came_early) {
    if (!move.allowed || move.in_doubt || !is_certain(stay))
        return Doubt::moved_in_doubt;
    if (came_early)
        return Doubt::came_before_counted;
    return to.controller.link == Quality::good ? Doubt::none : Doubt::controller_link_lost;
}

}  // namespace

std::optional<NotFree> not_free(const State& state, const BayId& target, const Stay& coming) {
    const BayState* bay = bay_of(state, target);
    if (bay == nullptr)
        return because(target, "the station does not know it");
    if (bay->controller.link != Quality::good)
        return NotFree{ReasonCode::controller_link_lost,
                       {{"bay", target.text}, {"quality", text_of(bay->controller.link)}}};
    if (const Stay* stay = stay_at(*bay))
        return because(target,
                       unit_text(*stay) + (is_on_its_way(*stay) ? " is on its way there" : " is there"));
    if (bay->expected && bay->expected->stay != coming.id)
        return because(target, "the unit at bay " + bay->expected->from.text + " may move there now");
    if (bay->wiring_test)
        return because(target, "its wiring is being tried");
    switch (bay->controller.present) {
    case Presence::unknown: return because(target, "its equipment has not said yet whether it is free");
    case Presence::present: return because(target, "its equipment sees something there");
    case Presence::absent: break;
    }
    return std::nullopt;
}

std::optional<StayMoved> move_stay(Transition& t, BayState& from, const Move& move) {
    const PermissiveId permissive{move.permissive.id};
    BayState* to = bay_of(t.state, BayId{move.permissive.moves_to});
    if (to == nullptr || to == &from)
        return std::nullopt;  // no rules that were checked lead there
    if (stay_at(*to) != nullptr) {
        into_another(t, from, *to, permissive);
        return std::nullopt;
    }
    Stay stay = std::move(std::get<Stay>(from.occupant));
    const bool came_early = to->expected && to->expected->stay == stay.id && to->expected->arrived;
    stay.doubt = doubt_after(stay, *to, move, came_early);
    stay.earlier_places.push_back({from.id, here_since(stay), t.event.at});
    stay.moved_here = MovedHere{from.id, permissive, t.now(),
                                came_early ? std::optional(t.now()) : std::nullopt, t.event.at};
    std::ranges::move(to->set_aside, std::back_inserter(stay.set_aside));
    StayMoved outcome{stay.id, from.id, to->id, permissive, !move.allowed};
    vacate(from, move.fresh);
    to->set_aside.clear();
    to->left_released.clear();
    to->unused_scan.reset();
    to->expected.reset();
    to->occupant = std::move(stay);
    t.effects.emplace_back(TakeSnapshot{});
    return outcome;
}

void note_arrival(const Transition& t, BayState& bay, Stay& stay) {
    if (std::exchange(bay.stray_due, false) && stay.doubt == Doubt::none)
        stay.doubt = Doubt::moved_in_doubt;
    // Of a doubt that ends when nothing has changed: from here on nothing will, and that proves nothing.
    if (stay.doubt == Doubt::restarted || stay.doubt == Doubt::controller_link_lost)
        stay.doubt = Doubt::moved_in_doubt;
    stay.moved_here->arrived = t.now();
    stay.moved_here->since = t.event.at;
}

void expect_stray(Transition& t, BayState& from) {
    const Stay* stay = stay_at(from);
    const config::Station* station = rules_at(t.rules, t.state, from);
    if (stay != nullptr && is_on_its_way(*stay))
        from.stray_due = true;
    for (const PermissiveState& each : from.permissives) {
        const config::Permissive* way = station != nullptr ? permissive_in(*station, each.id) : nullptr;
        BayState* to = way != nullptr ? bay_of(t.state, BayId{way->moves_to}) : nullptr;
        if (to != nullptr)
            to->stray_due = true;
    }
}

bool note_early_arrival(Transition& t, BayState& bay) {
    if (!bay.expected)
        return false;
    bay.expected->arrived = true;
    BayState* from = bay_of(t.state, bay.expected->from);
    // From here on it is withheld; what is counted next may have been made before that.
    const bool free = from != nullptr && may_be_made(*from, bay.expected->permissive);
    if (free && !holds(from->controller.standing, bay.expected->permissive))
        from->controller.standing.push_back(bay.expected->permissive);
    return true;
}

void forget_early_arrival(BayState& bay) {
    if (bay.expected)
        bay.expected->arrived = false;
}

// The bay is told before the unit can be under way: its controller takes the token when the unit arrives.
bool expect_from(const RuleBook& rules, State& state, const BayState& from) {
    const Stay* stay = stay_at(from);
    const config::Station* station = stay != nullptr ? rules_at(rules, state, from) : nullptr;
    if (station == nullptr)
        return false;
    bool changed = false;
    for (const PermissiveState& each : from.permissives) {
        const config::Permissive* permissive =
            std::holds_alternative<Withheld>(each.output) ? nullptr : permissive_in(*station, each.id);
        BayState* to = permissive != nullptr ? bay_of(state, BayId{permissive->moves_to}) : nullptr;
        if (to == nullptr || to->expected || stay_at(*to) != nullptr)
            continue;
        to->expected = Expected{stay->id, stay->token, from.id, each.id, false};
        changed = true;
    }
    return changed;
}

bool drop_expected(State& state) {
    bool changed = false;
    for (BayState& bay : state.bays) {
        if (!bay.expected || (stay_at(bay) == nullptr && still_expected(state, *bay.expected)))
            continue;
        bay.expected.reset();
        changed = true;
    }
    return changed;
}

}  // namespace tautgate::interlock
