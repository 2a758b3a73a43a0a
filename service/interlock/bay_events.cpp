// What the equipment and the people at the bay report: arrivals, movements, tickets, checks.
#include <algorithm>
#include <iterator>
#include <utility>

#include "service/interlock/moves.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/interlock/scan_step.hpp"
#include "service/interlock/tool_count.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

constexpr std::size_t refused_tickets_kept = 4;

bool contains(const std::vector<PermissiveId>& list, const PermissiveId& id) {
    return std::ranges::find(list, id) != list.end();
}

void add_once(std::vector<PermissiveId>& list, const PermissiveId& id) {
    if (!contains(list, id))
        list.push_back(id);
}

// ---- the equipment's report ---------------------------------------------------------------------------

void note_movement(std::vector<MovementSeen>& movements, const PermissiveId& permissive, EventNumber now) {
    const auto known = std::ranges::find(movements, permissive, &MovementSeen::permissive);
    if (known == movements.end())
        movements.push_back({permissive, now});
    else
        known->seen = now;
}

// A movement was made that was not released on the wire.
void moved_wrongly(Transition& t, BayState& bay, const PermissiveId& permissive) {
    Stay* stay = stay_at(bay);
    const Serial unit = stay != nullptr ? unit_of(*stay) : Serial{};
    t.alarm(AlarmCode::moved_unproven, bay.id, unit, permissive.text + " moved while it was withheld");
    if (stay == nullptr)
        return;
    note_movement(stay->moved_unproven, permissive, t.now());
    stay->ever_moved_unproven = true;
    hold_unit_of(t.state, *stay, t.now(), "moved unproven");
}

std::vector<PermissiveId> leaving_among(const Transition& t, const BayState& bay,
                                        std::vector<PermissiveId> permissives) {
    std::erase_if(permissives, [&](const PermissiveId& id) { return !released_for_leaving(t, bay, {id}); });
    return permissives;
}

struct Report {
    const ControllerReported& now;
    std::vector<PermissiveId> allowed;  // what the equipment may have moved
    std::vector<PermissiveId> wrong;    // of which it says that nothing allowed it; not told before
    bool stay_ended = false;            // or went to another bay
    std::optional<StayMoved> moved = {};
};

bool takes_away(const Transition& t, const BayState& bay, const PermissiveId& id) {
    const config::Station* station = rules_at(t.rules, t.state, bay);
    const config::Permissive* permissive = station != nullptr ? permissive_in(*station, id) : nullptr;
    return permissive != nullptr && (permissive->leaving || !permissive->moves_to.empty());
}

// False: the unit that was to move stays, since another one is in its way.
bool move_on(Transition& t, BayState& bay, Report& report, const Move& move) {
    if (auto moved = move_stay(t, bay, move)) {
        report.moved = std::move(moved);
        report.stay_ended = true;
        return true;
    }
    return false;
}

// A unit that was to leave incomplete may have been finished after all: then it leaves as a proven one.
bool leaves_proven(const BayState& bay, const std::vector<PermissiveId>& over) {
    return std::ranges::any_of(bay.permissives, [&](const PermissiveState& permissive) {
        return std::holds_alternative<Released>(permissive.output) && contains(over, permissive.id);
    });
}

Leaving way_of_leaving(const BayState& bay, const Stay& stay, const std::vector<PermissiveId>& over,
                       bool released) {
    if (!released)
        return Leaving::unproven;
    return stay.leaves_incomplete && !leaves_proven(bay, over) ? Leaving::incomplete : Leaving::proven;
}

// A movement that was counted, or more than one since the last report.
struct Made {
    PermissiveId id;
    bool once = true;
};

void one_movement(Transition& t, BayState& bay, Report& report, const Made& made) {
    const PermissiveId& id = made.id;
    const config::Station* station = rules_at(t.rules, t.state, bay);
    const config::Permissive* permissive = station != nullptr ? permissive_in(*station, id) : nullptr;
    // A one-shot release allows one.
    const bool one_too_many = permissive != nullptr && permissive->one_shot && !made.once;
    const bool was_free = contains(report.allowed, id) || contains(bay.gone_by, id);
    const bool disputed = std::erase(report.wrong, id) > 0 || one_too_many;
    const bool allowed = was_free && !disputed;
    Stay* stay = stay_at(bay);
    if (stay == nullptr) {
        // The stay may have ended by the departure before the movement was counted.
        const bool late = std::erase(bay.left_released, id) > 0 && !disputed;
        if (!late && (!allowed || report.stay_ended)) {
            moved_wrongly(t, bay, id);
            expect_stray(t, bay);
        }
        return;
    }
    if (!allowed)
        moved_wrongly(t, bay, id);
    if (permissive == nullptr)
        return;
    if (permissive->one_shot)
        note_movement(stay->used, id, t.now());
    const bool takes_it_away = permissive->leaving || !permissive->moves_to.empty();
    if (takes_it_away && is_on_its_way(*stay)) {
        stay->doubt = Doubt::counts_changed;  // it was not this unit that went
        return;
    }
    const bool departed = !bay.gone_by.empty();
    if (!permissive->moves_to.empty()) {
        if (move_on(t, bay, report, {*permissive, allowed, !made.once, report.now.fresh}))
            bay.departure_due = !departed;
        return;
    }
    if (!permissive->leaving)
        return;
    end_stay(t, bay, way_of_leaving(bay, *stay, {id}, allowed), report.now.fresh);
    bay.departure_due = !departed;
    report.stay_ended = true;
}

void movements(Transition& t, BayState& bay, Report& report, const ControllerCounts& before) {
    std::vector<Made> made;
    for (const Moved& moved : report.now.moved) {
        const auto was = std::ranges::find(before.moved, moved.permissive, &Moved::permissive);
        const std::uint16_t count_before = was == before.moved.end() ? std::uint16_t{0} : was->count;
        const bool baseline = std::erase(bay.uncounted, moved.permissive) > 0;
        if (moved.count != count_before && !baseline)
            made.push_back({moved.permissive, static_cast<std::uint16_t>(moved.count - count_before) == 1});
    }
    // The one that takes the unit away was the last.
    std::ranges::stable_partition(made, [&](const Made& each) { return !takes_away(t, bay, each.id); });
    for (const Made& each : made)
        one_movement(t, bay, report, each);
    // Counted before, or not counted: what the controller says of it holds all the same.
    for (const PermissiveId& id : report.wrong)
        moved_wrongly(t, bay, id);
}

// The unit left its place while it was free to move to another bay: by that way, if no other was free.
bool moves_away(Transition& t, BayState& bay, Report& report, bool may_have_left) {
    const config::Station* station = rules_at(t.rules, t.state, bay);
    std::vector<const config::Permissive*> ways;
    for (const PermissiveId& id : report.allowed) {
        const config::Permissive* way = station != nullptr ? permissive_in(*station, id) : nullptr;
        if (way != nullptr && !way->moves_to.empty())
            ways.push_back(way);
    }
    if (ways.empty())
        return false;
    if (may_have_left || ways.size() > 1) {
        bay.gone_by = report.allowed;
        return true;
    }
    const BayState* to = bay_of(t.state, BayId{ways.front()->moves_to});
    if (to == nullptr || stay_at(*to) != nullptr)
        return false;
    std::vector<PermissiveId> late = report.allowed;
    if (!move_on(t, bay, report, {*ways.front(), true, false, report.now.fresh}))
        return false;
    if (ways.front()->one_shot)
        note_movement(stay_at(*bay_of(t.state, report.moved->to))->used, report.moved->permissive, t.now());
    bay.left_released = std::move(late);
    return true;
}

void departures(Transition& t, BayState& bay, Report& report, const ControllerCounts& before) {
    if (report.now.departures == before.departures)
        return;
    const bool one = static_cast<std::uint16_t>(report.now.departures - before.departures) == 1;
    const bool was_due = std::exchange(bay.departure_due, false);
    Stay* stay = stay_at(bay);
    // More left than was known to be there: it may come to the next bay.
    if (!one || (stay == nullptr && !was_due))
        expect_stray(t, bay);
    if (was_due || stay == nullptr)  // it was the unit whose leaving movement was counted already
        return;
    if (is_on_its_way(*stay)) {
        stay->doubt = Doubt::counts_changed;  // something else left the place
        return;
    }
    const bool released = released_for_leaving(t, bay, report.allowed);
    if (moves_away(t, bay, report, released))
        return;
    // Without a guarded way, an incomplete unit leaves by the way that its plan describes.
    const bool by_decision = stay->leaves_incomplete.has_value() && !released;
    const Leaving how = by_decision
                            ? Leaving::incomplete
                            : way_of_leaving(bay, *stay, leaving_among(t, bay, report.allowed), released);
    std::vector<PermissiveId> late = released ? report.allowed : std::vector<PermissiveId>{};
    end_stay(t, bay, how, report.now.fresh);
    bay.left_released = std::move(late);
    report.stay_ended = true;
}

void arrivals(Transition& t, BayState& bay, const Report& report, const ControllerCounts& before) {
    if (report.now.arrivals == before.arrivals)
        return;
    Stay* stay = stay_at(bay);
    if (stay == nullptr) {
        if (!note_early_arrival(t, bay))
            begin_stay(t, bay);
    } else if (is_on_its_way(*stay)) {
        note_arrival(t, bay, *stay);
        if (static_cast<std::uint16_t>(report.now.arrivals - before.arrivals) != 1)
            stay->doubt = Doubt::counts_changed;
    } else {
        bay.gone_by.clear();
        // An arrival without a departure: whether this is still the same unit, nobody can tell from here.
        stay->doubt = Doubt::counts_changed;
    }
}

// A unit that was on its way came, and is gone again: what took it away was counted after its arrival.
bool arrives_and_goes(Transition& t, BayState& bay, const Report& report, const ControllerCounts& before) {
    Stay* stay = stay_at(bay);
    const bool both = report.now.arrivals != before.arrivals && report.now.departures != before.departures;
    if (stay == nullptr || !is_on_its_way(*stay) || !both || bay.departure_due ||
        report.now.present != Presence::absent)
        return false;
    arrivals(t, bay, report, before);
    return true;
}

void presence_after_gap(BayState& bay, const Report& report, const ControllerCounts& before) {
    Stay* stay = stay_at(bay);
    if (stay == nullptr)
        return;
    if (report.now.starts != before.starts)
        stay->doubt = Doubt::controller_restarted;
    // Of a unit on its way, that nothing stands where it is to come.
    const Presence wanted = is_on_its_way(*stay) ? Presence::absent : Presence::present;
    const bool unchanged = report.now.arrivals == before.arrivals &&
                           report.now.departures == before.departures && report.now.starts == before.starts &&
                           report.now.present == wanted;
    const bool may_clear = stay->doubt == Doubt::restarted || stay->doubt == Doubt::controller_link_lost;
    if (unchanged && may_clear)
        stay->doubt = Doubt::none;
}

// ---- tickets ------------------------------------------------------------------------------------------

bool is_wanted_kind(const config::Station& station, const std::string& kind) {
    return std::ranges::find(station.pair.ticket_kinds, kind) != station.pair.ticket_kinds.end();
}

void put_scanned(Stay& stay, const Ticket& ticket) {
    put_ticket(stay, ticket);
    if (ticket.earlier_stays > 0)
        stay.return_accepted = false;  // an earlier answer was about another ticket
}

void ask_whether_it_left(Stay& stay, const Ticket& ticket) {
    const bool asked = std::ranges::any_of(stay.refused_tickets, [&](const Ticket& refused) {
        return refused.kind == ticket.kind && refused.serial == ticket.serial;
    });
    if (asked || stay.refused_tickets.size() >= refused_tickets_kept)
        return;
    stay.refused_tickets.push_back(ticket);
}

Outcome belongs_elsewhere(const config::Station& station, Stay& stay, const Ticket& ticket) {
    ask_whether_it_left(stay, ticket);
    return Questioned{step_of_repeated(station, stay, ticket)};
}

Outcome scan_during_stay(Transition& t, const config::Station& station, Stay& stay, const Ticket& ticket) {
    const auto same_kind = std::ranges::find(stay.tickets, ticket.kind, &Ticket::kind);
    if (same_kind == stay.tickets.end()) {
        // While it is not certain which unit is here, a missing ticket could be another unit's.
        const bool uncertain = stay.doubt != Doubt::none && !stay.tickets.empty();
        if (uncertain || !stay.refused_tickets.empty()) {
            ask_whether_it_left(stay, ticket);
            return Questioned{"it is not certain which unit is at the bay"};
        }
        put_scanned(stay, ticket);
        stay.doubt = Doubt::none;
        identify(t, stay);
        return Applied{};
    }
    if (says_the_same(*same_kind, ticket)) {
        stay.doubt = Doubt::none;
        return Applied{};
    }
    if (std::holds_alternative<WrongPair>(stay.identity) && stay.doubt == Doubt::none) {
        put_scanned(stay, ticket);  // a corrected scan; the wrong one stays in the record
        identify(t, stay);
        return Applied{};
    }
    return belongs_elsewhere(station, stay, ticket);
}

Outcome not_arrived(const config::Station& station, const TicketScanned& scanned) {
    return Refused{RefusalCode::not_possible_now,
                   "no unit has arrived at the bay yet; " + steps_for(station, scanned.kind)};
}

Outcome scan(Transition& t, BayState& bay, const TicketScanned& scanned) {
    const config::Station* station = rules_at(t.rules, t.state, bay);
    if (station == nullptr)
        return Refused{RefusalCode::not_possible_now, "no rules are in force"};
    if (!is_wanted_kind(*station, scanned.kind))
        return Refused{RefusalCode::not_possible_now, no_step_for(*station, scanned.kind)};
    if (stay_at(bay) == nullptr) {
        if (bay.controller.present != Presence::present || bay.departure_due)
            return not_arrived(*station, scanned);
        begin_stay(t, bay);
    } else if (is_on_its_way(*stay_at(bay))) {
        if (bay.controller.present != Presence::present)
            return not_arrived(*station, scanned);
        if (stay_at(bay)->doubt == Doubt::none)
            stay_at(bay)->doubt = Doubt::moved_in_doubt;  // what is seen there need not be this unit
    }
    const Ticket ticket{.kind = scanned.kind,
                        .serial = scanned.serial,
                        .order = scanned.order,
                        .type = scanned.type,
                        .scanned = t.now(),
                        .earlier_stays = scanned.earlier_stays + open_elsewhere(t.state, bay, scanned.serial),
                        .joined = scanned.joined,
                        .closed_order = scanned.closed_order};
    Stay& stay = *stay_at(bay);
    Outcome outcome = scan_during_stay(t, *station, stay, ticket);
    if (is_on_its_way(stay) && stay.doubt == Doubt::none) {
        bay.stray_due = false;
        note_arrival(t, bay, stay);  // a person stands before it
    }
    return outcome;
}

std::string why_unused(const Outcome& outcome) {
    if (const auto* refused = std::get_if<Refused>(&outcome))
        return sentence(*refused);
    const auto* elsewhere = std::get_if<Questioned>(&outcome);
    return elsewhere != nullptr ? sentence(*elsewhere) : std::string{};
}

// ---- what people confirm --------------------------------------------------------------------------------

struct UnderPlan {
    const config::Station& station;
    const config::Plan& plan;
    Stay& stay;
};

// The id by which a person confirms the step; empty: it is not confirmed by a person.
std::string confirmed_as(const UnderPlan& at, const config::Step& step) {
    if (const auto* confirm = std::get_if<config::ConfirmStep>(&step))
        return confirm->id;
    const auto* tighten = std::get_if<config::TightenStep>(&step);
    const config::Joint* joint =
        tighten != nullptr ? joint_in(at.station, at.stay.other_ways, tighten->joint) : nullptr;
    return joint != nullptr && joint->method == config::Method::confirmed_check ? joint->id : std::string{};
}

// Steps of the stage that is open now.
std::vector<std::string> open_to_confirm(const UnderPlan& at) {
    std::vector<std::string> ids;
    const std::size_t open = open_stage(at.station, at.plan, at.stay);
    if (open == at.plan.stages.size())
        return ids;
    for (const config::Step& step : at.plan.stages[open].steps) {
        std::string id = confirmed_as(at, step);
        if (!id.empty() && !is_step_done(at.station, at.stay, step))
            ids.push_back(std::move(id));
    }
    return ids;
}

Outcome confirm(const Transition& t, const UnderPlan& at, const std::string& id, PersonNumber by) {
    const std::size_t open = open_stage(at.station, at.plan, at.stay);
    for (std::size_t stage = 0; stage < at.plan.stages.size(); ++stage) {
        for (const config::Step& step : at.plan.stages[stage].steps) {
            if (id.empty() || confirmed_as(at, step) != id)
                continue;
            if (is_step_done(at.station, at.stay, step))
                return Refused{RefusalCode::already_settled, ""};
            if (stage > open)
                return Refused{RefusalCode::not_possible_now, "earlier steps are still open"};
            if (std::holds_alternative<config::ConfirmStep>(step)) {
                at.stay.checks.push_back({id, t.now(), by});
            } else {
                JointState* state = joint_of(at.stay, id);
                state->confirmed = t.now();
                state->confirmed_by = by;
                touch(t, *state);
            }
            return Applied{};
        }
    }
    return Refused{RefusalCode::no_such_thing, std::string(refusal::no_check) + id};
}

Outcome confirm_by_button(const Transition& t, const UnderPlan& at, const std::string& step,
                          PersonNumber by) {
    auto outcome = confirm(t, at, step, by);
    return std::holds_alternative<Applied>(outcome) ? Confirmed{at.stay.id, step, by} : std::move(outcome);
}

// What came in doubt of the unit, or of the time: where that unit is gone by now and another one came before
// anybody looked, it may have been made at either.
std::vector<UnassignedResult> made_in_doubt(const BayState& bay) {
    const Stay* stay = stay_at(bay);
    std::vector<UnassignedResult> doubtful;
    if (stay != nullptr)
        std::ranges::copy_if(stay->unassigned, std::back_inserter(doubtful),
                             [](const UnassignedResult& result) {
                                 return result.why == UnassignedWhy::question_open ||
                                        result.why == UnassignedWhy::not_in_one_stay;
                             });
    return doubtful;
}

void pass_on(const Transition& t, BayState& bay, std::vector<UnassignedResult> doubtful) {
    if (Stay* stay = stay_at(bay); stay != nullptr && stay->id == t.now())
        std::ranges::move(doubtful, std::back_inserter(stay->unassigned));
}

}  // namespace

Outcome apply(Transition& t, const ControllerReported& reported) {
    BayState* bay = bay_of(t.state, reported.bay);
    if (bay == nullptr)
        return Refused{RefusalCode::no_such_thing, "no bay " + reported.bay.text};
    ControllerState& controller = bay->controller;
    const bool first = !controller.counts.has_value();
    const ControllerCounts now{reported.arrivals, reported.departures, reported.starts, reported.moved};
    const ControllerCounts before = controller.counts.value_or(now);
    Report report{reported, reported.on_wire_released, reported.moved_wrongly, false};
    if (bay->wiring_test)
        report.allowed.clear();  // what tries the wiring lets nothing move
    for (const PermissiveId& id : controller.standing)
        add_once(report.allowed, id);
    controller.standing.clear();
    std::erase_if(report.wrong,
                  [&](const PermissiveId& id) { return contains(controller.moved_wrongly, id); });
    controller.moved_wrongly = reported.moved_wrongly;
    controller.counts = now;
    controller.present = reported.present;
    controller.echoed = reported.echoed;
    controller.fault = reported.fault;
    if (first)
        return Applied{};  // a baseline: nothing is known to have changed
    std::vector<UnassignedResult> doubtful;
    if (now.arrivals != before.arrivals)
        doubtful = made_in_doubt(*bay);
    presence_after_gap(*bay, report, before);
    const bool came_first = arrives_and_goes(t, *bay, report, before);
    movements(t, *bay, report, before);
    departures(t, *bay, report, before);
    if (!came_first)
        arrivals(t, *bay, report, before);
    pass_on(t, *bay, std::move(doubtful));
    if (reported.present == Presence::absent) {
        bay->departure_due = false;
        forget_early_arrival(*bay);
    }
    return report.moved ? Outcome{std::move(*report.moved)} : Outcome{Applied{}};
}

Outcome apply(Transition& t, const TicketScanned& scanned) {
    BayState* bay = bay_of(t.state, scanned.bay);
    if (bay == nullptr)
        return Refused{RefusalCode::no_such_thing, "no bay " + scanned.bay.text};
    Outcome outcome = scan(t, *bay, scanned);
    if (std::string why = why_unused(outcome); why.empty())
        bay->unused_scan.reset();
    else
        bay->unused_scan = UnusedScan{t.now(), std::move(why)};
    return outcome;
}

Outcome apply(Transition& t, const LabelMisread& misread) {
    if (BayState* bay = bay_of(t.state, misread.bay))
        bay->unused_scan = UnusedScan{t.now(), misread.why};
    return Applied{};
}

Outcome apply(Transition& t, const OperatorSignedOn& signed_on) {
    BayState* bay = bay_of(t.state, signed_on.bay);
    if (bay == nullptr)
        return Refused{RefusalCode::no_such_thing, "no bay " + signed_on.bay.text};
    const Person* person = person_of(t.state, signed_on.person);
    if (person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    sign_on(t, *bay, signed_on.person);
    return Applied{};
}

Outcome apply(Transition& t, const OperatorSignedOff& signed_off) {
    BayState* bay = bay_of(t.state, signed_off.bay);
    if (bay == nullptr)
        return Refused{RefusalCode::no_such_thing, "no bay " + signed_off.bay.text};
    if (!bay->signed_on)
        return Refused{RefusalCode::not_possible_now, std::string(refusal::nobody_signed_on)};
    sign_on(t, *bay, std::nullopt);
    return Applied{};
}

Outcome apply(Transition& t, const CheckConfirmed& confirmed) {
    BayState* bay = bay_of(t.state, confirmed.bay);
    Stay* stay = bay != nullptr ? stay_at(*bay) : nullptr;
    if (stay == nullptr)
        return Refused{RefusalCode::no_stay, ""};
    const Person* person = person_of(t.state, confirmed.by);
    if (person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    const config::Station* station = rules_of(t.rules, stay->rules);
    const config::Plan* plan = station != nullptr ? plan_of(*station, *stay) : nullptr;
    if (plan == nullptr)
        return Refused{RefusalCode::not_possible_now, "the unit is not identified"};
    if (auto refused = not_about_it(*stay, {.seen = confirmed.seen}))
        return *refused;
    return confirm(t, {*station, *plan, *stay}, confirmed.step, confirmed.by);
}

Outcome apply(Transition& t, const ButtonPressed& pressed) {
    const auto refused = [](std::string why) {
        return Refused{RefusalCode::not_possible_now, std::move(why)};
    };
    BayState* bay = bay_of(t.state, pressed.bay);
    Stay* stay = bay != nullptr ? stay_at(*bay) : nullptr;
    if (stay == nullptr)
        return Refused{RefusalCode::no_stay, ""};
    if (!bay->signed_on)
        return refused("the button confirms for whoever is signed on, and nobody is");
    const config::Station* station = rules_of(t.rules, stay->rules);
    const config::Plan* plan = station != nullptr ? plan_of(*station, *stay) : nullptr;
    if (plan == nullptr)
        return refused("the unit is not identified");
    if (!is_certain(*stay))
        return refused("it is not certain which unit is at the bay");
    if (is_on_its_way(*stay) || !made_after(pressed.made, here_since(*stay)))
        return refused("it was pressed before the unit came");
    const UnderPlan at{*station, *plan, *stay};
    if (!pressed.step.empty())
        return confirm_by_button(t, at, pressed.step, *bay->signed_on);
    const std::vector<std::string> open = open_to_confirm(at);
    if (open.empty())
        return refused("no step is open for a confirmation");
    if (open.size() > 1)
        return refused("more than one step is open for a confirmation, and the button does not say which");
    return confirm_by_button(t, at, open.front(), *bay->signed_on);
}

}  // namespace tautgate::interlock
