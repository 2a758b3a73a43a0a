// The beginning, the identity and the end of a unit's stay.
#include <algorithm>

#include "service/interlock/bypass.hpp"
#include "service/interlock/moves.hpp"
#include "service/interlock/orders.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

// Results of a unit that left may still arrive; those of earlier ones are filed by their serial number.
constexpr std::size_t ended_stays_kept = 16;
// Of what was made before the oldest of them it is not known who made it.
constexpr std::size_t sign_ons_kept = 16;

// What was done to the fasteners under another plan stays done: who tightened, attempts, locks. Its proof
// does not count by this one.
void carry_over(const JointState& before, JointState& joint) {
    joint.tightened_by = before.tightened_by;
    joint.tightened_unsigned = before.tightened_unsigned;
    for (std::size_t i = 0; i < joint.fasteners.size() && i < before.fasteners.size(); ++i) {
        FastenerState& fastener = joint.fasteners[i];
        fastener.locked = before.fasteners[i].locked;
        fastener.loosening_due = before.fasteners[i].loosening_due;
        fastener.replacement_due = before.fasteners[i].replacement_due;
        for (std::size_t p = 0; p < fastener.passes.size() && p < before.fasteners[i].passes.size(); ++p)
            fastener.passes[p].attempts = before.fasteners[i].passes[p].attempts;
    }
}

void lay_out(Transition& t, Stay& stay, const config::Station& station, const config::Plan& plan) {
    std::vector<JointState> before = std::move(stay.joints);
    before.insert(before.end(), stay.former_joints.begin(), stay.former_joints.end());
    stay.joints.clear();
    stay.checks.clear();
    stay.laid_out = plan.id;
    count_unit(t.state, stay, station, plan, t.now());
    for (const PlannedJoint& planned : joints_of(station, plan, stay.other_ways)) {
        if (planned.joint == nullptr)
            continue;  // check_invariants: is_proven stays false without its state
        JointState joint;
        joint.id = JointId{planned.joint->id};
        joint.changed = t.now();
        if (planned.joint->method != config::Method::confirmed_check) {
            FastenerState fastener;
            fastener.passes.resize(planned.joint->passes.size());
            joint.fasteners.assign(planned.joint->fasteners.size(), fastener);
        }
        const auto known = std::ranges::find(before, joint.id, &JointState::id);
        if (known != before.end()) {
            carry_over(*known, joint);
            before.erase(known);
        }
        stay.joints.push_back(std::move(joint));
    }
    stay.former_joints = std::move(before);
}

std::optional<std::string> mismatch(const config::Station& station, const config::Variant& variant,
                                    const Stay& stay) {
    if (station.pair.same_order) {
        for (const Ticket& ticket : stay.tickets) {
            if (ticket.order != stay.tickets.front().order) {
                return "order " + stay.tickets.front().order + " and order " + ticket.order;
            }
        }
    }
    for (const config::TypesOfKind& types : variant.types) {
        const Ticket* ticket = ticket_of(stay, types.ticket_kind);
        if (ticket != nullptr && std::ranges::find(types.types, ticket->type) == types.types.end()) {
            return "type " + ticket->type + " does not go with variant " + variant.name;
        }
    }
    return std::nullopt;
}

Identity judge_pair(const config::Station& station, const Stay& stay) {
    for (const std::string& kind : station.pair.ticket_kinds) {
        if (ticket_of(stay, kind) == nullptr)
            return TicketsMissing{};
    }
    const Ticket* naming = ticket_of(stay, station.pair.variant_kind);
    const Ticket* unit = ticket_of(stay, station.pair.unit_kind);
    if (naming == nullptr || unit == nullptr)
        return TicketsMissing{};
    const config::Variant* variant = variant_of(station, naming->type);
    if (variant == nullptr)
        return UnknownVariant{naming->type};
    if (auto why = mismatch(station, *variant, stay))
        return WrongPair{std::move(*why)};
    const config::Plan* plan = plan_in(station, variant->plan);
    if (plan == nullptr)
        return UnknownVariant{naming->type};
    return Identified{unit->serial, variant->id, plan->id, plan->revision};
}

}  // namespace

void begin_stay(Transition& t, BayState& bay) {
    Stay stay;
    stay.id = t.now();
    stay.token = bay.offered;
    stay.began = t.event.at;
    stay.rules = t.state.rules.value_or(Revision{});
    if (const config::Station* station = rules_of(t.rules, t.state.rules))
        stay.other_ways = ways_at_beginning(t.state, *station);
    // Whatever could not be digested may have been about this unit.
    stay.set_aside = std::move(bay.set_aside);
    bay.set_aside.clear();
    bay.occupant = std::move(stay);
    bay.left_released.clear();
    bay.departure_due = false;
    bay.unused_scan.reset();
    bay.expected.reset();
    bay.stray_due = false;  // this may be the one, and its ticket is still to be scanned
}

Serial unit_of(const Stay& stay) {
    if (const auto* identified = std::get_if<Identified>(&stay.identity))
        return identified->unit;
    return stay.tickets.empty() ? Serial{} : stay.tickets.front().serial;
}

namespace {

void add_hold(State& state, UnitHold added) {
    const bool known = std::ranges::any_of(state.holds, [&](const UnitHold& hold) {
        return hold.unit == added.unit && hold.why == added.why && hold.nameless == added.nameless;
    });
    if (!known)
        state.holds.push_back(std::move(added));
}

Serial name_of(const Stay& stay) { return {"stay " + std::to_string(stay.id.value)}; }

}  // namespace

void hold_unit(State& state, const Serial& unit, EventNumber since, std::string why) {
    if (!unit.text.empty())
        add_hold(state, {unit, since, std::move(why)});
}

namespace {

// What was held before anybody knew which unit it is, or after it was taken for another one.
void hold_by_name(State& state, const Stay& stay, EventNumber now) {
    const Serial unit = unit_of(stay);
    if (unit.text.empty())
        return;
    const auto named = std::ranges::stable_partition(
        state.holds, [&](const UnitHold& hold) { return !hold.nameless || hold.unit != name_of(stay); });
    const std::vector<UnitHold> held(named.begin(), named.end());
    state.holds.erase(named.begin(), named.end());
    for (const UnitHold& hold : held)
        hold_unit(state, unit, hold.since, hold.why);
    if (stay.ever_moved_unproven)
        hold_unit(state, unit, now, "moved unproven");
}

// No scan will ever name one again: they are there for people, who have older ones in the record.
void drop_oldest_nameless(State& state) {
    constexpr std::ptrdiff_t nameless_kept = 100;
    if (std::ranges::count_if(state.holds, &UnitHold::nameless) > nameless_kept)
        state.holds.erase(std::ranges::find_if(state.holds, &UnitHold::nameless));
}

}  // namespace

void hold_unit_of(State& state, const Stay& stay, EventNumber since, std::string why) {
    const Serial unit = unit_of(stay);
    if (!unit.text.empty())
        return hold_unit(state, unit, since, std::move(why));
    add_hold(state, {name_of(stay), since, std::move(why), true});
    drop_oldest_nameless(state);
}

std::uint32_t open_elsewhere(const State& state, const BayState& here, const Serial& serial) {
    return static_cast<std::uint32_t>(std::ranges::count_if(state.bays, [&](const BayState& bay) {
        const Stay* stay = bay.id == here.id ? nullptr : stay_at(bay);
        return stay != nullptr &&
               std::ranges::find(stay->tickets, serial, &Ticket::serial) != stay->tickets.end();
    }));
}

bool released_for_leaving(const Transition& t, const BayState& bay,
                          const std::vector<PermissiveId>& released) {
    const config::Station* station = rules_at(t.rules, t.state, bay);
    if (station == nullptr)
        return false;
    return std::ranges::any_of(released, [&](const PermissiveId& id) {
        const config::Permissive* permissive = permissive_in(*station, id);
        return permissive != nullptr && permissive->leaving;
    });
}

void vacate(BayState& bay, Token fresh) {
    bay.occupant = Empty{};
    bay.unused_scan.reset();
    bay.gone_by.clear();
    bay.offered = fresh;
}

// Those of tightenings that were still waiting, and of those that counted without.
std::vector<CurveDue> curves_due(const Stay& stay) {
    std::vector<CurveDue> due;
    for (const JointState& joint : stay.joints) {
        for (const FastenerState& fastener : joint.fasteners) {
            for (std::uint32_t pass = 0; pass < fastener.passes.size(); ++pass) {
                const PassState& at = fastener.passes[pass];
                if (at.awaited)
                    due.push_back({joint.id, pass, at.awaited->of});
                else if (at.proof && at.proof->curve && at.proof->curve->digest.empty())
                    due.push_back({joint.id, pass, at.proof->curve->of});
            }
        }
    }
    return due;
}

void end_stay(Transition& t, BayState& bay, Leaving how, Token fresh) {
    const Stay stay = std::get<Stay>(bay.occupant);
    const Serial unit = unit_of(stay);
    switch (how) {
    case Leaving::proven: break;
    case Leaving::incomplete: hold_unit_of(t.state, stay, t.now(), "left incomplete"); break;
    case Leaving::unproven:
        hold_unit_of(t.state, stay, t.now(), "left unproven");
        t.alarm(AlarmCode::left_unproven, bay.id, unit, "the unit left while it was withheld");
        break;
    }
    if (how != Leaving::proven)
        expect_stray(t, bay);
    const auto* identified = std::get_if<Identified>(&stay.identity);
    close_order(t, stay, how);
    leaves_with_subassemblies(t, stay);
    t.state.ended.push_back({.id = stay.id,
                             .bay = bay.id,
                             .unit = unit,
                             .began = stay.began,
                             .ended = t.event.at,
                             .rules = stay.rules,
                             .plan = identified != nullptr ? identified->plan : std::string{},
                             .earlier_places = stay.earlier_places,
                             .here_since = stay.moved_here ? std::optional(here_since(stay)) : std::nullopt,
                             .curves_due = curves_due(stay),
                             .other_ways = stay.other_ways});
    if (t.state.ended.size() > ended_stays_kept)
        t.state.ended.erase(t.state.ended.begin());
    vacate(bay, fresh);
    t.effects.emplace_back(TakeSnapshot{});
}

void sign_on(const Transition& t, BayState& bay, std::optional<PersonNumber> person) {
    bay.signed_on = person;
    bay.sign_ons.push_back({person, t.event.at});
    if (bay.sign_ons.size() > sign_ons_kept)
        bay.sign_ons.erase(bay.sign_ons.begin());
}

bool says_the_same(const Ticket& one, const Ticket& other) {
    return one.serial == other.serial && one.order == other.order && one.type == other.type;
}

const Ticket* unseen_ticket(const Stay& stay, EventNumber seen) {
    const auto found =
        std::ranges::find_if(stay.tickets, [&](const Ticket& ticket) { return seen < ticket.scanned; });
    return found == stay.tickets.end() ? nullptr : &*found;
}

std::optional<Refused> not_about_it(const Stay& stay, const AboutTheUnit& said) {
    if (!is_certain(stay))
        return Refused{RefusalCode::not_possible_now, "it is not certain which unit is at the bay"};
    if (is_on_its_way(stay) && !said.under_way_too)
        return Refused{RefusalCode::not_possible_now, "the unit is on its way to the bay"};
    // A request that comes late, or again, is not about the next unit.
    if (said.seen < came_with(stay) || unseen_ticket(stay, said.seen) != nullptr)
        return Refused{RefusalCode::seen_too_old, "the unit at the bay came or was named after that"};
    return std::nullopt;
}

std::expected<FastenerMeant, Refused> fastener_meant(Transition& t, const FastenerNamed& named) {
    const auto refuse = [](RefusalCode code, std::string why) {
        return std::unexpected(Refused{code, std::move(why)});
    };
    BayState* bay = bay_of(t.state, named.bay);
    if (bay == nullptr)
        return refuse(RefusalCode::no_such_thing, "no bay " + named.bay.text);
    const Person* person = person_of(t.state, named.by);
    if (person == nullptr)
        return refuse(RefusalCode::unknown_person, "");
    if (person->suspended)
        return refuse(RefusalCode::suspended, "");
    Stay* stay = stay_at(*bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay, "");
    if (auto refused = not_about_it(*stay, named.unit))
        return std::unexpected(std::move(*refused));
    const config::Station* station = rules_of(t.rules, stay->rules);
    const bool identified = station != nullptr && plan_of(*station, *stay) != nullptr;
    const config::Joint* joint =
        identified ? joint_in(*station, stay->other_ways, named.joint.text) : nullptr;
    JointState* state = identified ? joint_of(*stay, named.joint.text) : nullptr;
    if (joint == nullptr || state == nullptr)
        return refuse(RefusalCode::no_such_joint, named.joint.text);
    if (named.fastener >= state->fasteners.size())
        return refuse(RefusalCode::no_such_thing, "the joint has no such fastener that is tightened");
    return FastenerMeant{*stay, *joint, *state};
}

void put_ticket(Stay& stay, const Ticket& ticket) {
    const auto same = std::ranges::find(stay.tickets, ticket.kind, &Ticket::kind);
    if (same == stay.tickets.end()) {
        stay.tickets.push_back(ticket);
    } else {
        *same = ticket;
    }
    // It was decided about the unit as it was known then: with another ticket it may be another unit.
    stay.leaves_incomplete.reset();
}

void forget_decisions(const Transition& t, Stay& stay) {
    for (JointState& joint : stay.joints) {
        joint.override_.reset();
        touch(t, joint);
    }
    stay.proposals.clear();
}

void touch(const Transition& t, JointState& joint) {
    joint.changed = t.now();
    joint.witnessed.reset();  // of what was seen then
}

void take_all_proof(const Transition& t, JointState& joint) {
    for (FastenerState& fastener : joint.fasteners) {
        for (PassState& pass : fastener.passes) {
            pass.proof.reset();
            pass.awaited.reset();
        }
    }
    joint.override_.reset();
    touch(t, joint);
}

void identify(Transition& t, Stay& stay) {
    const config::Station* station = rules_of(t.rules, stay.rules);
    if (station == nullptr)
        return;
    const Identity before = stay.identity;
    stay.identity = judge_pair(*station, stay);
    hold_by_name(t.state, stay, t.now());
    if (stay.identity != before && !stay.joints.empty())
        forget_decisions(t, stay);
    follow_order(t, stay);
    forget_former_reuses(stay);
    // While no plan is known nothing counts; what was tightened is tightened when the same one is known
    // again.
    const config::Plan* plan = plan_of(*station, stay);
    if (plan != nullptr && plan->id != stay.laid_out)
        lay_out(t, stay, *station, *plan);
}

void take_in_parts(State& state, const config::Station& station, const std::vector<FreshToken>& tokens) {
    for (const config::Bay& known : station.bays) {
        const BayId id{known.id};
        if (bay_of(state, id) == nullptr) {
            BayState bay;
            bay.id = id;
            state.bays.push_back(std::move(bay));
        }
        BayState& bay = *bay_of(state, id);
        const auto fresh = std::ranges::find(tokens, id, &FreshToken::bay);
        if (bay.offered == Token{} && fresh != tokens.end())
            bay.offered = fresh->token;
        for (const config::Permissive& permissive : station.permissives) {
            const bool mine = permissive.bay == known.id;
            const bool there = std::ranges::any_of(
                bay.permissives, [&](const PermissiveState& p) { return p.id.text == permissive.id; });
            if (!mine || there)
                continue;
            bay.permissives.push_back({PermissiveId{permissive.id}, Withheld{}, {}});
            if (bay.controller.counts)
                bay.uncounted.push_back(PermissiveId{permissive.id});
        }
    }
    for (const config::Tool& known : station.tools) {
        if (tool_of(state, ToolId{known.id}) != nullptr)
            continue;
        ToolState tool;
        tool.id = ToolId{known.id};
        tool.asked = true;  // nothing of ours depends on it yet
        state.tools.push_back(std::move(tool));
    }
}

}  // namespace tautgate::interlock
