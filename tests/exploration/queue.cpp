#include "tests/exploration/queue.hpp"

#include <algorithm>
#include <array>
#include <deque>
#include <optional>
#include <unordered_map>
#include <utility>
#include <vector>

#include "service/interlock/canonical.hpp"
#include "tests/exploration/ranks.hpp"

namespace tautgate::exploration {
namespace {

using namespace story;

constexpr std::uint32_t mishaps_at_most = 2;
constexpr std::size_t units_in_all = 2;
constexpr std::int64_t now_ns = 40;
const std::string boot = "boot";

// ---- the station ------------------------------------------------------------------------------------------

config::Station queue_station() {
    config::Station station = small_station();
    config::Bay second = station.bays.front();
    second.id = second.name = "B2";
    second.number = 2;
    station.bays.push_back(second);
    station.tools = {tool("T1")};
    station.joints = {joint("mount", RiskClass::a, config::Placement::listed, "P1", window(40, 60), "T1")};
    station.joints.front().fasteners.resize(1);
    auto shift = permissive("shift", 1);
    shift.scope = config::Scope::stages;
    shift.through_stage = "mounting";
    shift.moves_to = "B2";
    auto side = permissive("side", 2);
    side.leaving = true;
    auto leave = permissive("leave", 3);
    leave.leaving = true;
    leave.bay = "B2";
    station.permissives = {shift, side, leave};
    config::Plan& plan = station.plans.front();
    plan.stages = {{"scan", {config::ScanStep{"D"}}},
                   {"mounting", {config::TightenStep{"mount"}}},
                   {"finish", {config::ConfirmStep{"look", "Look at it"}}}};
    plan.leaving_incomplete.permissives = {"side", "leave"};
    station.variants = {{"V", "V", "plan", {{"D", {"DV"}}}}};
    station.pair = {{"D"}, false, "D", "D"};
    return station;
}

const RuleBook& queue_rules() {
    static const RuleBook rules{{Revision{"q"}, std::make_shared<const config::Station>(queue_station())}};
    return rules;
}

// ---- what is physically so --------------------------------------------------------------------------------

enum class Where : std::uint8_t { outside, first, under_way, second, gone };
TAUTGATE_ENUM(Where, outside, first, under_way, second, gone);

struct RealUnit {
    Where where = Where::outside;
    bool tight = false;
    bool counted = false;  // at B1: its movement was counted, and it has not left its place
    bool operator==(const RealUnit&) const = default;
};
TAUTGATE_FIELDS(RealUnit, where, tight, counted);

struct RealBay {
    std::uint16_t arrivals = 10;
    std::uint16_t departures = 10;
    std::vector<Moved> moved;
    Token echoed;
    bool asks = false;  // for a token: it saw no block since the unit arrived
    bool operator==(const RealBay&) const = default;
};
TAUTGATE_FIELDS(RealBay, arrivals, departures, moved, echoed, asks);

struct Queue {
    std::vector<RealUnit> units = std::vector<RealUnit>(units_in_all);
    std::vector<RealBay> bays = std::vector<RealBay>(2);
    std::uint64_t made = 10;  // results of the tool
    std::uint32_t mishaps_left = mishaps_at_most;
    std::optional<State> durable;  // none: everything is
    State newest;
    [[nodiscard]] const State& on_disk() const { return durable ? *durable : newest; }
};

struct QueueAct {
    std::string name;
    bool mishap = false;
    Queue after;
    std::vector<Record> records;
};

BayId bay_name(std::size_t bay) { return BayId{bay == 0 ? "B1" : "B2"}; }
Where place_at(std::size_t bay) { return bay == 0 ? Where::first : Where::second; }
std::string serial_of_unit(std::size_t unit) { return "D" + std::to_string(unit + 1); }

std::optional<std::size_t> unit_in(const Queue& at, std::size_t bay) {
    for (std::size_t unit = 0; unit < at.units.size(); ++unit)
        if (at.units[unit].where == place_at(bay))
            return unit;
    return std::nullopt;
}

WireOrder on_the_wire(const Queue& at, std::size_t bay, const PermissiveState& permissive) {
    return gate(at.newest.bays[bay], permissive, at.on_disk().newest);
}

bool is_free(const Queue& at, std::size_t bay, const std::string& id) {
    const auto& outputs = at.newest.bays[bay].permissives;
    const auto found = std::ranges::find(outputs, PermissiveId{id}, &PermissiveState::id);
    return on_the_wire(at, bay, *found).code != OnWire::withheld;
}

Token shown_at(const Queue& at, std::size_t bay) {
    return on_the_wire(at, bay, at.newest.bays[bay].permissives.front()).token;
}

bool sees(const Queue& at, std::size_t bay) { return at.newest.bays[bay].controller.link == Quality::good; }

// ---- one thing that happens -------------------------------------------------------------------------------

class Happening {
  public:
    Happening(const Queue& before, std::string name, bool mishap) : before_(before) {
        act.name = std::move(name);
        act.mishap = mishap;
        act.after = before;
        if (mishap)
            --act.after.mishaps_left;
    }
    Queue& floor() { return act.after; }

    Happening& event(Payload payload) {
        Queue& at = act.after;
        if (!at.durable)
            at.durable = at.newest;
        const Event happened{EventNumber{at.newest.newest.value + 1}, {0, now_ns, boot}, std::move(payload)};
        auto [next, record] = decide(queue_rules(), std::move(at.newest), happened);
        at.newest = std::move(next);
        act.records.push_back(std::move(record));
        return *this;
    }
    // What the bay's equipment says, if it is heard. `on_wire` stood there until now.
    Happening& report(std::size_t bay) {
        if (!sees(act.after, bay))
            return *this;
        const RealBay& real = act.after.bays[bay];
        std::vector<PermissiveId> standing;
        for (const PermissiveState& each : before_.newest.bays[bay].permissives)
            if (on_the_wire(before_, bay, each).code != OnWire::withheld)
                standing.push_back(each.id);
        return event(ControllerReported{bay_name(bay),
                                        unit_in(act.after, bay) ? Presence::present : Presence::absent,
                                        real.arrivals,
                                        real.departures,
                                        10,
                                        real.moved,
                                        real.echoed,
                                        false,
                                        Token{1000},
                                        standing,
                                        {}});
    }
    Happening& durable_at_once() {
        act.after.durable.reset();
        return *this;
    }

    QueueAct act;

  private:
    const Queue& before_;
};

// ---- everything that may happen next ----------------------------------------------------------------------

class Next {
  public:
    explicit Next(const Queue& now) : now_(now) {}

    std::vector<QueueAct> all() {
        if (now_.durable) {
            disk();
            return std::move(acts_);
        }
        power();
        for (std::size_t bay = 0; bay < now_.bays.size(); ++bay) {
            link(bay);
            scans(bay);
            people(bay);
            token(bay);
        }
        for (std::size_t unit = 0; unit < now_.units.size(); ++unit)
            travels(unit);
        tightens();
        for (const UnitHold& hold : now_.newest.holds)
            happens("quality lifts the hold", false,
                    [&](Happening& it) { it.event(decided(0, quality, LiftHold{hold.unit})); });
        return std::move(acts_);
    }

  private:
    template <class Change>
    void happens(std::string name, bool mishap, const Change& change) {
        if (mishap && now_.mishaps_left == 0)
            return;
        Happening it(now_, std::move(name), mishap);
        change(it);
        acts_.push_back(std::move(it.act));
    }
    [[nodiscard]] const BayState& believed(std::size_t bay) const { return now_.newest.bays[bay]; }
    [[nodiscard]] const Stay* stay(std::size_t bay) const { return stay_at(believed(bay)); }
    [[nodiscard]] Proposed decided(std::size_t bay, PersonNumber by, Action action) const {
        return {bay_name(bay), std::move(action), by, "checked", "checked by hand", now_.newest.newest};
    }
    [[nodiscard]] bool is_of(const Stay& stay, std::size_t unit) const {
        return std::ranges::all_of(stay.tickets, [&](const interlock::Ticket& ticket) {
            return ticket.serial.text == serial_of_unit(unit);
        });
    }

    void disk() {
        happens("everything is on the disk", false, [](Happening& it) { it.durable_at_once(); });
        happens("power is lost; the station starts from the disk", true, [&](Happening& it) {
            it.floor().newest = now_.on_disk();
            it.event(StationStarted{"test", false, {}})
                .event(ToolLinkChanged{ToolId{"T1"}, Quality::good, "", 1})
                .event(ToolAnswered{ToolId{"T1"}, "e1", now_.made})
                .durable_at_once();
        });
    }
    void power() {
        happens("the station is stopped and started in order", true, [&](Happening& it) {
            it.event(StationStarted{"test", true, {}})
                .event(ToolLinkChanged{ToolId{"T1"}, Quality::good, "", 1})
                .durable_at_once();
        });
    }
    void link(std::size_t bay) {
        const std::string name = bay_name(bay).text;
        if (sees(now_, bay))
            return happens("the link of " + name + " is lost", true, [&](Happening& it) {
                it.event(ControllerLinkChanged{bay_name(bay), Quality::stale, "", 1});
            });
        happens("the link of " + name + " is good again", false, [&](Happening& it) {
            it.event(ControllerLinkChanged{bay_name(bay), Quality::good, "", 1}).report(bay);
            RealBay& real = it.floor().bays[bay];
            if (!std::exchange(real.asks, false))
                return;
            real.echoed = shown_at(it.floor(), bay);
            it.report(bay);
        });
    }

    // ---- units
    void comes(Happening& it, std::size_t unit, std::size_t bay) const {
        RealBay& real = it.floor().bays[bay];
        it.floor().units[unit].where = place_at(bay);
        ++real.arrivals;
        real.asks = !sees(now_, bay);
        real.echoed = real.asks ? Token{} : shown_at(now_, bay);
        it.report(bay);
    }
    void goes(Happening& it, std::size_t unit, std::size_t bay, Where where) const {
        it.floor().units[unit].where = where;
        it.floor().units[unit].counted = false;
        ++it.floor().bays[bay].departures;
        it.report(bay);
    }
    static void counts(Happening& it, std::size_t bay, const std::string& id) {
        auto& moved = it.floor().bays[bay].moved;
        ++std::ranges::find(moved, PermissiveId{id}, &Moved::permissive)->count;
    }
    void travels(std::size_t unit) {
        const RealUnit& real = now_.units[unit];
        const std::string name = "unit " + std::to_string(unit + 1);
        const bool first_free = !unit_in(now_, 0);
        const bool second_free = !unit_in(now_, 1);
        switch (real.where) {
        case Where::outside:
            // They come in the order of their numbers.
            if (unit > 0 && now_.units[unit - 1].where == Where::outside)
                return;
            if (first_free)
                happens(name + " arrives at B1", false, [&](Happening& it) { comes(it, unit, 0); });
            // While one is on its way, an arrival is taken as that one's: no sensor tells them apart, and the
            // guide (several-bays.md) says that nothing else may come there then.
            if (second_free && !another_is_coming())
                happens(name + " is set down at B2 by a crane", true,
                        [&](Happening& it) { comes(it, unit, 1); });
            return;
        case Where::first: return at_first(unit, name);
        case Where::under_way:
            // None overtakes another.
            if (second_free && (unit == 0 || now_.units[unit - 1].where != Where::under_way))
                happens(name + " arrives at B2", false, [&](Happening& it) { comes(it, unit, 1); });
            happens(name + " is taken away on its way", second_free,
                    [&](Happening& it) { it.floor().units[unit].where = Where::gone; });
            return;
        case Where::second:
            happens(name + " leaves over leave", !is_free(now_, 1, "leave"), [&](Happening& it) {
                counts(it, 1, "leave");
                goes(it, unit, 1, Where::gone);
            });
            return;
        case Where::gone: return;
        }
    }
    void at_first(std::size_t unit, const std::string& name) {
        const bool free = is_free(now_, 0, "shift");
        if (now_.units[unit].counted)
            return happens(name + " leaves its place for B2", false,
                           [&](Happening& it) { goes(it, unit, 0, Where::under_way); });
        happens(name + " begins to move over shift", !free, [&](Happening& it) {
            counts(it, 0, "shift");
            it.floor().units[unit].counted = true;
            it.report(0);
        });
        happens(name + " leaves its place over shift, which is not counted", !free,
                [&](Happening& it) { goes(it, unit, 0, Where::under_way); });
        happens(name + " leaves over side", !is_free(now_, 0, "side"), [&](Happening& it) {
            counts(it, 0, "side");
            goes(it, unit, 0, Where::gone);
        });
    }
    void token(std::size_t bay) {
        const auto unit = unit_in(now_, bay);
        const bool another = unit && sees(now_, bay) && now_.bays[bay].echoed != shown_at(now_, bay);
        if (!another || is_on_its_way_there(bay))
            return;
        happens("the unit at " + bay_name(bay).text + " is set down anew", false, [&](Happening& it) {
            it.floor().bays[bay].echoed = shown_at(now_, bay);
            it.report(bay);
        });
    }
    [[nodiscard]] bool another_is_coming() const {
        return is_on_its_way_there(1) || std::ranges::any_of(now_.units, [](const RealUnit& each) {
                   return each.counted || each.where == Where::under_way;
               });
    }
    [[nodiscard]] bool is_on_its_way_there(std::size_t bay) const {
        return stay(bay) != nullptr && is_on_its_way(*stay(bay));
    }

    // ---- people: what they scan is what is there
    void scans(std::size_t bay) {
        const auto unit = unit_in(now_, bay);
        if (!unit)
            return;
        const std::string serial = serial_of_unit(*unit);
        happens(serial + " is scanned at " + bay_name(bay).text, false, [&](Happening& it) {
            it.event(TicketScanned{bay_name(bay), "D", Serial{serial}, "O1", "DV", "", 0});
        });
    }
    void people(std::size_t bay) {
        const Stay* there = stay(bay);
        if (there == nullptr)
            return;
        const auto unit = unit_in(now_, bay);
        const auto decides = [&](const std::string& what, const Action& action, bool in_error = false) {
            happens(what + " at " + bay_name(bay).text, in_error,
                    [&](Happening& it) { it.event(decided(bay, supervisor, action)); });
        };
        const bool its_own = unit && is_of(*there, *unit);
        // It should be looked for before that is said.
        const bool coming = std::ranges::any_of(now_.units, [&](const RealUnit& each) {
            return (each.where == Where::under_way || each.counted) && is_on_its_way_there(bay);
        });
        if (!its_own)
            decides("the unit has left, it is said", UnitHasLeft{Token{1000}}, coming);
        if (its_own && !there->refused_tickets.empty())
            decides("the unit is still here, it is said", UnitStillHere{});
        for (const MovementSeen& moved : there->moved_unproven)
            decides("the movement is acknowledged", AcknowledgeMove{moved.permissive});
        const bool asked = std::ranges::any_of(
            there->tickets, [](const interlock::Ticket& ticket) { return ticket.earlier_stays > 0; });
        if (asked && !there->return_accepted)
            decides("the return is accepted", AcceptReturn{});
        const JointState* mount = joint_of(*there, "mount");
        const bool open = mount != nullptr && !mount->fasteners.front().passes.front().proof;
        if (bay == 1 && open && !there->leaves_incomplete && there->doubt == Doubt::none)
            leaves_incomplete(bay);
        // Whoever looks at a unit does not compare its number with the one on the screen.
        if (bay == 1 && unit && there->checks.empty())
            happens("the look is confirmed at B2", false, [&](Happening& it) {
                it.event(CheckConfirmed{bay_name(1), "look", worker, now_.newest.newest});
            });
    }
    void leaves_incomplete(std::size_t bay) {
        happens("two people let it leave incomplete", false, [&](Happening& it) {
            it.event(decided(bay, supervisor, LeaveIncomplete{}));
            const EventNumber proposal = it.floor().newest.newest;
            it.event(Seconded{bay_name(bay), proposal, quality, proposal}).durable_at_once();
        });
    }
    // What becomes of results over a loss of power is looked at on the other floor.
    void tightens() {
        const auto unit = unit_in(now_, 0);
        const Stay* there = stay(0);
        if (!unit || there == nullptr || there->doubt != Doubt::none || !there->refused_tickets.empty() ||
            !is_of(*there, *unit) || !std::holds_alternative<Identified>(there->identity))
            return;
        const auto made = [&](Direction direction) {
            ResultReceived result{ToolId{"T1"}, "e1", {}, {now_ns + 10, now_ns + 11, boot}, 1};
            result.reading.counter = now_.made + 1;
            result.reading.program = "P1";
            result.reading.direction = direction;
            result.reading.torque = nm(direction == Direction::tighten ? 50 : 0);
            result.reading.angle = deg(45);
            result.reading.tool_verdict = protocol::ToolVerdict::ok;
            return result;
        };
        const JointState* mount = joint_of(*there, "mount");
        const bool proven = mount != nullptr && mount->fasteners.front().passes.front().proof;
        const auto runs = [&](const std::string& what, bool mishap, Direction direction) {
            happens(what, mishap, [&](Happening& it) {
                ++it.floor().made;
                it.floor().units[*unit].tight = direction == Direction::tighten;
                it.event(made(direction)).durable_at_once();
            });
        };
        if (!proven)
            runs("T1 tightens", false, Direction::tighten);
        if (now_.units[*unit].tight)
            runs("T1 loosens", true, Direction::loosen);
    }
    const Queue& now_;
    std::vector<QueueAct> acts_;
};

// ---- what must hold ---------------------------------------------------------------------------------------

// The release is for the unit that is there, which is what it is believed to be.
std::string fault_of_release(const Queue& at, std::size_t bay, const PermissiveState& permissive) {
    const WireOrder order = on_the_wire(at, bay, permissive);
    if (order.code == OnWire::withheld)
        return {};
    const Stay* stay = stay_at(at.newest.bays[bay]);
    if (stay == nullptr || stay->token != order.token)
        return " is free for a stay that is not at its bay";
    const auto unit = unit_in(at, bay);
    if (!unit)
        return " is free, and no unit is there";
    if (stay->tickets.empty() || stay->tickets.front().serial.text != serial_of_unit(*unit))
        return " is free for another unit than the one that is there";
    if (order.code == OnWire::leaving_incomplete)
        return stay->leaves_incomplete ? "" : " lets a unit leave undecided";
    if (!at.units[*unit].tight)
        return " is free, and the bolt is not tight";
    if (permissive.id.text != "shift" && stay->checks.empty())
        return " is free without the look";
    if (permissive.id.text == "shift" && unit_in(at, 1))
        return " is free, and a unit is at the next bay";
    return {};
}

std::string fault_of_tokens(const Queue& at) {
    std::vector<Token> own;
    for (const BayState& bay : at.newest.bays)
        own.push_back(stay_at(bay) != nullptr ? stay_at(bay)->token : bay.offered);
    return own[0] == own[1] ? "two bays have one token" : "";
}

std::string queue_fault(const Queue& at) {
    if (std::string fault = broken_invariant(queue_rules(), at.newest); !fault.empty())
        return fault;
    if (std::string fault = fault_of_tokens(at); !fault.empty())
        return fault;
    for (std::size_t bay = 0; bay < at.bays.size(); ++bay)
        for (const PermissiveState& permissive : at.newest.bays[bay].permissives)
            if (std::string fault = fault_of_release(at, bay, permissive); !fault.empty())
                return permissive.id.text + fault;
    return {};
}

// ---- the same situation under other numbers ---------------------------------------------------------------

constexpr EventNumber whenever{1};

template <class Visit>
void each_number(State& state, const Visit& visit) {
    visit(state.newest);
    for (BayState& bay : state.bays) {
        if (bay.expected)
            visit(bay.expected->stay);
        if (Stay* stay = stay_at(bay)) {
            visit(stay->id);
        }
        each_event_of_outputs(bay, visit);
    }
}

void forget_numbers(Stay& stay) {
    for (auto* tickets : {&stay.tickets, &stay.refused_tickets})
        for (interlock::Ticket& ticket : *tickets)
            ticket.scanned = whenever;
    for (JointState& joint : stay.joints) {
        joint.changed = whenever;
        PassState& pass = joint.fasteners.front().passes.front();
        pass.attempts = std::min(pass.attempts, 1U);
        if (pass.proof)
            pass.proof->result = whenever;
    }
    for (CheckDone& check : stay.checks)
        check.confirmed = whenever;
    for (MovementSeen& moved : stay.moved_unproven)
        moved.seen = whenever;
    if (stay.leaves_incomplete)
        stay.leaves_incomplete = whenever;
    if (stay.moved_here) {
        stay.moved_here->moved = whenever;
        if (stay.moved_here->arrived)
            stay.moved_here->arrived = whenever;
    }
}

// Units without a ticket are on the hold list by the number of their stay.
void name_holds(State& state) {
    for (UnitHold& hold : state.holds) {
        hold.since = whenever;
        hold.why.clear();
        for (const BayState& bay : state.bays) {
            const Stay* stay = stay_at(bay);
            if (stay != nullptr && hold.nameless &&
                hold.unit.text == "stay " + std::to_string(stay->id.value))
                hold.unit.text = "at " + bay.id.text;
        }
    }
    std::erase_if(state.holds,
                  [](const UnitHold& hold) { return hold.nameless && hold.unit.text.starts_with("stay "); });
    std::ranges::sort(state.holds, {}, &UnitHold::unit);
}
void name_holds_again(State& state) {
    for (UnitHold& hold : state.holds)
        for (const BayState& bay : state.bays)
            if (const Stay* stay = stay_at(bay); stay != nullptr && hold.unit.text == "at " + bay.id.text)
                hold.unit.text = "stay " + std::to_string(stay->id.value);
}

void forget_rest(State& state, const Queue& at) {
    name_holds(state);
    state.ended.clear();
    state.unassigned.clear();
    for (BayState& bay : state.bays) {
        bay.unused_scan.reset();
        for (PermissiveState& permissive : bay.permissives)
            for (Reason& reason : permissive.reasons)
                reason.facts.clear();
        if (Stay* stay = stay_at(bay))
            forget_numbers(*stay);
    }
    for (ToolState& tool : state.tools) {
        tool.recent.clear();
        tool.changed = whenever;
        tool.baseline.reset();
        if (auto* following = std::get_if<Following>(&tool.count))
            following->counter = following->counter + 10 - at.made;
    }
}

void shift_counts_of(State& state, const std::vector<RealBay>& real) {
    const auto shift = [](std::uint16_t& count, std::uint16_t base) {
        count = static_cast<std::uint16_t>(count - base + 10);
    };
    for (std::size_t bay = 0; bay < real.size(); ++bay) {
        auto& counts = state.bays[bay].controller.counts;
        if (!counts)
            continue;
        shift(counts->arrivals, real[bay].arrivals);
        shift(counts->departures, real[bay].departures);
        for (std::size_t i = 0; i < counts->moved.size(); ++i)
            shift(counts->moved[i].count, real[bay].moved[i].count);
    }
}

void normalise_queue(Queue& at) {
    std::vector<State*> states{&at.newest};
    if (at.durable)
        states.push_back(&*at.durable);
    Ranks<EventNumber> numbers;
    Ranks<Token> tokens;
    for (State* state : states) {
        forget_rest(*state, at);
        shift_counts_of(*state, at.bays);
        each_number(*state, [&](EventNumber& number) { numbers.note(number); });
        each_token(*state, [&](Token& token) { tokens.note(token); });
    }
    tokens.note(Token{});
    for (RealBay& bay : at.bays)
        tokens.note(bay.echoed);
    numbers.rank(1);
    tokens.rank(1);
    for (State* state : states) {
        each_number(*state, [&](EventNumber& number) { numbers.apply(number); });
        each_token(*state, [&](Token& token) { tokens.apply(token); });
        name_holds_again(*state);
    }
    for (RealBay& bay : at.bays) {
        tokens.apply(bay.echoed);
        bay.arrivals = bay.departures = 10;
        for (Moved& moved : bay.moved)
            moved.count = 10;
    }
    at.made = 10;
}

std::string queue_key(const Queue& at) {
    std::string key;
    canonical(at.units, key);
    canonical(at.bays, key);
    canonical(at.mishaps_left, key);
    canonical(at.durable, key);
    canonical(at.newest, key);
    return key;
}

// ---- the search -------------------------------------------------------------------------------------------

Queue opened() {
    Queue at;
    at.bays[0].moved = {{PermissiveId{"shift"}, 10}, {PermissiveId{"side"}, 10}};
    at.bays[1].moved = {{PermissiveId{"leave"}, 10}};
    const auto happens = [&](Payload payload) {
        Happening it(at, "coming into service", false);
        it.event(std::move(payload)).durable_at_once();
        at = std::move(it.act.after);
    };
    happens(StationStarted{"test", true, {}});
    const auto person = [&](PersonNumber number, Role role) {
        const std::size_t known = at.newest.people.size();
        happens(PersonEnrolled{Person{number, {role}, false}, known > 0 ? std::optional(admin) : std::nullopt,
                               known > 1 ? std::optional(supervisor) : std::nullopt});
    };
    person(admin, Role::administrator);
    person(supervisor, Role::production_supervisor);
    person(quality, Role::quality_engineer);
    person(worker, Role::line_operator);
    happens(RulesApproved{
        Revision{"q"}, admin, supervisor, {{bay_name(0), Token{11}}, {bay_name(1), Token{12}}}});
    happens(OperatorSignedOn{bay_name(0), worker});
    happens(ToolLinkChanged{ToolId{"T1"}, Quality::good, "", 1});
    happens(ToolAnswered{ToolId{"T1"}, "e1", 10});
    for (std::size_t bay = 0; bay < at.bays.size(); ++bay) {
        happens(ControllerLinkChanged{bay_name(bay), Quality::good, "", 1});
        happens(ControllerReported{
            bay_name(bay), Presence::absent, 10, 10, 10, at.bays[bay].moved, Token{}, false, {1000}, {}, {}});
    }
    return at;
}

// Every unit is gone and known to be, or may go from where it stands.
bool is_good_end(const Queue& at) {
    bool all_gone = true;
    for (std::size_t bay = 0; bay < at.bays.size(); ++bay)
        all_gone = all_gone && !unit_in(at, bay) && stay_at(at.newest.bays[bay]) == nullptr;
    return all_gone || is_free(at, 1, "leave") || is_free(at, 0, "shift");
}

struct Digest {
    std::uint64_t low = 0xcbf29ce484222325ULL;
    std::uint64_t high = 0x9e3779b97f4a7c15ULL;
    bool operator==(const Digest&) const = default;
};
struct DigestHash {
    std::size_t operator()(const Digest& digest) const noexcept { return digest.low; }
};
Digest digest_of(const std::string& text) {
    Digest digest;
    for (const char c : text) {
        digest.low = (digest.low ^ static_cast<std::uint8_t>(c)) * 0x100000001b3ULL;
        digest.high = (digest.high + static_cast<std::uint8_t>(c)) * 0xff51afd7ed558ccdULL;
        digest.high ^= digest.high >> 29;
    }
    return digest;
}

struct Visited {
    std::size_t from = 0;
    std::uint32_t act = 0;  // index into the names
    bool good = false;
};

class QueueSearch {
  public:
    QueueFindings run(std::size_t most) {
        Queue first = opened();
        normalise_queue(first);
        add(std::move(first), 0, "in service");
        while (!waiting_.empty() && found_.fault.empty() && visited_.size() < most) {
            const auto [number, at] = std::move(waiting_.front());
            waiting_.pop_front();
            expand(number, at);
        }
        if (found_.fault.empty() && waiting_.empty())
            look_for_dead_ends();
        found_.situations = visited_.size();
        return std::move(found_);
    }

  private:
    void note(const QueueAct& act) {
        for (const Record& record : act.records) {
            ++found_.outcomes[record.outcome.index()];
            if (const auto* moved = std::get_if<StayMoved>(&record.outcome))
                ++found_.seen[moved->unproven ? "moved unproven" : "moved"];
            for (const PermissiveChange& change : record.changes)
                for (const Reason& reason : change.came)
                    ++found_.reasons[reason.code];
        }
        for (const BayState& bay : act.after.newest.bays) {
            if (const Stay* stay = stay_at(bay)) {
                ++found_.doubts[stay->doubt];
                ++found_.seen[is_on_its_way(*stay) ? "on its way" : "there"];
            }
            if (bay.expected)
                ++found_.seen[bay.expected->arrived ? "came early" : "expected"];
            if (!bay.gone_by.empty())
                ++found_.seen["gone by one of two ways"];
        }
        for (std::size_t bay = 0; bay < act.after.bays.size(); ++bay)
            for (const PermissiveState& each : act.after.newest.bays[bay].permissives)
                if (on_the_wire(act.after, bay, each).code != OnWire::withheld)
                    ++found_.seen["free: " + each.id.text];
    }

    void expand(std::size_t number, const Queue& at) {
        for (QueueAct& act : Next(at).all()) {
            note(act);
            ++found_.steps;
            const std::string fault = queue_fault(act.after);
            if (!fault.empty()) {
                found_.fault = fault + "\n" + story_to(number) + "  then: " + act.name;
                return;
            }
            normalise_queue(act.after);
            const std::size_t to = add(std::move(act.after), number, act.name);
            if (!act.mishap)
                ways_.emplace_back(number, to);
        }
    }

    std::size_t add(Queue at, std::size_t from, const std::string& act) {
        const auto [known, is_new] = numbers_.try_emplace(digest_of(queue_key(at)), visited_.size());
        if (is_new) {
            const auto name = names_.try_emplace(act, static_cast<std::uint32_t>(names_.size())).first;
            visited_.push_back({from, name->second, is_good_end(at)});
            waiting_.emplace_back(known->second, std::move(at));
        }
        return known->second;
    }

    void look_for_dead_ends() {
        std::vector<std::vector<std::size_t>> before(visited_.size());
        for (const auto& [from, to] : ways_)
            before[to].push_back(from);
        std::vector<std::size_t> open;
        for (std::size_t i = 0; i < visited_.size(); ++i)
            if (visited_[i].good)
                open.push_back(i);
        while (!open.empty()) {
            const std::size_t at = open.back();
            open.pop_back();
            for (const std::size_t from : before[at])
                if (!std::exchange(visited_[from].good, true))
                    open.push_back(from);
        }
        const auto stuck = std::ranges::find(visited_, false, &Visited::good);
        if (stuck != visited_.end())
            found_.fault = "no way out\n" + story_to(static_cast<std::size_t>(stuck - visited_.begin()));
    }

    [[nodiscard]] std::string story_to(std::size_t number) const {
        std::vector<std::string> told(names_.size());
        for (const auto& [name, index] : names_)
            told[index] = name;
        std::vector<std::string> lines;
        for (; number != 0; number = visited_[number].from)
            lines.push_back("  then: " + told[visited_[number].act] + "\n");
        std::string text;
        for (auto line = lines.rbegin(); line != lines.rend(); ++line)
            text += *line;
        return text;
    }

    QueueFindings found_;
    std::unordered_map<Digest, std::size_t, DigestHash> numbers_;
    std::map<std::string, std::uint32_t> names_;
    std::vector<Visited> visited_;
    std::vector<std::pair<std::size_t, std::size_t>> ways_;  // acts that are no mishaps
    std::deque<std::pair<std::size_t, Queue>> waiting_;
};

}  // namespace

QueueFindings explore_queue(std::size_t most) { return QueueSearch().run(most); }

}  // namespace tautgate::exploration
