#include "config/findings.hpp"
#include "config/scope.hpp"

namespace tautgate::config {

namespace {

// A step that tightens, with its place.
struct JointUse {
    const Joint* joint = nullptr;
    std::string pointer;
    std::size_t stage = 0;
};

template <class Visit>
void for_each_step(const Plan& plan, const std::string& pointer, Visit visit) {
    for (std::size_t stage = 0; stage < plan.stages.size(); ++stage) {
        for (std::size_t step = 0; step < plan.stages[stage].steps.size(); ++step) {
            visit(plan.stages[stage].steps[step], stage,
                  fmt::format("{}/stages/{}/steps/{}", pointer, stage, step));
        }
    }
}

std::vector<JointUse> joint_uses(const Station& station, const Plan& plan, const std::string& pointer) {
    std::vector<JointUse> uses;
    for_each_step(plan, pointer, [&](const Step& step, std::size_t stage, const std::string& here) {
        const auto* tighten = std::get_if<TightenStep>(&step);
        const Joint* joint = tighten == nullptr ? nullptr : by_id(station.joints, tighten->joint);
        if (joint != nullptr) {
            uses.push_back({.joint = joint, .pointer = here + "/tighten", .stage = stage});
        }
    });
    return uses;
}

bool contains(const std::vector<std::string>& list, const std::string& value) {
    return std::find(list.begin(), list.end(), value) != list.end();
}

// The rules for labels of the kind; none where the kind is unknown, which is reported elsewhere.
std::vector<const protocol::TicketRule*> rules_of_kind(const Station& station, const std::string& kind) {
    std::vector<const protocol::TicketRule*> rules;
    for (const auto& rule : station.tickets)
        if (rule.kind == kind)
            rules.push_back(&rule);
    return rules;
}

void check_ticket_kind(Findings& findings, const Station& station, const std::string& kind,
                       const std::string& pointer) {
    if (rules_of_kind(station, kind).empty()) {
        std::vector<std::string> kinds;
        kinds.reserve(station.tickets.size());
        for (const auto& rule : station.tickets) {
            kinds.push_back(rule.kind);
        }
        findings.error(pointer, fmt::format("there is no ticket kind \"{}\"", kind),
                       fmt::format("give one of {}", fmt::join(kinds, ", ")));
    }
}

// Only the tickets of the pair are taken at the station; a scan step of another kind would never be done.
void check_kind_is_of_pair(Findings& findings, const Station& station, const std::string& kind,
                           const std::string& pointer) {
    const auto& kinds = station.pair.ticket_kinds;
    if (!rules_of_kind(station, kind).empty() && !contains(kinds, kind)) {
        findings.error(pointer,
                       fmt::format("\"{}\" is no ticket of the pair, so its scan would never be taken", kind),
                       "add it to the pair's ticket_kinds, or remove the step");
    }
}

// Steps name things that exist, and each thing once.
void check_steps(Findings& findings, const Station& station, const Plan& plan, const std::string& pointer) {
    std::set<std::string> seen;
    const auto once = [&](const std::string& key, const std::string& here, const std::string& what) {
        if (!seen.insert(key).second) {
            findings.error(here, fmt::format("the plan has {} already", what), "keep one of the two steps");
        }
    };
    for_each_step(plan, pointer, [&](const Step& step, std::size_t /*stage*/, const std::string& here) {
        if (const auto* scan = std::get_if<ScanStep>(&step)) {
            check_ticket_kind(findings, station, scan->ticket_kind, here + "/scan");
            check_kind_is_of_pair(findings, station, scan->ticket_kind, here + "/scan");
            once("scan " + scan->ticket_kind, here + "/scan",
                 fmt::format("a scan of \"{}\"", scan->ticket_kind));
        } else if (const auto* tighten = std::get_if<TightenStep>(&step)) {
            check_reference(findings, station.joints, tighten->joint, "joint", here + "/tighten");
            once("tighten " + tighten->joint, here + "/tighten",
                 fmt::format("the joint \"{}\"", tighten->joint));
        } else if (const auto* confirm = std::get_if<ConfirmStep>(&step)) {
            once("confirm " + confirm->id, here + "/confirm/id", fmt::format("a step \"{}\"", confirm->id));
        }
    });
}

// Both tickets of the pair are known before anything is tightened.
void check_pair_is_scanned(Findings& findings, const Station& station, const Plan& plan,
                           const std::string& pointer) {
    std::size_t first_joint = plan.stages.size();
    std::vector<std::pair<std::string, std::size_t>> scans;
    for_each_step(plan, pointer, [&](const Step& step, std::size_t stage, const std::string& /*here*/) {
        if (const auto* scan = std::get_if<ScanStep>(&step)) {
            scans.emplace_back(scan->ticket_kind, stage);
        } else if (std::holds_alternative<TightenStep>(step)) {
            first_joint = std::min(first_joint, stage);
        }
    });
    for (const auto& kind : station.pair.ticket_kinds) {
        const auto scan =
            std::find_if(scans.begin(), scans.end(), [&kind](const auto& one) { return one.first == kind; });
        if (scan == scans.end()) {
            findings.error(pointer + "/stages",
                           fmt::format("no step scans the ticket \"{}\" of the pair", kind),
                           "add a scan step before the first joint");
        } else if (scan->second >= first_joint) {
            findings.error(pointer + "/stages",
                           fmt::format("the ticket \"{}\" is not scanned before the first joint opens", kind),
                           "scan it in an earlier stage");
        }
    }
}

bool share_program(const Joint& left, const Joint& right) {
    for (const auto& a : left.passes) {
        for (const auto& b : right.passes) {
            // A pass without a program takes results of any program.
            if (a.program == b.program || a.program.empty() || b.program.empty()) {
                return true;
            }
        }
    }
    return false;
}

std::string shared_tool(const Joint& left, const Joint& right) {
    for (const auto& tool : left.tools) {
        if (std::find(right.tools.begin(), right.tools.end(), tool) != right.tools.end()) {
            return tool;
        }
    }
    return {};
}

// Two joints that are open together must be told apart by tool or program, or by a person who selects the
// fastener first: a result is never guessed.
void check_told_apart(Findings& findings, const std::vector<JointUse>& uses) {
    for (std::size_t late = 0; late < uses.size(); ++late) {
        for (std::size_t early = 0; early < late; ++early) {
            const Joint& one = *uses[early].joint;
            const Joint& other = *uses[late].joint;
            const auto tool = shared_tool(one, other);
            if (one.placement == Placement::selected && other.placement == Placement::selected) {
                continue;
            }
            if (uses[early].stage == uses[late].stage && &one != &other && !tool.empty() &&
                share_program(one, other)) {
                findings.error(
                    uses[late].pointer,
                    fmt::format("nothing tells a result of tool \"{}\" for \"{}\" from one for \"{}\", "
                                "which is open at the same time",
                                tool, other.id, one.id),
                    "give them different programs or tools, put them in different stages, or let the "
                    "operator select the fasteners of both");
            }
        }
    }
}

bool names_unknown_joint(const Station& station, const Plan& plan) {
    bool unknown = false;
    for_each_step(plan, "", [&](const Step& step, std::size_t /*stage*/, const std::string& /*here*/) {
        const auto* tighten = std::get_if<TightenStep>(&step);
        unknown = unknown || (tighten != nullptr && by_id(station.joints, tighten->joint) == nullptr);
    });
    return unknown;
}

// A permissive with nothing to prove would be released by a plan for the asking.
void check_scopes(Findings& findings, const Station& station, const std::vector<JointUse>& uses,
                  const Plan& plan, const std::string& pointer) {
    if (names_unknown_joint(station, plan)) {
        return;  // what it was meant to be is not known
    }
    for (const auto& permissive : station.permissives) {
        const bool covers_some = std::any_of(uses.begin(), uses.end(), [&](const JointUse& use) {
            return covers(permissive, plan, *use.joint, use.stage);
        });
        if (!covers_some) {
            findings.error(
                pointer,
                fmt::format("the permissive \"{}\" covers no joint of plan \"{}\", so nothing would have "
                            "to be proven for it",
                            permissive.id, plan.id),
                "add a joint to the plan or widen the permissive's scope");
        }
    }
}

void check_leaving(Findings& findings, const Station& station, const Plan& plan, const std::string& pointer) {
    const LeavingIncomplete& leaving = plan.leaving_incomplete;
    bool all_known = true;
    for (std::size_t index = 0; index < leaving.permissives.size(); ++index) {
        const auto here = fmt::format("{}/permissives/{}", pointer, index);
        check_reference(findings, station.permissives, leaving.permissives[index], "permissive", here);
        const Permissive* permissive = by_id(station.permissives, leaving.permissives[index]);
        if (permissive == nullptr) {
            all_known = false;  // what it was meant for is not known, so nothing is said about the bays
        } else if (!permissive->leaving && permissive->moves_to.empty()) {
            findings.error(here, fmt::format("the movement of \"{}\" does not end the stay", permissive->id),
                           "name a permissive that has \"leaving\": true");
        }
    }
    check_unique(
        findings, leaving.permissives, [](const std::string& id) { return fmt::format("\"{}\"", id); },
        [&](std::size_t index) { return fmt::format("{}/permissives/{}", pointer, index); }, "permissive");
    if (leaving.permissives.empty() && leaving.unguarded_way.empty()) {
        findings.error(
            pointer, "a unit that cannot be proven has no way out",
            "name a leaving permissive, or describe a way that no permissive guards in \"unguarded_way\"");
        return;
    }
    const auto is_named = [&leaving](const Permissive& permissive) {
        return contains(leaving.permissives, permissive.id);
    };
    for (const auto& bay : station.bays) {
        if (leaving.unguarded_way.empty() && all_known && !comes_out(station, bay.id, is_named)) {
            findings.error(pointer,
                           fmt::format("a unit that cannot be proven has no way out of bay \"{}\"", bay.id),
                           "name a permissive of that bay which lets the unit leave or move on, and so on "
                           "until it leaves");
        }
    }
}

// ---- pair and variants ------------------------------------------------------------------------------------

using protocol::TicketPart;

void check_labels_state(Findings& findings, const Station& station, const std::string& kind, TicketPart part,
                        const std::string& pointer, std::string_view why) {
    const std::string_view name = part == TicketPart::order ? "order" : "type";
    for (const auto* rule : rules_of_kind(station, kind)) {
        if (!states(*rule, part)) {
            findings.error(
                pointer, fmt::format("a label of kind \"{}\" states no {}, {}", kind, name, why),
                fmt::format("add \"{0}\" to each rule for its labels, in a pattern as (?P<{0}>...)", name));
            return;
        }
    }
}

bool labels_may_state(const Station& station, const std::string& kind, TicketPart part) {
    const auto rules = rules_of_kind(station, kind);
    return rules.empty() ||
           std::ranges::any_of(rules, [part](const auto* rule) { return states(*rule, part); });
}

void check_pair(Findings& findings, const Station& station) {
    const PairRule& pair = station.pair;
    for (std::size_t index = 0; index < pair.ticket_kinds.size(); ++index) {
        const auto here = fmt::format("/pair/ticket_kinds/{}", index);
        check_ticket_kind(findings, station, pair.ticket_kinds[index], here);
        if (pair.same_order) {
            check_labels_state(findings, station, pair.ticket_kinds[index], TicketPart::order, here,
                               "but the pair must be of one order");
        }
    }
    check_unique(
        findings, pair.ticket_kinds, [](const std::string& kind) { return fmt::format("\"{}\"", kind); },
        [](std::size_t index) { return fmt::format("/pair/ticket_kinds/{}", index); }, "ticket kind");
    if (station.orders && !pair.same_order) {
        check_labels_state(findings, station, pair.unit_kind, TicketPart::order, "/orders",
                           "but a unit is built for an order that the station knows");
    }
    const auto allowed = fmt::format("give one of {}", fmt::join(pair.ticket_kinds, ", "));
    if (!contains(pair.ticket_kinds, pair.unit_kind)) {
        findings.error("/pair/unit_kind", fmt::format("\"{}\" is no ticket of the pair", pair.unit_kind),
                       allowed);
    }
    if (!contains(pair.ticket_kinds, pair.variant_kind)) {
        findings.error("/pair/variant_kind",
                       fmt::format("\"{}\" is no ticket of the pair", pair.variant_kind), allowed);
    } else {
        check_labels_state(findings, station, pair.variant_kind, TicketPart::type, "/pair/variant_kind",
                           "but its type is to name the variant");
    }
}

void check_types_of(Findings& findings, const Station& station, const Variant& variant,
                    const std::string& pointer) {
    for (std::size_t index = 0; index < variant.types.size(); ++index) {
        const auto& types = variant.types[index];
        const auto here = fmt::format("{}/types/{}", pointer, index);
        if (!contains(station.pair.ticket_kinds, types.ticket_kind)) {
            findings.error(here + "/ticket_kind",
                           fmt::format("\"{}\" is no ticket of the pair", types.ticket_kind),
                           fmt::format("give one of {}", fmt::join(station.pair.ticket_kinds, ", ")));
        }
        check_unique(
            findings, types.types, [](const std::string& type) { return fmt::format("\"{}\"", type); },
            [&here](std::size_t type) { return fmt::format("{}/types/{}", here, type); }, "type");
    }
    check_unique(
        findings, variant.types,
        [](const TypesOfKind& types) { return fmt::format("\"{}\"", types.ticket_kind); },
        [&](std::size_t index) { return fmt::format("{}/types/{}/ticket_kind", pointer, index); },
        "ticket kind");
    for (const auto& kind : station.pair.ticket_kinds) {
        const bool listed =
            std::any_of(variant.types.begin(), variant.types.end(),
                        [&kind](const TypesOfKind& types) { return types.ticket_kind == kind; });
        if (!listed &&
            (kind == station.pair.variant_kind || labels_may_state(station, kind, TicketPart::type))) {
            findings.error(pointer + "/types",
                           fmt::format("nothing says which types of \"{}\" belong to the variant", kind),
                           "add an entry for that ticket kind");
        }
    }
}

// The type on the ticket names one variant, not two.
void check_types_are_distinct(Findings& findings, const Station& station) {
    std::vector<std::pair<std::string, std::string>> taken;  // type, variant
    for (std::size_t index = 0; index < station.variants.size(); ++index) {
        const Variant& variant = station.variants[index];
        for (std::size_t entry = 0; entry < variant.types.size(); ++entry) {
            if (variant.types[entry].ticket_kind != station.pair.variant_kind) {
                continue;
            }
            for (std::size_t type = 0; type < variant.types[entry].types.size(); ++type) {
                const auto& name = variant.types[entry].types[type];
                const auto before = std::find_if(taken.begin(), taken.end(),
                                                 [&name](const auto& one) { return one.first == name; });
                if (before != taken.end() && before->second != variant.id) {
                    findings.error(
                        fmt::format("/variants/{}/types/{}/types/{}", index, entry, type),
                        fmt::format("the type \"{}\" names the variant \"{}\" already", name, before->second),
                        "let each type name one variant");
                }
                taken.emplace_back(name, variant.id);
            }
        }
    }
}

}  // namespace

void check_plans(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.plans.size(); ++index) {
        const Plan& plan = station.plans[index];
        const auto pointer = fmt::format("/plans/{}", index);
        const auto uses = joint_uses(station, plan, pointer);
        check_steps(findings, station, plan, pointer);
        check_pair_is_scanned(findings, station, plan, pointer);
        check_told_apart(findings, uses);
        check_scopes(findings, station, uses, plan, pointer);
        check_leaving(findings, station, plan, pointer + "/leaving_incomplete");
    }
}

void check_pair_and_variants(Findings& findings, const Station& station) {
    check_pair(findings, station);
    for (std::size_t index = 0; index < station.variants.size(); ++index) {
        const auto pointer = fmt::format("/variants/{}", index);
        check_reference(findings, station.plans, station.variants[index].plan, "plan", pointer + "/plan");
        check_types_of(findings, station, station.variants[index], pointer);
    }
    check_types_are_distinct(findings, station);
}

void warn_of_unused_plans_and_joints(Findings& findings, const Station& station) {
    std::set<std::string> joints;
    std::set<std::string> scanned;
    for (const auto& plan : station.plans) {
        for_each_step(plan, "", [&](const Step& step, std::size_t /*stage*/, const std::string& /*here*/) {
            if (const auto* tighten = std::get_if<TightenStep>(&step)) {
                joints.insert(tighten->joint);
            } else if (const auto* scan = std::get_if<ScanStep>(&step)) {
                scanned.insert(scan->ticket_kind);
            }
        });
    }
    for (std::size_t index = 0; index < station.tickets.size(); ++index) {
        const auto& kind = station.tickets[index].kind;
        if (!scanned.contains(kind)) {
            findings.warning(fmt::format("/tickets/{}", index),
                             fmt::format("no step scans a ticket of kind \"{}\"", kind),
                             "use it or remove it");
        }
    }
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        if (!joints.contains(station.joints[index].id)) {
            findings.warning(fmt::format("/joints/{}", index),
                             fmt::format("no plan uses the joint \"{}\"", station.joints[index].id),
                             "use it or remove it");
        }
    }
    for (std::size_t index = 0; index < station.plans.size(); ++index) {
        const auto& id = station.plans[index].id;
        const bool used = std::any_of(station.variants.begin(), station.variants.end(),
                                      [&id](const Variant& variant) { return variant.plan == id; });
        if (!used) {
            findings.warning(fmt::format("/plans/{}", index),
                             fmt::format("no variant uses the plan \"{}\"", id), "use it or remove it");
        }
    }
}

}  // namespace tautgate::config
