// Every situation that a small station can come into with a bounded number of mishaps, on the real decide()
// and the real gate, with "power is lost: back to what is on the disk" possible at every step. What must hold
// is stated here once more, apart from the rules that bring it about.
#include <catch2/catch.hpp>

#include <deque>
#include <iostream>
#include <limits>
#include <map>
#include <set>
#include <unordered_map>

#include <boost/describe.hpp>
#include <boost/mp11/algorithm.hpp>

#include "protocol/permissive_block.hpp"
#include "tests/exploration/floor.hpp"
#include "tests/exploration/normal.hpp"
#include "tests/exploration/queue.hpp"

using namespace tautgate;
using namespace tautgate::exploration;

namespace {

// ---- what must hold -----------------------------------------------------------------------------------

// P1, on what the disk holds: each joint in scope is tight everywhere, or overridden by the people it takes.
std::string joint_fault(const JointState& joint) {
    const bool tight = !joint.fasteners.empty() && std::ranges::all_of(joint.fasteners, [](const auto& each) {
        return !each.passes.empty() &&
               std::ranges::all_of(each.passes, [](const PassState& pass) { return pass.proof.has_value(); });
    });
    // Of one that is done by hand two people say so.
    const bool seen_done = joint.fasteners.empty() && joint.confirmed && joint.witnessed;
    if (tight || seen_done)
        return {};
    if (!joint.override_)
        return joint.id.text + " is neither proven nor overridden";
    const Override& over = *joint.override_;
    const bool two = over.seconded_by && *over.seconded_by != over.by;
    if (joint.id.text == "mount" && !two)
        return joint.id.text + " is overridden by one person";
    for (const PersonNumber by : {over.by, over.seconded_by.value_or(over.by)}) {
        if (std::ranges::find(joint.tightened_by, by) != joint.tightened_by.end())
            return joint.id.text + " is overridden by whoever tightened it";
    }
    return {};
}

std::string release_fault(const State& state, const std::string& permissive, Token token) {
    const auto* stay = std::get_if<Stay>(&state.bays.front().occupant);
    if (stay == nullptr || stay->token != token)
        return "nothing is known of the unit with the token on the wire";
    if (stay->joints.size() != 2)
        return "not every joint is known";
    for (const JointState& joint : stay->joints) {
        if (std::string fault = joint_fault(joint); !fault.empty())
            return fault;
    }
    return permissive != "lift" && stay->checks.empty() ? "the check is open" : "";
}

std::string leaving_fault(const State& state, const std::string& permissive, Token token) {
    const auto* stay = std::get_if<Stay>(&state.bays.front().occupant);
    if (stay == nullptr || stay->token != token || !stay->leaves_incomplete)
        return "nobody decided that this unit leaves incomplete";
    return permissive == "side" ? "" : "the plan does not name this way out";
}

// P2, on the newest state: any of these withholds, whatever else is known.
std::string doubt_fault(const State& state, OnWire code) {
    const BayState& bay = state.bays.front();
    const auto& stay = std::get<Stay>(bay.occupant);
    if (!state.rules || bay.controller.link != Quality::good || bay.controller.fault)
        return "the equipment cannot be believed";
    if (bay.controller.present != Presence::present || stay.doubt != Doubt::none ||
        !stay.refused_tickets.empty() || bay.controller.echoed != stay.token)
        return "it is not certain which unit is there";
    if (code == OnWire::leaving_incomplete)
        return {};
    const bool order_in_doubt =
        !stay.order || (stay.order->standing != OrderStanding::as_taken && !stay.order->settled);
    if (stay.rules == Revision{"r2"} && order_in_doubt)
        return "its order is in doubt";
    const bool used_elsewhere =
        std::ranges::any_of(stay.tickets, [](const Ticket& ticket) { return ticket.joined.has_value(); });
    if (used_elsewhere && stay.reuses.empty())
        return "a sub-assembly is in another unit";
    if (!stay.unassigned.empty() || !stay.set_aside.empty() || stay.differs || !stay.moved_unproven.empty())
        return "a question is open";
    for (const JointState& joint : stay.joints) {
        const ToolState& tool = state.tools[joint.id.text == "mount" ? 0 : 1];
        const bool trusted = tool.link == Quality::good && tool.asked && !tool.conflict &&
                             !tool.outstanding_to && std::holds_alternative<Following>(tool.count);
        const bool otherwise =
            std::ranges::find(stay.other_ways, joint.id, &OtherWay::joint) != stay.other_ways.end();
        if (!joint.override_ && !otherwise && !trusted)
            return "tool " + tool.id.text + " cannot be believed";
        const auto bypass = std::ranges::find(state.bypasses, joint.id, &Bypass::joint);
        const bool unverified = bypass != state.bypasses.end() && bypass->ended;
        if (!joint.override_ && !otherwise && unverified)
            return joint.id.text + " is done as planned again, and nobody has verified that";
    }
    return {};
}

// P1: what tries the wiring is for a token on which nothing moves, and never while a unit is there.
std::string wiring_fault(const Situation& at, const WireOrder& order) {
    const BayState& bay = at.newest.bays.front();
    if (!bay.wiring_test || bay.wiring_test->token != order.token || stay_at(bay) != nullptr)
        return "it is shown for a token that is no stay's, and no wiring is tried";
    if (!at.on_disk().bays.front().wiring_test)
        return "the wiring is tried, and the disk does not know it";
    return {};
}

std::string fault_on_wire(const Situation& at) {
    for (const PermissiveState& permissive : at.newest.bays.front().permissives) {
        const WireOrder order = on_wire(at, permissive);
        if (order.code == OnWire::withheld)
            continue;
        if (protocol::token_kind(order.token.value) != protocol::TokenKind::stay) {
            if (std::string fault = wiring_fault(at, order); !fault.empty())
                return "P1: " + permissive.id.text + ": " + fault;
            continue;
        }
        for (const State* state : {&at.newest, &at.on_disk()}) {
            std::string fault = order.code == OnWire::released
                                    ? release_fault(*state, permissive.id.text, order.token)
                                    : leaving_fault(*state, permissive.id.text, order.token);
            if (!fault.empty())
                return "P1: " + permissive.id.text + " is free, but " + fault +
                       (state == &at.newest ? "" : " on the disk");
        }
        if (std::string fault = doubt_fault(at.newest, order.code); !fault.empty())
            return "P2: " + permissive.id.text + " is free, but " + fault;
        if (at.equipment.unit_there && at.equipment.units_own != order.token)
            return "P1: " + permissive.id.text + " is free, but another unit is there";
    }
    return {};
}

// P1, in every situation: where curves are limited, nothing is proven by another curve than a good one. `cap`
// may do without.
std::string curve_fault(const Situation& at) {
    const auto* stay = std::get_if<Stay>(&at.newest.bays.front().occupant);
    if (stay == nullptr || stay->rules != Revision{"r3"})
        return {};
    for (const JointState& joint : stay->joints) {
        for (const FastenerState& fastener : joint.fasteners) {
            const auto& proof = fastener.passes[0].proof;
            const std::string curve = proof && proof->curve ? proof->curve->digest : "none";
            const bool may_lack = joint.id.text == "cap" && (curve.empty() || curve == "damaged");
            if (proof && curve != good_curve && !may_lack)
                return "P1: " + joint.id.text + " is proven by the curve '" + curve + "'";
        }
    }
    return {};
}

// P1: no check proves anything of a joint that has not relaxed.
std::string fault_of_checking(const Situation& before, const Act& act) {
    const auto* counted =
        act.records.empty() ? nullptr : std::get_if<Attributed>(&act.records.back().outcome);
    const bool by_check = before.checks && counted != nullptr && counted->joint.text == "mount" &&
                          counted->pass == 1 && counted->judgement.verdict == evaluation::Verdict::ok;
    return by_check && !before.relaxed ? "P1: mount is proven by a check before it has relaxed" : "";
}

// P1: nothing that a tool has made while it was overdue proves anything.
std::string fault_of_calibration(const Situation& before, const Act& act) {
    const auto* stay = std::get_if<Stay>(&act.after.newest.bays.front().occupant);
    const auto& calibration = before.newest.tools.front().calibration.newest;
    const bool overdue = !calibration || calibration->utc_us < 0;
    if (stay == nullptr || !overdue)
        return {};
    for (const JointState& joint : stay->joints)
        for (const FastenerState& fastener : joint.fasteners)
            for (const PassState& pass : fastener.passes)
                if (pass.proof && pass.proof->tool.text == "T1" && pass.proof->result > before.newest.newest)
                    return "P1: " + joint.id.text + " is proven by a tool that is overdue";
    return {};
}

// P3: what somebody selects, or an arm says, is where it counts; where neither does, it counts nowhere.
std::string fault_of_placing(const Situation& before, const Act& act) {
    const auto* counted =
        act.records.empty() ? nullptr : std::get_if<Attributed>(&act.records.back().outcome);
    const bool came = counted != nullptr && before.checks && !act.events.empty() &&
                      std::holds_alternative<ResultReceived>(act.events.back().payload);
    if (!came)
        return {};
    if (counted->joint.text == "cap")
        return counted->fastener + 1 == before.arm_at ? ""
                                                      : "P3: it counts for another fastener than the arm's";
    const auto* was = std::get_if<Stay>(&before.newest.bays.front().occupant);
    const auto* now = std::get_if<Stay>(&act.after.newest.bays.front().occupant);
    const bool selected = was != nullptr && was->selection && was->selection->fastener == counted->fastener;
    if (!selected)
        return "P3: it counts for a fastener that nobody selected";
    return now != nullptr && now->selection ? "P3: one selection serves twice" : "";
}

// P1: only a unit that comes while a bypass stands is done in another way, and none that comes then is not,
// unless the last unit is taken.
std::string fault_of_bypassing(const Situation& before, const Act& act) {
    const auto* was = std::get_if<Stay>(&before.newest.bays.front().occupant);
    const auto* now = std::get_if<Stay>(&act.after.newest.bays.front().occupant);
    if (now == nullptr || act.name.starts_with("power"))
        return {};
    if (was != nullptr && was->id == now->id)
        return now->other_ways.size() > was->other_ways.size() ? "P1: a bypass came into a stay" : "";
    const bool stands =
        std::ranges::any_of(before.newest.bypasses, [](const Bypass& bypass) { return !bypass.ended; });
    return stands == now->other_ways.empty() ? "P1: a stay begins in another way than the bypass says" : "";
}

std::size_t mentions(const State& state, EventNumber result) {
    const auto* stay = std::get_if<Stay>(&state.bays.front().occupant);
    std::size_t count =
        static_cast<std::size_t>(std::ranges::count(state.unassigned, result, &UnassignedResult::result));
    if (stay == nullptr)
        return count;
    count +=
        static_cast<std::size_t>(std::ranges::count(stay->unassigned, result, &UnassignedResult::result));
    for (const JointState& joint : stay->joints) {
        for (const FastenerState& fastener : joint.fasteners) {
            for (const PassState& pass : fastener.passes) {
                count += pass.proof && pass.proof->result == result ? 1U : 0U;
                count += pass.not_ok && pass.not_ok->result == result ? 1U : 0U;
                count += pass.awaited && pass.awaited->result == result ? 1U : 0U;
            }
        }
    }
    return count;
}

// P3: a result counts once; once more it changes nothing.
std::string fault_of_counting(const Situation& before, const Act& act) {
    if (act.events.empty() || !std::holds_alternative<ResultReceived>(act.events.back().payload))
        return {};
    if (mentions(act.after.newest, act.events.back().number) > 1)
        return "P3: one result is counted twice";
    if (!act.resent)
        return {};
    const auto* was = std::get_if<Stay>(&before.newest.bays.front().occupant);
    const auto* now = std::get_if<Stay>(&act.after.newest.bays.front().occupant);
    const bool same = (was == nullptr) == (now == nullptr) && (was == nullptr || was->joints == now->joints);
    return same ? "" : "P3: a result sent again was counted again";
}

// Nobody but two people lets a unit leave incomplete.
std::string fault_of_deciding(const Situation& before, const Act& act) {
    const auto* was = std::get_if<Stay>(&before.newest.bays.front().occupant);
    const auto* now = std::get_if<Stay>(&act.after.newest.bays.front().occupant);
    const bool decided = now != nullptr && now->leaves_incomplete &&
                         (was == nullptr || !was->leaves_incomplete) && act.recorded;
    if (!decided || act.events.empty() || act.name.starts_with("power"))
        return {};
    const auto* second = std::get_if<Seconded>(&act.events.back().payload);
    return second != nullptr && second->by != story::supervisor ? ""
                                                                : "P1: one person let it leave incomplete";
}

// P4: who signs has seen the joint as it is.
std::string fault_of_signing(const Situation& before, const Act& act) {
    const auto* second = act.events.empty() ? nullptr : std::get_if<Seconded>(&act.events.back().payload);
    const auto* was = std::get_if<Stay>(&before.newest.bays.front().occupant);
    const auto* now = std::get_if<Stay>(&act.after.newest.bays.front().occupant);
    if (second == nullptr || was == nullptr || now == nullptr)
        return {};
    for (std::size_t i = 0; i < was->joints.size() && i < now->joints.size(); ++i) {
        const bool lifted = now->joints[i].override_ && !was->joints[i].override_;
        if (lifted && second->seen < was->joints[i].changed)
            return "P4: " + was->joints[i].id.text + " was overridden by a signature under an older view";
        if (lifted && second->by == story::worker && before.newest.deputies.empty())
            return "P4: " + was->joints[i].id.text +
                   " was overridden by an operator who stands in for nobody";
    }
    return {};
}

// ---- the search ---------------------------------------------------------------------------------------

struct Key {
    std::uint64_t low;
    std::uint64_t high;
    bool operator==(const Key&) const = default;
};
struct KeyHash {
    std::size_t operator()(const Key& key) const noexcept { return key.low; }
};
Key digest(const std::string& text) {
    std::uint64_t low = 0xcbf29ce484222325ULL;
    std::uint64_t high = 0x9e3779b97f4a7c15ULL;
    for (const char c : text) {
        low = (low ^ static_cast<std::uint8_t>(c)) * 0x100000001b3ULL;
        high = (high + static_cast<std::uint8_t>(c)) * 0xff51afd7ed558ccdULL;
        high ^= high >> 29;
    }
    return {low, high};
}

// More than there are: all of them.
constexpr std::size_t queue_situations = 2'000'000;
// More than there are.
constexpr std::size_t pass_situations = 1'000'000;
constexpr std::size_t curve_situations = 1'000'000;
constexpr std::size_t bypass_situations = 1'000'000;

struct Node {
    std::uint32_t from = 0;
    std::uint32_t act = 0;  // index into the names
    bool goal = false;      // the unit may go, or is gone
};

class Search {
  public:
    // Nearest first, up to so many situations; dead ends are looked for where all were seen.
    void run(About about, std::size_t most = std::numeric_limits<std::size_t>::max()) {
        std::vector<Act> told;
        Situation first = in_service(most_mishaps, about, told);
        for (const Act& act : told)
            note(act);
        normalise(first);
        add(std::move(first), 0, "in service");
        while (!waiting_.empty() && fault_.empty() && nodes_.size() < most) {
            const auto [number, situation] = std::move(waiting_.front());
            waiting_.pop_front();
            expand(number, situation);
        }
        if (fault_.empty() && waiting_.empty())
            look_for_dead_ends();
    }

    // What was at work there was at work.
    void add_counts_of(const Search& other) {
        const auto add = [](auto& counts, const auto& more) {
            for (const auto& [key, count] : more)
                counts[key] += count;
        };
        add(reasons, other.reasons);
        add(outcomes, other.outcomes);
        add(kinds, other.kinds);
        add(actions, other.actions);
    }

    void add_counts_of(const QueueFindings& queue) {
        for (const auto& [key, count] : queue.reasons)
            reasons[key] += count;
        for (const auto& [key, count] : queue.outcomes)
            outcomes[key] += count;
        for (const auto& [key, count] : queue.doubts)
            doubts[key] += count;
    }

    [[nodiscard]] const std::string& fault() const { return fault_; }
    [[nodiscard]] std::size_t situations() const { return nodes_.size(); }
    [[nodiscard]] std::size_t steps() const { return steps_; }

    std::map<ReasonCode, std::size_t> reasons;
    std::map<std::size_t, std::size_t> outcomes;
    std::map<std::size_t, std::size_t> kinds;
    std::map<std::size_t, std::size_t> actions;
    std::map<Doubt, std::size_t> doubts;
    std::map<OnWire, std::size_t> wire;
    std::map<evaluation::FindingCode, std::size_t> findings;  // about curves
    std::size_t proven_by_curve = 0;
    std::size_t late_curves = 0;  // of units that have left
    std::ptrdiff_t checked_well = 0;
    std::ptrdiff_t checked_early = 0;

  private:
    void expand(std::uint32_t number, const Situation& situation) {
        for (Act& act : everything_possible(situation)) {
            note(act);
            std::string fault = fault_of_counting(situation, act);
            if (fault.empty())
                fault = fault_of_deciding(situation, act);
            if (fault.empty())
                fault = fault_of_checking(situation, act);
            if (fault.empty())
                fault = fault_of_placing(situation, act);
            if (fault.empty())
                fault = fault_of_calibration(situation, act);
            if (fault.empty())
                fault = fault_of_bypassing(situation, act);
            if (fault.empty())
                fault = fault_of_signing(situation, act);
            if (fault.empty())
                fault = broken_invariant(rulebook(), act.after.newest);
            if (fault.empty())
                fault = curve_fault(act.after);
            if (fault.empty())
                fault = fault_on_wire(act.after);
            normalise(act.after);
            const bool mishap = act.mishap;
            const std::uint32_t to = add(std::move(act.after), number, act.name);
            ++steps_;
            if (!mishap)
                ways_out_.emplace_back(number, to);
            if (!fault.empty()) {
                fault_ = fault + "\n" + story_to(number) + "  then: " + act.name;
                return;
            }
        }
    }

    void note(const Act& act) {
        for (const Event& event : act.events) {
            ++kinds[event.payload.index()];
            if (const auto* proposed = std::get_if<Proposed>(&event.payload))
                ++actions[proposed->action.index()];
        }
        if (!act.after.newest.bays.empty())
            note_doubt(act.after.newest.bays.front());
        for (const Record& record : act.records) {
            ++outcomes[record.outcome.index()];
            note_curve(act, record);
            note_check(record);
            for (const PermissiveChange& change : record.changes) {
                for (const Reason& reason : change.came)
                    ++reasons[reason.code];
            }
        }
    }

    void note_check(const Record& record) {
        const auto* counted = std::get_if<Attributed>(&record.outcome);
        if (counted == nullptr)
            return;
        checked_well += counted->pass == 1 && counted->judgement.verdict == evaluation::Verdict::ok ? 1 : 0;
        checked_early += std::ranges::count(counted->judgement.findings, evaluation::FindingCode::too_early,
                                            &evaluation::Finding::code);
    }

    void note_curve(const Act& act, const Record& record) {
        if (const auto* judged = std::get_if<CurveJudged>(&record.outcome)) {
            proven_by_curve += judged->judgement.verdict == evaluation::Verdict::ok ? 1 : 0;
            for (const evaluation::Finding& finding : judged->judgement.findings)
                ++findings[finding.code];
        }
        const bool late = std::holds_alternative<FiledLate>(record.outcome) && !act.events.empty() &&
                          std::holds_alternative<TraceReceived>(act.events.back().payload);
        late_curves += late ? 1 : 0;
    }

    void note_doubt(const BayState& bay) {
        if (const auto* stay = std::get_if<Stay>(&bay.occupant))
            ++doubts[stay->doubt];
    }

    std::uint32_t add(Situation situation, std::uint32_t from, const std::string& name) {
        const auto [known, fresh] =
            numbers_.try_emplace(digest(key_of(situation)), static_cast<std::uint32_t>(nodes_.size()));
        if (!fresh)
            return known->second;
        const auto [act, new_name] = names_.try_emplace(name, static_cast<std::uint32_t>(names_.size()));
        static_cast<void>(new_name);
        nodes_.push_back({from, act->second, is_goal(situation)});
        const std::uint32_t number = known->second;
        waiting_.emplace_back(number, std::move(situation));
        return number;
    }

    bool is_goal(const Situation& at) {
        bool may_go =
            std::holds_alternative<Empty>(at.newest.bays.front().occupant) && !at.equipment.unit_there;
        for (const PermissiveState& permissive : at.newest.bays.front().permissives) {
            const OnWire code = on_wire(at, permissive).code;
            ++wire[code];
            may_go = may_go || (permissive.id.text != "lift" && code != OnWire::withheld);
        }
        return may_go;
    }

    // P5: from everywhere, acts that are no mishaps lead to a release or to an empty bay.
    void look_for_dead_ends() {
        std::vector<std::vector<std::uint32_t>> before(nodes_.size());
        for (const auto& [from, to] : ways_out_)
            before[to].push_back(from);
        std::vector<bool> good(nodes_.size());
        std::vector<std::uint32_t> open;
        for (std::uint32_t i = 0; i < nodes_.size(); ++i) {
            if (nodes_[i].goal) {
                good[i] = true;
                open.push_back(i);
            }
        }
        while (!open.empty()) {
            const std::uint32_t at = open.back();
            open.pop_back();
            for (const std::uint32_t from : before[at]) {
                if (!good[from]) {
                    good[from] = true;
                    open.push_back(from);
                }
            }
        }
        const auto stuck = std::ranges::find(good, false);
        if (stuck != good.end())
            fault_ = "P5: no way out\n" + story_to(static_cast<std::uint32_t>(stuck - good.begin()));
    }

    [[nodiscard]] std::string story_to(std::uint32_t number) const {
        std::map<std::uint32_t, std::string> told;
        for (const auto& [name, index] : names_)
            told[index] = name;
        std::vector<std::string> lines;
        for (; number != 0; number = nodes_[number].from)
            lines.push_back("  then: " + told.at(nodes_[number].act) + "\n");
        std::string text = "  the station is in service\n";
        for (auto line = lines.rbegin(); line != lines.rend(); ++line)
            text += *line;
        return text;
    }

    std::unordered_map<Key, std::uint32_t, KeyHash> numbers_;
    std::map<std::string, std::uint32_t> names_;
    std::vector<Node> nodes_;
    std::vector<std::pair<std::uint32_t, std::uint32_t>> ways_out_;  // acts that are no mishaps
    std::size_t steps_ = 0;
    std::deque<std::pair<std::uint32_t, Situation>> waiting_;
    std::string fault_;
};

template <class Variant>
void each_alternative_was_reached(const std::string& what, const std::map<std::size_t, std::size_t>& counts) {
    for (std::size_t index = 0; index < std::variant_size_v<Variant>; ++index) {
        const auto found = counts.find(index);
        const std::size_t count = found == counts.end() ? 0 : found->second;
        std::cout << "  " << what << " " << index << ": " << count << "\n";
        INFO(what << " " << index);
        CHECK(count > 0);
    }
}

}  // namespace

TEST_CASE("no reachable situation breaks a promise, none is a dead end, and every rule was at work") {
    const QueueFindings queue = explore_queue(queue_situations);
    INFO(queue.fault);
    CHECK(queue.fault.empty());
    std::cout << "with two bays: " << queue.situations << " situations, " << queue.steps << " steps\n";
    for (const auto& [what, count] : queue.seen)
        std::cout << "  " << what << ": " << count << "\n";
    for (const std::string what :
         {"moved", "moved unproven", "on its way", "expected", "came early", "free: shift", "free: leave"}) {
        INFO(what);
        CHECK(queue.seen.contains(what));
    }
    Search orders;
    // Orders come and go without end; the nearest situations take them through every rule.
    orders.run(About::orders, 400'000);
    INFO(orders.fault());
    CHECK(orders.fault().empty());
    std::cout << "with orders: " << orders.situations() << " situations, " << orders.steps() << " steps\n";
    Search curves;
    curves.run(About::curves, curve_situations);
    INFO(curves.fault());
    CHECK(curves.fault().empty());
    std::cout << "with curves: " << curves.situations() << " situations, " << curves.steps() << " steps\n";
    for (const evaluation::FindingCode code :
         {evaluation::FindingCode::curve_missing, evaluation::FindingCode::curve_damaged,
          evaluation::FindingCode::curve_changed, evaluation::FindingCode::curve_place_outside}) {
        INFO(static_cast<int>(code));
        CHECK(curves.findings[code] > 0);
    }
    CHECK(curves.proven_by_curve > 0);
    CHECK(curves.late_curves > 0);
    CHECK(curves.situations() < curve_situations);
    CHECK(curves.wire[OnWire::released] > 0);
    Search passes;
    passes.run(About::passes, pass_situations);
    INFO(passes.fault());
    CHECK(passes.fault().empty());
    std::cout << "with passes: " << passes.situations() << " situations, " << passes.steps()
              << " steps, checks " << passes.checked_well << " good, " << passes.checked_early
              << " too early\n";
    CHECK(passes.situations() < pass_situations);
    CHECK(passes.checked_well > 0);
    CHECK(passes.checked_early > 0);
    CHECK(passes.wire[OnWire::released] > 0);
    Search bypasses;
    bypasses.run(About::bypasses, bypass_situations);
    INFO(bypasses.fault());
    CHECK(bypasses.fault().empty());
    std::cout << "with bypasses: " << bypasses.situations() << " situations, " << bypasses.steps()
              << " steps\n";
    CHECK(bypasses.situations() < bypass_situations);
    CHECK(bypasses.wire[OnWire::released] > 0);
    Search search;
    search.run(About::tools);
    INFO(search.fault());
    CHECK(search.fault().empty());
    search.add_counts_of(orders);
    search.add_counts_of(curves);
    search.add_counts_of(passes);
    search.add_counts_of(bypasses);
    search.add_counts_of(queue);
    std::cout << search.situations() << " situations, " << search.steps() << " steps\n";

    boost::mp11::mp_for_each<boost::describe::describe_enumerators<ReasonCode>>([&](auto each) {
        std::cout << "  reason " << each.name << ": " << search.reasons[each.value] << "\n";
        INFO("reason " << each.name);
        // Permissives come with the rules, and rules once in force never go.
        const bool out_of_reach = each.value == ReasonCode::no_rules_in_force;
        CHECK((search.reasons[each.value] > 0) != out_of_reach);
    });
    each_alternative_was_reached<Outcome>("outcome", search.outcomes);
    // The floor's tools run by themselves; those that obey are driven at random in tool_orders_test.cpp.
    for (const Payload& other : {Payload{ToolControlSeen{}}, Payload{ToolCalled{}}}) {
        CHECK(search.kinds[other.index()] == 0);
        search.kinds[other.index()] = 1;
    }
    each_alternative_was_reached<Payload>("kind of event", search.kinds);
    each_alternative_was_reached<Action>("action", search.actions);
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<Doubt>>([&](auto each) {
        std::cout << "  doubt " << each.name << ": " << search.doubts[each.value] << "\n";
        INFO("doubt " << each.name);
        CHECK(search.doubts[each.value] > 0);
    });
    for (const OnWire code : {OnWire::withheld, OnWire::released, OnWire::leaving_incomplete})
        CHECK(search.wire[code] > 0);
}
