#include "tools/cli/commissioning.hpp"

#include <algorithm>
#include <iterator>
#include <ranges>
#include <string_view>
#include <utility>
#include <variant>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "protocol/permissive_block.hpp"
#include "tools/cli/coil_list.hpp"
#include "tools/cli/register_list.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {
namespace {

using interlock::Clears;
using interlock::ReasonCode;

// ---- what is tried with each tool -------------------------------------------------------------------------

struct ToolTrial {
    ReasonCode reason;
    std::string_view what;  // {}: the tool
};
constexpr ToolTrial tool_trials[]{
    {ReasonCode::tool_link_lost, "Switch {} off, or pull its cable."},
    {ReasonCode::tool_not_asked, "Restart the service while {} is switched off."},
    {ReasonCode::result_gap,
     "Let one result of {} get lost: make it while the line is cut and delete it at the tool, "
     "if the tool can do that."},
    {ReasonCode::results_outstanding,
     "Tighten with {} while its line is cut, restore the line and look at once."},
    {ReasonCode::result_unassigned,
     "Tighten something with {} while a unit without its tickets stands in the bay."},
    {ReasonCode::tool_overdue,
     "Record a calibration of {} that is over (`tautgate decide record-calibration`), and tighten."},
    {ReasonCode::source_on_hold,
     "Tighten with {} until its joint is done, then place a quality hold on it (`tautgate "
     "decide place-hold-on tool`)."}};

std::string_view tool_trial(ReasonCode reason) {
    const auto* found = std::ranges::find(tool_trials, reason, &ToolTrial::reason);
    return found == std::end(tool_trials) ? std::string_view{} : found->what;
}

const config::Joint* witnessed_way(const config::Joint& joint) {
    const auto found = std::ranges::find_if(joint.alternates,
                                            [](const config::Joint& way) { return way.alternate->witness; });
    return found == joint.alternates.end() ? nullptr : &*found;
}

// ---- what holds a permissive ----------------------------------------------------------------------------

bool is_in_scope(const config::Permissive& permissive, const config::Plan& plan, std::size_t stage) {
    return permissive.scope != config::Scope::stages ||
           stage <= config::stage_named(plan, permissive.through_stage).value_or(stage);
}

// By the plans of the station: a joint that one of them has in scope.
bool holds_for(const config::Station& station, const config::Permissive& permissive,
               const config::Joint& joint) {
    switch (permissive.scope) {
    case config::Scope::every_joint: return true;
    case config::Scope::classes:
        return std::ranges::find(permissive.classes, joint.risk) != permissive.classes.end();
    case config::Scope::stages: break;
    }
    for (const auto& plan : station.plans)
        for (std::size_t stage = 0; stage < plan.stages.size(); ++stage)
            for (const auto& step : plan.stages[stage].steps) {
                const auto* tighten = std::get_if<config::TightenStep>(&step);
                if (tighten != nullptr && tighten->joint == joint.id && is_in_scope(permissive, plan, stage))
                    return true;
            }
    return false;
}

bool holds_for_check(const config::Station& station, const config::Permissive& permissive,
                     const std::string& text) {
    if (permissive.scope == config::Scope::classes)
        return false;
    for (const auto& plan : station.plans)
        for (std::size_t stage = 0; stage < plan.stages.size(); ++stage)
            for (const auto& step : plan.stages[stage].steps) {
                const auto* confirm = std::get_if<config::ConfirmStep>(&step);
                if (confirm != nullptr && confirm->text == text && is_in_scope(permissive, plan, stage))
                    return true;
            }
    return false;
}

std::string comma_list(const std::vector<std::string>& names) {
    return fmt::format("{}", fmt::join(names, ", "));
}

// Collects the trials of one bay.
class Trials {
  public:
    Trials(const config::Station& station, const config::Bay& bay) : station_(station), bay_(bay) {
        for (const auto& permissive : station.permissives)
            if (permissive.bay == bay.id)
                permissives_.push_back(&permissive);
        for (const auto& joint : station.joints)
            if (is_planned(joint))
                joints_.push_back(&joint);
    }

    std::vector<Trial> take() {
        for (const auto& text : interlock::reason_table())
            add_for(text.code);
        return std::move(trials_);
    }

  private:
    void add_for(ReasonCode reason) {
        switch (reason) {
        case ReasonCode::no_rules_in_force:
            return all(
                reason,
                "Before anybody has approved the rules: start the service with an empty state folder.");
        case ReasonCode::bay_not_in_rules:
            return all(reason,
                       "In an empty state folder, approve a copy of the description in which this bay has "
                       "another id; then start the service with this one.");
        case ReasonCode::moved_unproven: return each_movement(reason);
        case ReasonCode::unit_on_hold:
            return all(reason,
                       "Place a unit on the hold list (`tautgate decide place-hold`), then bring it.");
        case ReasonCode::wrong_pair: return wrong_pair(reason);
        case ReasonCode::unknown_variant:
            return all(reason, "Scan a ticket with a type of which the description has no variant.");
        case ReasonCode::ticket_repeated:
            return all(reason, "With a unit in the bay, scan a second ticket of a kind that it has already.");
        case ReasonCode::serial_seen_before:
            return all(reason, "Bring a unit that has been through the station before.");
        case ReasonCode::no_unit: return all(reason, "Take the unit away: the bay is empty.");
        case ReasonCode::ticket_missing: return each_ticket(reason);
        case ReasonCode::presence_unconfirmed:
            return all(reason, "With a unit in the bay, switch the PLC off and on.");
        case ReasonCode::unit_absent:
            return all(reason, "With a unit in the bay, take away the signal of its sensor.");
        case ReasonCode::controller_link_lost: return all(reason, "Pull the network cable of the PLC.");
        case ReasonCode::controller_fault:
            return by_registers(reason, "Let the equipment report its own fault.");
        case ReasonCode::token_not_taken:
            return by_registers(reason, "With a unit in the bay, overwrite the token that the PLC holds.");
        case ReasonCode::movement_used: return each_one_shot(reason);
        case ReasonCode::next_bay_occupied: return each_move(reason);
        case ReasonCode::order_unknown:
            return with_orders(reason, "Bring a unit whose order was not sent to the station.");
        case ReasonCode::order_cancelled:
            return with_orders(reason, "With a unit in the bay, cancel its order.");
        case ReasonCode::order_changed:
            return with_orders(reason, "With a unit in the bay, change its order to another variant.");
        case ReasonCode::order_used:
            return with_orders(reason, "Bring another unit whose ticket bears an order that is built.");
        case ReasonCode::order_differs:
            return with_orders(reason, "Send an order for another variant than the unit's tickets say.");
        case ReasonCode::subassembly_used:
            if (station_.pair.ticket_kinds.size() > 1)
                all(reason, "Scan the ticket of a sub-assembly that left in another unit.");
            return;
        case ReasonCode::tool_link_lost:
        case ReasonCode::tool_not_asked:
        case ReasonCode::result_gap:
        case ReasonCode::results_outstanding:
        case ReasonCode::result_unassigned:
        case ReasonCode::tool_overdue:
        case ReasonCode::source_on_hold: return each_tool(reason);
        case ReasonCode::fastener_locked:
            return each_joint(reason, [](const config::Joint& joint) {
                return fmt::format("{}: let a fastener fail {}.", markdown_cell(joint.name),
                                   times(joint.retry.attempts));
            });
        case ReasonCode::replacement_due:
            return each_joint(
                reason,
                [](const auto& joint) { return markdown_cell(joint.name) + ": let a fastener fail once."; },
                [](const config::Joint& joint) { return joint.retry.replace_fastener; });
        case ReasonCode::loosening_due:
            return each_joint(
                reason,
                [](const auto& joint) { return markdown_cell(joint.name) + ": let a fastener fail once."; },
                [](const config::Joint& joint) { return joint.retry.loosening_between; });
        case ReasonCode::joint_not_ok:
            return each_joint(reason, [](const auto& joint) {
                return markdown_cell(joint.name) + ": let go of the trigger before the tightening is done.";
            });
        case ReasonCode::joint_open:
            return each_joint(reason, [](const auto& joint) {
                return markdown_cell(joint.name) + ": leave the last fastener undone.";
            });
        case ReasonCode::check_open: return each_check(reason);
        case ReasonCode::curve_awaited:
            return each_joint(
                reason,
                [](const auto& joint) {
                    return markdown_cell(joint.name) +
                           ": tighten its last fastener well and look at once, before "
                           "the tool has sent the curve.";
                },
                [](const config::Joint& joint) {
                    return std::ranges::any_of(
                        joint.passes, [](const config::Pass& pass) { return pass.window.curve.has_value(); });
                });
        case ReasonCode::check_waits:
            return each_joint(
                reason,
                [](const auto& joint) {
                    return markdown_cell(joint.name) +
                           ": tighten it well and look before its waiting time is over.";
                },
                [](const config::Joint& joint) {
                    return std::ranges::any_of(joint.passes, [](const config::Pass& pass) {
                        return pass.check && pass.check->wait > std::chrono::seconds{0};
                    });
                });
        case ReasonCode::restart_unverified:
        case ReasonCode::witness_missing: return each_other_way(reason);
        // Of these the outside has no hold.
        case ReasonCode::event_set_aside:
        case ReasonCode::decision_differs:
        case ReasonCode::result_conflict: return;
        }
        std::unreachable();
    }

    static std::string times(std::uint32_t attempts) {
        return attempts == 1 ? "once" : fmt::format("{} times, as often as is allowed", attempts);
    }

    template <class Holds>
    void add(ReasonCode reason, std::string what, const Holds& holds) {
        std::vector<bool> concerned;
        concerned.reserve(permissives_.size());
        for (const auto* permissive : permissives_)
            concerned.push_back(holds(*permissive));
        if (std::ranges::find(concerned, true) != concerned.end())
            trials_.push_back({reason, std::move(what), std::move(concerned)});
    }
    void all(ReasonCode reason, std::string what) {
        add(reason, std::move(what), [](const config::Permissive&) { return true; });
    }

    // Coils carry neither a token nor a fault.
    void by_registers(ReasonCode reason, const char* what) {
        if (!config::is_by_coils(bay_))
            all(reason, what);
    }

    void each_movement(ReasonCode reason) {
        for (const auto* moved : permissives_)
            all(reason, fmt::format("With {} withheld, make its movement by hand, or force its signal.",
                                    markdown_cell(moved->name)));
    }
    void each_one_shot(ReasonCode reason) {
        for (const auto* moved : permissives_)
            add(reason,
                fmt::format("{}: make the movement, then ask for it again.", markdown_cell(moved->name)),
                [moved](const config::Permissive& one) { return &one == moved && one.one_shot; });
    }
    void each_move(ReasonCode reason) {
        for (const auto* moved : permissives_)
            add(reason,
                fmt::format("{}: with a unit in bay {}, ask for the movement there.",
                            markdown_cell(moved->name), moved->moves_to),
                [moved](const config::Permissive& one) { return &one == moved && !one.moves_to.empty(); });
    }
    void wrong_pair(ReasonCode reason) {
        if (station_.pair.ticket_kinds.size() > 1)
            all(reason, fmt::format("Scan tickets of {} that do not belong together.",
                                    comma_list(station_.pair.ticket_kinds)));
    }
    void with_orders(ReasonCode reason, const char* what) {
        if (station_.orders)
            all(reason, what);
    }
    void each_ticket(ReasonCode reason) {
        for (const auto& kind : station_.pair.ticket_kinds)
            all(reason, fmt::format("Set down a unit and scan everything but ticket {}.", kind));
    }

    template <class What>
    void each_joint(ReasonCode reason, const What& what) {
        each_joint(reason, what, [](const config::Joint&) { return true; });
    }
    template <class What, class Which>
    void each_joint(ReasonCode reason, const What& what, const Which& which) {
        // Of a click nothing is ever not OK; it only comes or is missing.
        const auto is_meant = [&](const config::Joint& joint) {
            return joint.method == config::Method::tightening ||
                   (joint.method == config::Method::click && reason == ReasonCode::joint_open) ||
                   reason == ReasonCode::restart_unverified || reason == ReasonCode::witness_missing;
        };
        for (const auto* joint : joints_)
            if (is_meant(*joint) && which(*joint))
                add(reason, what(*joint), [this, joint](const config::Permissive& one) {
                    return holds_for(station_, one, *joint);
                });
    }
    void each_other_way(ReasonCode reason) {
        const auto wanted = [reason](const config::Joint& joint) {
            if (reason == ReasonCode::witness_missing)
                return witnessed_way(joint);
            return joint.alternates.empty() ? nullptr : &joint.alternates.front();
        };
        const std::string_view then =
            reason == ReasonCode::witness_missing
                ? "bring a unit, do the joint so, and let nobody witness it yet."
                : "end that (`tautgate decide end-bypass`), and bring the next unit.";
        each_joint(
            reason,
            [&](const config::Joint& joint) {
                return fmt::format("{}: bypass it by \"{}\" (`tautgate decide place-bypass`), {}",
                                   markdown_cell(joint.name), markdown_cell(wanted(joint)->alternate->name),
                                   then);
            },
            [&](const config::Joint& joint) { return wanted(joint) != nullptr; });
    }
    // A tool is asked about by every permissive that needs one of its joints.
    void each_tool(ReasonCode reason) {
        for (const auto& tool : station_.tools) {
            if (reason == ReasonCode::tool_overdue && !tool.calibration)
                continue;
            add(reason,
                fmt::format(fmt::runtime(tool_trial(reason)),
                            fmt::format("{} ({})", tool.id, markdown_cell(tool.name))),
                [&](const config::Permissive& one) {
                    return reason == ReasonCode::result_unassigned ? tool.bay == bay_.id
                                                                   : needs_tool(one, tool.id);
                });
        }
    }
    void each_check(ReasonCode reason) {
        for (const auto* joint : joints_)
            if (joint->method == config::Method::confirmed_check)
                add(reason, markdown_cell(joint->name) + ": do not confirm it.",
                    [this, joint](const config::Permissive& one) {
                        return holds_for(station_, one, *joint);
                    });
        for (const auto& text : confirmations())
            add(reason, markdown_cell(text) + ": do not confirm it.",
                [&](const config::Permissive& one) { return holds_for_check(station_, one, text); });
    }

    [[nodiscard]] bool needs_tool(const config::Permissive& permissive, const std::string& tool) const {
        return std::ranges::any_of(joints_, [&](const config::Joint* joint) {
            return joint->method != config::Method::confirmed_check &&
                   holds_for(station_, permissive, *joint) &&
                   std::ranges::find(joint->tools, tool) != joint->tools.end();
        });
    }
    template <class Visit>
    void each_step(const Visit& visit) const {
        for (const auto& plan : station_.plans)
            for (const auto& stage : plan.stages)
                for (const auto& step : stage.steps)
                    visit(step);
    }
    [[nodiscard]] bool is_planned(const config::Joint& joint) const {
        bool planned = false;
        each_step([&](const config::Step& step) {
            const auto* tighten = std::get_if<config::TightenStep>(&step);
            planned = planned || (tighten != nullptr && tighten->joint == joint.id);
        });
        return planned;
    }
    [[nodiscard]] std::vector<std::string> confirmations() const {
        std::vector<std::string> texts;
        each_step([&](const config::Step& step) {
            const auto* confirm = std::get_if<config::ConfirmStep>(&step);
            if (confirm != nullptr && std::ranges::find(texts, confirm->text) == texts.end())
                texts.push_back(confirm->text);
        });
        return texts;
    }

    const config::Station& station_;
    const config::Bay& bay_;
    std::vector<const config::Permissive*> permissives_;
    std::vector<const config::Joint*> joints_;
    std::vector<Trial> trials_;
};

// ---- the list -------------------------------------------------------------------------------------------

std::string reason_name(ReasonCode code) {
    return fmt::format("{} ({})", words(boost::describe::enum_to_string(code, "unnamed")),
                       static_cast<unsigned>(code));
}

std::string clears_by(ReasonCode code) {
    switch (interlock::text_of(code).clears) {
    case Clears::by_itself: return "by itself";
    case Clears::by_confirming_presence: return "a scan of the unit's ticket";
    case Clears::by_decision: return "people's decision";
    case Clears::not_in_this_stay: return "not in this stay";
    }
    std::unreachable();
}

std::string item(const std::string& text) { return fmt::format("- [ ] {}\n", text); }

const ListedRegister& register_named(const ListedBlock& block, std::string_view name) {
    return *std::ranges::find(block.registers, name, &ListedRegister::name);
}

std::string where(const ListedRegister& one) {
    return fmt::format("register {} (reference {})", one.address, reference_of(one.address));
}

std::string head(const config::Station& station, std::string_view source) {
    return markdown_head("Commissioning", station, source) +
           "What is tried, and with which load, is for the machine's own assessment, the rules "
           "of the place and people "
           "who are licensed for it; they come first, and this list adds to theirs. Somebody who "
           "did not write the "
           "PLC's program tries each point at the machine. A box stays empty until the point was "
           "seen; what cannot be "
           "tried is written down with the reason.\n\n"
           "| | |\n|---|---|\n| date | |\n| version of the PLC's program | |\n| version of the "
           "service (`tautgate "
           "--version`) | |\n| rules in force, digest (`tautgate rules`) | |\n";
}

std::string simulated_item(const config::Bay& bay) {
    return bay.simulated
               ? item("the description calls the equipment of this bay simulated, so that simulated results "
                      "prove units here: `simulated` is taken out of it before the bay holds a real unit")
               : "";
}

std::string line_section(const ListedBay& listed) {
    const auto& link = *listed.controller.link;
    std::string text = "\n### Registers\n\n";
    text += simulated_item(*listed.bay);
    for (const auto& one : listed.permissives) {
        const auto& block = one.to_plc;
        text += item(fmt::format("{}: at the PLC, {} shows {}, and the three after it {}, {} and {}",
                                 one.permissive->id, where(block.registers.front()),
                                 *block.registers[0].always, *block.registers[1].always,
                                 *block.registers[2].always, *block.registers[3].always));
        text += item(fmt::format("{}: {} counts up every {} ms or faster", one.permissive->id,
                                 where(register_named(block, "beat")), link.beat_interval.count()));
        text += item(
            fmt::format("{}: the settings at the PLC are Station, Bay and Permissive as above, OneShot {}, "
                        "BeatLimit {}",
                        one.permissive->id, one.permissive->one_shot ? "TRUE" : "FALSE",
                        time_literal(config::beat_timeout_of(link))));
    }
    return text + item("`tautgate health` shows the controller's link as good") +
           item("the PLC keeps the counts (arrivals, departures, PLC starts, moved) over a loss of power") +
           item("each MayMove stands in an AND wherever its movement can begin, and in an OR nowhere; places "
                "looked "
                "at:");
}

std::string times_section(const ListedBay& listed) {
    const auto& link = *listed.controller.link;
    const auto at_plc =
        fmt::format("every MayMove is FALSE after at most {} ms and one scan; measured: ____ ms",
                    config::beat_timeout_of(link).count());
    const auto at_station =
        fmt::format("the station says {} after at most {} ms and one beat interval; measured: ____ ms",
                    reason_name(ReasonCode::controller_link_lost), link.echo_timeout.count());
    std::string text = "\n### The line fails\n\nEach with everything released.\n\n";
    text += item("network cable pulled at the PLC: " + at_plc);
    text += item("the same: " + at_station);
    text += item(fmt::format("cable back: nothing is released before {} ms have passed; measured: ____ ms",
                             link.settling.count()));
    text +=
        item("words to the PLC stand still (its receiving switched off, feedback still goes out): " + at_plc +
             "; fault 2");
    text +=
        item("words to the station stand still (feedback switched off, receiving goes on): " + at_station +
             ", and the PLC is withheld by its block");
    text += item("service stopped in order: the PLC is withheld");
    text += item("power of the station's computer cut: " + at_plc);
    text += item("station's computer back on: withheld, and released only for what its record holds");
    text += item("power of the PLC cut with a unit in the bay: comes back withheld, PLC starts is one "
                 "higher, the other "
                 "counts are as before");
    text += item("the PLC's program stopped and started: the same");
    return text;
}

std::string wrong_words_section(const ListedBay& listed) {
    std::string text =
        "\n### Wrong words\n\nEach with the permissive released, and put right afterwards.\n\n";
    for (const auto& one : listed.permissives) {
        const auto& id = one.permissive->id;
        for (const auto* setting : {"Station", "Bay", "Permissive"})
            text += item(fmt::format("{}: setting {} one higher: MayMove is FALSE, fault 1", id, setting));
        text +=
            item(fmt::format("{}: block taken from one register further on: MayMove is FALSE, fault 1", id));
        text += item(fmt::format(
            "{}: token at the PLC overwritten: MayMove is FALSE, the station says {} until the unit "
            "is set down anew",
            id, reason_name(ReasonCode::token_not_taken)));
    }
    return text;
}

std::string presence_section(const ListedBay& listed) {
    if (listed.permissives.empty())
        return "";
    const auto& block = listed.permissives.front().to_station;
    return "\n### Unit present\n\n" +
           item(fmt::format("a unit that is set down, slowly and with a bounce, adds exactly 1 to {}",
                            where(register_named(block, "arrivals")))) +
           item(fmt::format("a unit that is taken away adds exactly 1 to {}",
                            where(register_named(block, "departures")))) +
           item("sensor unplugged, sensor covered, its fuse taken out: none of them shows a unit where there "
                "is none");
}

// What is asked of a controller because there are others at the bay.
std::string several_section(const ListedBay& listed) {
    if (listed.bay->further_controllers.empty())
        return "";
    std::string text = "\n### Together with the bay's other controllers\n\n";
    text +=
        item("network cable pulled at this PLC only: every permissive of the bay is withheld, also those at "
             "the other PLCs");
    text +=
        item(fmt::format("power of this PLC off and on with a unit in the bay: the station says {} until a "
                         "ticket of the unit is scanned",
                         reason_name(ReasonCode::presence_unconfirmed)));
    if (listed.controller.id.empty())
        return text;
    const auto& further = *std::ranges::find(listed.bay->further_controllers, listed.controller.id,
                                             &config::FurtherController::id);
    text +=
        item(fmt::format("a unit that is set down and one that is taken away are seen here and at the main "
                         "controller within {} ms of each other, in each way there is; measured: ____ ms",
                         further.presence_within.count()));
    text += item(fmt::format("a unit that only the main controller sees: the station says {}",
                             reason_name(ReasonCode::token_not_taken)));
    return text;
}

bool may_leave_incomplete(const config::Station& station, const std::string& permissive) {
    return std::ranges::any_of(station.plans, [&](const config::Plan& plan) {
        const auto& ways = plan.leaving_incomplete.permissives;
        return std::ranges::find(ways, permissive) != ways.end();
    });
}

std::string movement_section(const config::Station& station, const ListedPermissive& listed) {
    const auto& one = *listed.permissive;
    std::string text = fmt::format("\n### Movement: {} ({})\n\nIt lets happen: {}.\n\n",
                                   markdown_cell(one.name), one.id, markdown_cell(one.movement));
    text += item("with everything proven it is released, and the movement can be made");
    text += item("while it is withheld the movement cannot be begun, by any of the ways there are "
                 "(automatic, by hand, "
                 "setting up, remote); ways tried:");
    text +=
        item("released, but with one of the machine's own conditions missing: the movement cannot be begun");
    text += item(fmt::format(
        "one movement adds exactly 1 to {}: slowly, quickly, with a bouncing signal, and reversed "
        "half way",
        where(register_named(listed.to_station, "moved"))));
    text += item(
        "withheld while the movement is under way: the machine does what its assessment says, which is:");
    if (one.one_shot) {
        text += item(
            "MayMove is FALSE in the scan that counts the movement, and a second movement cannot be begun");
        text += item(fmt::format(
            "interrupted movement: not again by itself; after `tautgate decide rearm {}` once more", one.id));
    }
    if (one.leaving)
        text += item("after the movement the stay has ended, and the next unit's token is another");
    if (!one.moves_to.empty())
        text += item(fmt::format("before the unit arrives at bay {}, the blocks of that bay show its token, "
                                 "withheld; its PLC takes it with the arrival",
                                 one.moves_to));
    if (may_leave_incomplete(station, one.id))
        text += item(
            fmt::format("a unit that is not proven leaves by this way only after `tautgate decide "
                        "leave-incomplete` by two people: state code 0x{:04X}, and people at the bay see it",
                        static_cast<unsigned>(protocol::Code::leaving_incomplete)));
    return text;
}

std::string reasons_section(const config::Station& station, const config::Bay& bay) {
    std::string text = "\n### Reasons to hold\n\nBring each about, see that it is named (`tautgate why`) and "
                       "that every permissive with "
                       "a box is withheld at the PLC, then put it right. `-`: the reason does not concern "
                       "that permissive.\n\n| reason | "
                       "at the machine | clears by |";
    std::string rule = "\n|---|---|---|";
    for (const auto& one : station.permissives) {
        if (one.bay != bay.id)
            continue;
        text += fmt::format(" {} |", one.id);
        rule += "---|";
    }
    text += rule + "\n";
    for (const Trial& trial : trials_at(station, bay)) {
        text +=
            fmt::format("| {} | {} | {} |", reason_name(trial.reason), trial.what, clears_by(trial.reason));
        for (const bool holds : trial.holds)
            text += holds ? " [ ] |" : " - |";
        text += "\n";
    }
    std::vector<std::string> elsewhere;
    for (const auto& reason : interlock::reason_table())
        if (is_shown_elsewhere(reason.code))
            elsewhere.push_back(reason_name(reason.code));
    return text + fmt::format("\nNot brought about at a machine, but by the tests of the program: {}.\n",
                              comma_list(elsewhere));
}

std::string sign_off(const config::Station& station) {
    std::string text =
        "\n## Open points\n\n| point | why | until when | who |\n|---|---|---|---|\n| | | | |\n\n"
        "## Sign-off\n\n| part | name | date | signature |\n|---|---|---|---|\n";
    for (const auto& bay : station.bays)
        text +=
            fmt::format("| {}, PLC's program | | | |\n| {}, tried at the machine | | | |\n", bay.id, bay.id);
    return text + "| production | | | |\n| quality | | | |\n";
}

}  // namespace

std::vector<Trial> trials_at(const config::Station& station, const config::Bay& bay) {
    return Trials(station, bay).take();
}

bool is_shown_elsewhere(ReasonCode reason) noexcept {
    return reason == ReasonCode::event_set_aside || reason == ReasonCode::decision_differs ||
           reason == ReasonCode::result_conflict;
}

std::string commissioning_checklist(const config::Station& station, std::string_view source) {
    std::string text = head(station, source);
    for (const ListedBay& listed : list_registers(station)) {
        text += fmt::format("\n## {}\n", heading_of(listed));
        if (config::is_by_coils(*listed.bay)) {
            text += "\n" + simulated_item(*listed.bay) + coil_checklist(station, *listed.bay);
        } else {
            text += line_section(listed) + times_section(listed) + wrong_words_section(listed) +
                    presence_section(listed) + several_section(listed);
            for (const auto& one : listed.permissives)
                text += movement_section(station, one);
        }
        // The reasons are the bay's: tried once, with all of its controllers there.
        if (listed.controller.key == config::controllers_of(station, *listed.bay).back().key)
            text += reasons_section(station, *listed.bay);
    }
    return text + sign_off(station);
}

}  // namespace tautgate::cli
