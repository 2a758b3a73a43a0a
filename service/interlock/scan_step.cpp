#include "service/interlock/scan_step.hpp"

#include <algorithm>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include <fmt/format.h>

namespace tautgate::interlock {
namespace {

constexpr std::size_t steps_told = 3;

bool scans(const config::Stage& stage, std::string_view kind) {
    return std::ranges::any_of(stage.steps, [&](const config::Step& step) {
        const auto* scan = std::get_if<config::ScanStep>(&step);
        return scan != nullptr && scan->ticket_kind == kind;
    });
}

const config::Stage* stage_in(const config::Plan& plan, std::string_view kind) {
    const auto found =
        std::ranges::find_if(plan.stages, [&](const config::Stage& stage) { return scans(stage, kind); });
    return found == plan.stages.end() ? nullptr : &*found;
}

// The stages that scan the kind, each name once. Where the plans call it by several names, which plan calls
// it so is said with it.
std::vector<std::string> stages_with(const config::Station& station, std::string_view kind) {
    std::vector<std::string> names;
    std::vector<std::string> with_plan;
    for (const config::Plan& plan : station.plans) {
        const config::Stage* stage = stage_in(plan, kind);
        if (stage == nullptr || std::ranges::find(names, stage->name) != names.end())
            continue;
        names.push_back(stage->name);
        with_plan.push_back(stage->name + " of plan " + plan.id);
    }
    return names.size() > 1 ? with_plan : names;
}

std::string joined(const std::vector<std::string>& items, std::string_view last_word) {
    std::string text;
    const std::size_t told = std::min(items.size(), steps_told);
    for (std::size_t i = 0; i < told; ++i) {
        const bool last = i + 1 == told && told == items.size();
        if (i > 0)
            text += last ? last_word : ", ";
        text += items[i];
    }
    return told < items.size() ? text + " and others" : text;
}

// "stage Tickets"; empty where no plan has a step for it.
std::string stages_text(const config::Station& station, std::string_view kind) {
    const auto stages = stages_with(station, kind);
    return stages.empty() ? std::string{} : "stage " + joined(stages, " or ");
}

// What the label says otherwise than the ticket that was scanned, where both name one serial.
std::string difference(const Ticket& there, const Ticket& label) {
    std::vector<std::string> told;
    const auto compare = [&](std::string_view what, const std::string& before, const std::string& now) {
        const auto named = [](const std::string& text) { return text.empty() ? "none" : text; };
        if (before != now)
            told.push_back(fmt::format("{} {} instead of {}", what, named(now), named(before)));
    };
    if (there.serial == label.serial) {
        compare("type", there.type, label.type);
        compare("order", there.order, label.order);
    }
    return told.empty() ? std::string{} : ": this label says " + joined(told, " and ");
}

}  // namespace

std::string steps_for(const config::Station& station, std::string_view kind) {
    const std::string stages = stages_text(station, kind);
    const std::string ticket = "a ticket of kind " + std::string(kind);
    return ticket + (stages.empty() ? " belongs to the pair, which no step asks for" : " is for " + stages);
}

std::string no_step_for(const config::Station& station, std::string_view kind) {
    std::vector<std::string> wanted;
    wanted.reserve(station.pair.ticket_kinds.size());
    for (const std::string& each : station.pair.ticket_kinds) {
        const std::string stages = stages_text(station, each);
        std::string named = each;
        if (!stages.empty())
            named.append(" (").append(stages).append(")");
        wanted.push_back(std::move(named));
    }
    const std::string none = "no step asks for a ticket of kind " + std::string(kind);
    return wanted.empty() ? none : none + ", only for " + joined(wanted, " and ");
}

std::string step_of_repeated(const config::Station& station, const Stay& stay, const Ticket& ticket) {
    const config::Plan* plan = plan_of(station, stay);
    const config::Stage* of_plan = plan != nullptr ? stage_in(*plan, ticket.kind) : nullptr;
    std::string text = of_plan != nullptr
                           ? "a ticket of kind " + ticket.kind + " is for stage " + of_plan->name
                           : steps_for(station, ticket.kind);
    const auto there = std::ranges::find(stay.tickets, ticket.kind, &Ticket::kind);
    if (there != stay.tickets.end())
        text += ", where " + there->serial.text + " was scanned already" + difference(*there, ticket);
    const std::size_t open = plan != nullptr ? open_stage(station, *plan, stay) : 0;
    if (plan != nullptr && open < plan->stages.size())
        text += "; stage " + plan->stages[open].name + " is open now";
    return text;
}

}  // namespace tautgate::interlock
