#include "tests/exploration/shift.hpp"

#include <array>
#include <utility>

#include "service/interlock/canonical.hpp"
#include "service/interlock/check_passes.hpp"
#include "service/interlock/curves.hpp"

namespace tautgate::exploration {
namespace {

using namespace story;

const BayId bay_id{"B1"};

config::Station with_curves() {
    config::Station station = small_station();
    limit_curves(station, seated_within(10, 20));
    return station;
}

config::Station with_orders() {
    config::Station station = small_station();
    station.orders.emplace();
    return station;
}

// Two passes and a check, of fasteners that somebody selects; the other joint goes by the tool's arm.
config::Station with_passes() {
    config::Station station = small_station();
    config::Joint& mount = station.joints[0];
    mount.placement = config::Placement::selected;
    mount.passes.push_back(check_after(std::chrono::seconds{20}, mount.passes.front()));
    station.joints[1].placement = config::Placement::by_arm;
    return station;
}

std::uint64_t fnv(const std::string& text) {
    std::uint64_t hash = 0xcbf29ce484222325ULL;
    for (const char c : text)
        hash = (hash ^ static_cast<std::uint8_t>(c)) * 0x100000001b3ULL;
    return hash;
}

class Shift {
  public:
    Shift(const std::string& station, std::uint64_t seed)
        : story_(*rules_of_shift(station).at(Revision{"r1"}), false), draw_(seed) {}

    Journal work(std::size_t events) {
        story_.come_into_service();
        take_down();
        const std::size_t begun = story_.events.size();
        while (story_.events.size() < begun + events) {
            anything();
            take_down();
        }
        return std::move(journal_);
    }

  private:
    // One act may be several events; of each but the last, only what was decided is compared by the replay.
    void take_down() {
        for (std::size_t i = journal_.events.size(); i < story_.events.size(); ++i)
            journal_.events.push_back(story_.events[i]);
        journal_.records.resize(journal_.events.size());
        journal_.states.resize(journal_.events.size());
        journal_.records.back() = canonical_bytes(story_.record);
        journal_.states.back() = canonical_bytes(story_.state);
    }

    [[nodiscard]] bool one_in(std::uint32_t many) { return draw_.under(many) == 0; }
    [[nodiscard]] const Stay* stay() const { return stay_at(story_.bay()); }
    [[nodiscard]] PersonNumber somebody() { return PersonNumber{1 + draw_.under(6)}; }

    // What brings the unit on is more likely than what disturbs it.
    void anything() {
        using Act = void (Shift::*)();
        static constexpr std::array<std::pair<std::uint32_t, Act>, 14> acts{{{150, &Shift::go_on},
                                                                             {40, &Shift::clear_something},
                                                                             {15, &Shift::tighten},
                                                                             {10, &Shift::equipment},
                                                                             {12, &Shift::scan},
                                                                             {8, &Shift::work_at_bay},
                                                                             {6, &Shift::decide_something},
                                                                             {4, &Shift::sign},
                                                                             {5, &Shift::disturb},
                                                                             {2, &Shift::tools_count},
                                                                             {8, &Shift::position},
                                                                             {8, &Shift::time_passes},
                                                                             {5, &Shift::curve},
                                                                             {2, &Shift::record_itself}}};
        std::uint32_t all = 0;
        for (const auto& [weight, act] : acts)
            all += weight;
        std::uint32_t drawn = draw_.under(all);
        for (const auto& [weight, act] : acts) {
            if (drawn < weight)
                return (this->*act)();
            drawn -= weight;
        }
    }

    // ---- what people and tools do where all goes well
    void go_on() {
        const Stay* here = stay();
        if (here == nullptr) {
            ++unit_;
            story_.links_come_up();
            return story_.arrives();
        }
        if (!std::holds_alternative<Identified>(here->identity)) {
            for (const char* kind : {"D", "F"})
                story_.scans(kind, kind + std::to_string(unit_), "O" + std::to_string(unit_ % 5));
            return;
        }
        if (story_.bay().sign_ons.empty() || !story_.bay().sign_ons.back().person) {
            story_.happens(OperatorSignedOn{bay_id, worker});
            return;
        }
        for (const JointState& joint : here->joints) {
            const std::size_t pass = pass_at_hand(described(joint), joint);
            if (pass < described(joint).passes.size())
                return work_at(joint, pass);
        }
        if (here->checks.empty()) {
            story_.happens(CheckConfirmed{bay_id, "look", worker, story_.state.newest});
            return;
        }
        story_.equipment.echoed = story_.offered();
        story_.report();
        story_.moves("leave");
        story_.departs();
    }
    [[nodiscard]] const config::Joint& described(const JointState& joint) const {
        return *joint_in(*story_.rules.at(Revision{"r1"}), joint.id.text);
    }
    void work_at(const JointState& joint, std::size_t pass) {
        const config::Joint& of = described(joint);
        if (waits_for_check(of, joint))
            return time_passes();
        std::uint32_t next = 0;
        while (joint.fasteners[next].passes[pass].proof || joint.fasteners[next].passes[pass].awaited)
            ++next;
        const config::TorqueWindow& torque = of.passes[pass].window.torque;
        const std::int64_t middle_nm = (torque.min.micro_nm + torque.max.micro_nm) / 2'000'000;
        Hit hit{of.tools.front(), of.passes[pass].program, middle_nm};
        if (joint.fasteners[next].loosening_due)
            hit.direction = Direction::loosen;
        if (of.placement == config::Placement::by_tool)
            hit.position = next + 1;
        if (of.placement == config::Placement::selected)
            story_.happens(FastenerSelected{bay_id, joint.id, next, worker, story_.state.newest});
        if (of.placement == config::Placement::by_arm)
            arm_goes_to(next + 1);
        story_.happens(of_now(hit));
        if (of.passes[pass].window.curve)
            curve_of(hit.tool, 0);
    }
    // One of the ways out of something that holds the unit, as the station itself offers them.
    void clear_something() {
        const auto& reasons = story_.permissive(one_in(2) ? "leave" : "lift").reasons;
        if (reasons.empty())
            return;
        const Reason reason = reasons[draw_.under(static_cast<std::uint32_t>(reasons.size()))];
        auto ways = ways_out(story_.rules, story_.state, bay_id, reason);
        if (ways.empty())
            return;
        Action action = std::move(ways[draw_.under(static_cast<std::uint32_t>(ways.size()))].action);
        if (auto* over = std::get_if<OverrideJoint>(&action))
            *over = {over->joint, "looked at", nm(50)};
        if (auto* ticket = std::get_if<CorrectTicket>(&action))
            *ticket = {.kind = ticket->kind,
                       .serial = Serial{ticket->kind + std::to_string(unit_)},
                       .order = "O" + std::to_string(unit_ % 5),
                       .type = ticket->kind + "V",
                       .raw = ""};
        if (auto* left = std::get_if<UnitHasLeft>(&action))
            *left = UnitHasLeft{story_.fresh()};
        two_propose(supervisor, std::move(action));
    }

    // ---- tools
    // With a digest that is the same on every machine.
    [[nodiscard]] ResultReceived of_now(const Hit& hit) {
        ResultReceived result = story_.made(hit);
        result.digest = fnv(result.epoch + "/" + std::to_string(result.reading.counter));
        return result;
    }
    [[nodiscard]] Hit some_hit() {
        const std::uint32_t which = draw_.under(4);
        Hit hit =
            which < 2 ? Hit{"T1", which == 0 ? "P1" : "K1", 50} : Hit{"T2", which == 2 ? "P2" : "P3", 25};
        if (which == 3)
            hit.torque_nm = 10;
        if (one_in(8))
            hit.torque_nm = static_cast<std::int64_t>(draw_.under(90));
        if (one_in(8))
            hit.angle_deg = static_cast<std::int64_t>(draw_.under(120));
        if (one_in(12))
            hit.direction = Direction::loosen;
        if (which == 3)
            hit.position = 1 + draw_.under(one_in(10) ? 4 : 2);
        return hit;
    }
    void tighten() {
        ResultReceived result = of_now(some_hit());
        if (one_in(15))
            result.made.from_ns -= 5'000'000'000;
        if (one_in(20)) {
            kept_.push_back(std::move(result));  // it comes later, or again
            return;
        }
        if (one_in(20))
            kept_.push_back(result);
        story_.happens(std::move(result));
        if (!kept_.empty() && one_in(4)) {
            ResultReceived late = kept_.back();
            if (one_in(6))
                late.digest += 1;  // other content under the same number
            kept_.pop_back();
            story_.happens(std::move(late));
        }
    }
    void tools_count() {
        const std::string id = one_in(2) ? "T1" : "T2";
        ToolSide& side = story_.tools[id];
        if (one_in(3)) {
            side.epoch += "x";
            side.made = 0;
        } else if (one_in(2)) {
            side.made += 1;  // lost
        }
        story_.happens(ToolAnswered{ToolId{id}, side.epoch, side.made});
    }
    void curve() {
        const std::string id = one_in(2) ? "T1" : "T2";
        curve_of(id, 1 - static_cast<std::int64_t>(draw_.under(3)));
    }
    // Of the result so many before the newest one.
    void curve_of(const std::string& id, std::int64_t before) {
        const ToolSide& side = story_.tools[id];
        const std::uint64_t counter = side.made - static_cast<std::uint64_t>(before);
        const Torque torque = nm(id == "T1" ? 50 : 25);
        const protocol::CurveOrigin start = protocol::FromStart{};
        protocol::CurveReport read{{},
                                   {{protocol::FinalTorque{}, torque},
                                    {protocol::FinalAngle{start}, deg(45)},
                                    {protocol::TorqueAtAngle{start, deg(5)}, nm(one_in(5) ? 30 : 15)}}};
        if (one_in(8))
            read = {protocol::CurveFault::turns_back, {}};
        if (one_in(6))
            story_.happens(CurveGivenUp{ToolId{id}, side.epoch, counter, "it did not come"});
        else
            story_.happens(
                TraceReceived{ToolId{id}, side.epoch, counter, std::to_string(draw_.under(4)), 2, 3, read});
    }

    // ---- the equipment
    void equipment() {
        auto& equipment = story_.equipment;
        if (equipment.present != Presence::present)
            return story_.arrives();
        switch (draw_.under(6)) {
        case 0: return story_.departs();
        case 1: return story_.moves("lift");
        case 2: return story_.moves("leave");
        case 3: return one_in(3) ? story_.moves("side") : static_cast<void>(story_.report());
        default: equipment.echoed = story_.offered(); static_cast<void>(story_.report());
        }
    }
    void disturb() {
        auto& equipment = story_.equipment;
        const Quality bad = one_in(2) ? Quality::stale : Quality::failed;
        switch (draw_.under(6)) {
        case 0: story_.restarts(one_in(2)); return story_.links_come_up();
        case 1: static_cast<void>(story_.happens(ControllerLinkChanged{bay_id, bad, "cut", 1})); break;
        case 2:
            static_cast<void>(
                story_.happens(ToolLinkChanged{ToolId{one_in(2) ? "T1" : "T2"}, bad, "cut", 1}));
            break;
        case 3:
            equipment.fault = !equipment.fault;
            static_cast<void>(story_.report());
            break;
        case 4:
            equipment.starts += 1;
            static_cast<void>(story_.report());
            break;
        default: break;
        }
        if (!one_in(3))
            story_.links_come_up();
    }

    // ---- people
    void scan() {
        if (stay() == nullptr && one_in(2))
            ++unit_;
        const std::string kind = one_in(2) ? "D" : "F";
        const std::uint32_t unit = one_in(10) ? draw_.under(20) : unit_;
        const std::string type = one_in(15) ? kind + "W" : "";
        // One after the other: arguments of a call are drawn in whatever order the compiler likes.
        const std::uint32_t order = one_in(15) ? 7 : unit % 5;
        const std::uint32_t earlier = one_in(25) ? 1 : 0;
        story_.scans(kind, kind + std::to_string(unit), "O" + std::to_string(order), type, earlier);
    }
    void work_at_bay() {
        switch (draw_.under(6)) {
        case 0:
        case 1: story_.happens(OperatorSignedOn{bay_id, somebody()}); break;
        case 2: story_.happens(CheckConfirmed{bay_id, "look", somebody(), story_.state.newest}); break;
        case 3:
            story_.happens(HandChecked{bay_id, JointId{"mount"}, draw_.under(3), nm(30 + draw_.under(40)), "",
                                       "", quality, story_.state.newest});
            break;
        case 4:
            story_.happens(ButtonPressed{bay_id, "IO/ok", "", {story_.now_ns, story_.now_ns, story_.boot}});
            break;
        default: one_in(2) ? wiring() : static_cast<void>(story_.happens(OperatorSignedOff{bay_id, worker}));
        }
    }
    void wiring() {
        story_.happens(WiringTestBegan{bay_id, {}, quality, Token{0xFF000001}});
        if (one_in(2))
            story_.happens(WiringTestEnded{bay_id, quality});
    }
    [[nodiscard]] Action some_action() {
        const JointId joint{one_in(2) ? "mount" : one_in(2) ? "cap" : "clip"};
        const ToolId tool{one_in(2) ? "T1" : "T2"};
        const auto event = [&] {
            if (const Stay* here = stay(); here != nullptr && !here->unassigned.empty() && !one_in(5))
                return here->unassigned.front().result;
            return EventNumber{1 + draw_.under(static_cast<std::uint32_t>(story_.state.newest.value))};
        };
        switch (draw_.under(14)) {
        case 0: return OverrideJoint{joint, "looked at", nm(50)};
        case 1: return TakeBackOverride{joint};
        case 2: return LeaveIncomplete{};
        case 3: return AcceptGap{tool};
        case 4: return AcceptSource{tool};
        case 5: return UnlockFastener{joint, draw_.under(2)};
        case 6: return AssignResult{event(), joint, draw_.under(2)};
        case 7: return SetResultAside{event()};
        case 8: return UnitStillHere{};
        case 9: return UnitHasLeft{story_.fresh()};
        case 10: return AcceptReturn{};
        case 11: return AcknowledgeMove{PermissiveId{one_in(2) ? "lift" : "leave"}};
        case 12: return RearmPermissive{PermissiveId{"lift"}};
        default: return LiftHold{Serial{"D" + std::to_string(unit_)}};
        }
    }
    void decide_something() {
        const PersonNumber by = one_in(4) ? somebody() : supervisor;
        two_propose(by, some_action());
    }
    void two_propose(PersonNumber by, Action action) {
        story_.proposes(by, std::move(action));
        if (const auto* waits = std::get_if<AwaitsSecond>(&story_.record.outcome)) {
            const EventNumber proposal = waits->proposal;
            if (one_in(4))
                story_.happens(ProposalEnded{bay_id, proposal, by, "no"});
            else
                story_.seconds(one_in(5) ? somebody() : quality, proposal);
        }
    }
    void sign() {
        if (one_in(6))
            story_.happens(SignInRefused{worker, "wrong secret"});
        else if (one_in(12))
            story_.happens(PersonSuspended{worker, admin});
        else
            story_.happens(OperatorSignedOn{bay_id, one_in(3) ? other_supervisor : worker});
    }
    void position() {
        if (one_in(2)) {
            story_.happens(
                FastenerSelected{bay_id, JointId{"mount"}, draw_.under(2), worker, story_.state.newest});
            return;
        }
        arm_goes_to(draw_.under(4));
    }
    void arm_goes_to(std::uint32_t place) {
        const std::int64_t now = story_.now_ns + 1'000'000'000;
        story_.happens(ArmMoved{ToolId{"T2"},
                                place == 0 ? std::nullopt : std::optional<std::uint32_t>(place),
                                {now - 100'000'000, now, story_.boot}});
    }

    // ---- time and the record
    void time_passes() {
        story_.now_ns += 30'000'000'000;
        for (const WaitingCheck& check : waiting_checks(story_.rules, story_.state))
            story_.happens(check.due);
    }
    void record_itself() {
        switch (draw_.under(4)) {
        case 0: static_cast<void>(story_.happens(InputRefused{"T1", "garbage", "no line", 1})); break;
        case 1: static_cast<void>(story_.happens(LabelMisread{bay_id, "?", "no label"})); break;
        case 2:
            static_cast<void>(story_.happens(EventSetAside{bay_id, "raw", "it died", {}, "", 0, 0}));
            break;
        default:
            protocol::OrderEntry order;
            order.order = "O" + std::to_string(draw_.under(5));
            static_cast<void>(
                story_.happens(OrdersReceived{OrderSource::request, 0, "", "", admin, {order}, {}}));
        }
    }

    Story story_;
    Draw draw_;
    Journal journal_;
    std::vector<ResultReceived> kept_;
    std::uint32_t unit_ = 1;
};

}  // namespace

std::uint64_t Draw::operator()() {
    state_ += 0x9e3779b97f4a7c15ULL;
    std::uint64_t z = state_;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9ULL;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebULL;
    return z ^ (z >> 31);
}

std::vector<std::string> shift_stations() { return {"plain", "curves", "orders", "passes"}; }

RuleBook rules_of_shift(const std::string& name) {
    auto station = name == "curves"   ? with_curves()
                   : name == "orders" ? with_orders()
                   : name == "passes" ? with_passes()
                                      : small_station();
    return {{Revision{"r1"}, std::make_shared<const config::Station>(std::move(station))}};
}

Journal work_a_shift(const std::string& station, std::uint64_t seed, std::size_t events) {
    return Shift(station, seed).work(events);
}

}  // namespace tautgate::exploration
