#include "service/web/views.hpp"

#include <algorithm>
#include <array>
#include <concepts>
#include <type_traits>
#include <utility>

#include <nlohmann/json.hpp>

#include "protocol/quantity.hpp"
#include "protocol/text.hpp"
#include "protocol/utc.hpp"
#include "service/history/json_parts.hpp"
#include "service/history/reason_json.hpp"
#include "service/history/record_json.hpp"
#include "service/interlock/lookup.hpp"
#include "service/interlock/reason.hpp"
#include "service/interlock/source_holds.hpp"
#include "service/web/actions.hpp"
#include "service/web/enum_names.hpp"
#include "service/web/refusals.hpp"

namespace tautgate::web {
namespace {

using namespace interlock;
using history::dump;
using history::list_of;
using history::number_or_null;
using history::or_null;
using history::text_or_null;
using nlohmann::json;

template <class... Fs>
struct Overloaded : Fs... {
    using Fs::operator()...;
};

json person_view(PersonNumber number, const people::Roster& roster) {
    return {{"number", number.value}, {"name", roster.name_of(number)}};
}

json person_or_null(const std::optional<PersonNumber>& number, const people::Roster& roster) {
    return or_null(number, [&](PersonNumber n) { return person_view(n, roster); });
}

template <class Items>
const typename Items::value_type* by_id(const Items& items, std::string_view id) {
    const auto found = std::ranges::find_if(items, [&](const auto& item) { return item.id == id; });
    return found == items.end() ? nullptr : &*found;
}

// ---- joints -------------------------------------------------------------------------------------------

json findings_view(const evaluation::Judgement& judgement) {
    json all = json::array();
    for (const auto& finding : judgement.findings) {
        const auto text = evaluation::text_of(finding.code);
        all.push_back({{"code", enum_name(finding.code)},
                       {"sentence", text.sentence},
                       {"advice", text.advice},
                       {"found", finding.found},
                       {"allowed", finding.allowed}});
    }
    return all;
}

json pass_view(const PassState& pass, const std::string& name, const people::Roster& roster) {
    json view{{"name", name},
              {"attempts", pass.attempts},
              {"proof", nullptr},
              {"not_ok", nullptr},
              {"curve_awaited_of", pass.awaited ? json(pass.awaited->result.value) : json(nullptr)}};
    if (pass.proof)
        view["proof"] = {{"result", pass.proof->result.value},
                         {"operator", person_or_null(pass.proof->operator_, roster)},
                         {"assigned_by_hand", pass.proof->assigned_by_hand}};
    if (pass.not_ok)
        view["not_ok"] = {{"result", pass.not_ok->result.value},
                          {"verdict", enum_name(pass.not_ok->judgement.verdict)},
                          {"findings", findings_view(pass.not_ok->judgement)}};
    return view;
}

template <class Named>
std::string name_at(const std::vector<Named>* list, std::size_t index) {
    return list != nullptr && index < list->size() ? (*list)[index].name : "no. " + std::to_string(index + 1);
}

json fastener_view(const FastenerState& fastener, const std::string& name, const config::Joint* described,
                   const people::Roster& roster) {
    json passes = json::array();
    for (std::size_t i = 0; i < fastener.passes.size(); ++i)
        passes.push_back(pass_view(fastener.passes[i],
                                   name_at(described == nullptr ? nullptr : &described->passes, i), roster));
    return {{"name", name},
            {"passes", std::move(passes)},
            {"locked", fastener.locked},
            {"loosening_due", fastener.loosening_due},
            {"replacement_due", fastener.replacement_due}};
}

json override_view(const Override& given, const people::Roster& roster) {
    json lifts = json::array();
    for (const auto code : given.lifts)
        lifts.push_back(enum_name(code));
    return {{"proposal", given.proposal.value},
            {"by", person_view(given.by, roster)},
            {"seconded_by", person_or_null(given.seconded_by, roster)},
            {"reason_code", given.reason_code},
            {"lifts", std::move(lifts)}};
}

// From when it may be made, as far as that is known.
json check_wait_view(const CheckWait& wait, const config::Joint* described) {
    return {{"pass", name_at(described == nullptr ? nullptr : &described->passes, wait.pass)},
            {"since", protocol::utc_text(wait.since.utc_us)},
            {"over", wait.over ? json(protocol::utc_text(wait.over->utc_us)) : json(nullptr)}};
}

json alternate_view(const config::Joint* described) {
    if (described == nullptr || !described->alternate)
        return nullptr;
    const config::Alternate& way = *described->alternate;
    return {{"id", way.id}, {"name", way.name}, {"witness", way.witness}};
}

json joint_view(const JointState& joint, const config::Joint* described, const people::Roster& roster) {
    json fasteners = json::array();
    for (std::size_t i = 0; i < joint.fasteners.size(); ++i)
        fasteners.push_back(fastener_view(joint.fasteners[i],
                                          name_at(described == nullptr ? nullptr : &described->fasteners, i),
                                          described, roster));
    return {
        {"id", joint.id.text},
        {"name", described == nullptr ? joint.id.text : described->name},
        {"risk", described == nullptr ? json(nullptr) : json(enum_name(described->risk))},
        {"method", described == nullptr ? json(nullptr) : json(enum_name(described->method))},
        {"fasteners", std::move(fasteners)},
        {"confirmed", number_or_null(joint.confirmed)},
        {"confirmed_by", person_or_null(joint.confirmed_by, roster)},
        {"override", or_null(joint.override_, [&](const Override& o) { return override_view(o, roster); })},
        {"check_wait",
         or_null(joint.wait, [&](const CheckWait& wait) { return check_wait_view(wait, described); })},
        {"alternate", alternate_view(described)},
        {"witnessed", number_or_null(joint.witnessed)},
        {"changed", joint.changed.value}};
}

// ---- a stay -------------------------------------------------------------------------------------------

json ticket_view(const Ticket& ticket) {
    return {{"kind", ticket.kind},
            {"serial", ticket.serial.text},
            {"order", text_or_null(ticket.order)},
            {"type", text_or_null(ticket.type)},
            {"scanned", ticket.scanned.value},
            {"earlier_stays", ticket.earlier_stays}};
}

json identity_view(const Identity& identity) {
    json view{{"state", ""},        {"why", nullptr},  {"type", nullptr},         {"unit", nullptr},
              {"variant", nullptr}, {"plan", nullptr}, {"plan_revision", nullptr}};
    std::visit(Overloaded{[&](const TicketsMissing&) { view["state"] = "tickets_missing"; },
                          [&](const WrongPair& pair) {
                              view["state"] = "wrong_pair";
                              view["why"] = pair.why;
                          },
                          [&](const UnknownVariant& unknown) {
                              view["state"] = "unknown_variant";
                              view["type"] = unknown.type;
                          },
                          [&](const Identified& known) {
                              view["state"] = "identified";
                              view["unit"] = known.unit.text;
                              view["variant"] = known.variant;
                              view["plan"] = known.plan;
                              view["plan_revision"] = known.plan_revision;
                          }},
               identity);
    return view;
}

json source_hold_view(const interlock::SourceHold& hold) {
    const auto [what, name] = interlock::words_of(hold.source);
    return {{"what", what}, {"name", name}, {"since", hold.since.value}, {"why", hold.why}};
}

// What the rules in force call the joint and its other way.
json bypass_view(const interlock::Bypass& bypass, const config::Station* rules) {
    const auto* joint = rules == nullptr ? nullptr : interlock::joint_in(*rules, bypass.joint.text);
    const auto* way = joint == nullptr ? nullptr : config::alternate_of(*joint, bypass.alternate);
    return {{"joint", bypass.joint.text},
            {"joint_name", joint == nullptr ? bypass.joint.text : joint->name},
            {"alternate", bypass.alternate},
            {"name", way == nullptr ? bypass.alternate : way->alternate->name},
            {"since", bypass.since.value},
            {"until", protocol::utc_text(bypass.until_utc_us)},
            {"units", bypass.units},
            {"used", bypass.used},
            {"why", bypass.why},
            {"ended", number_or_null(bypass.ended)}};
}

json action_subject(const Action& action) {
    return std::visit(
        Overloaded{[](const OverrideJoint& a) { return json(a.joint.text); },
                   [](const TakeBackOverride& a) { return json(a.joint.text); },
                   [](const LeaveIncomplete&) { return json(nullptr); },
                   [](const AcceptGap& a) { return json(a.tool.text); },
                   [](const AcceptSource& a) { return json(a.tool.text); },
                   [](const UnlockFastener& a) { return json(a.joint.text); },
                   [](const AssignResult& a) { return json(a.joint.text); },
                   [](const SetResultAside& a) { return json(std::to_string(a.result.value)); },
                   [](const UnitStillHere&) { return json(nullptr); },
                   [](const UnitHasLeft&) { return json(nullptr); },
                   [](const CorrectTicket& a) { return json(a.serial.text); },
                   [](const AcceptReturn&) { return json(nullptr); },
                   [](const AcknowledgeMove& a) { return json(a.permissive.text); },
                   [](const RearmPermissive& a) { return json(a.permissive.text); },
                   [](const DisposeSetAside& a) { return json(std::to_string(a.event.value)); },
                   [](const AcceptDifference&) { return json(nullptr); },
                   [](const PlaceHold& a) { return json(a.serial.text); },
                   [](const LiftHold& a) { return json(a.serial.text); },
                   [](const interlock::SettleOrder&) { return json(nullptr); },
                   [](const interlock::AcceptReuse& a) { return json(a.serial.text); },
                   [](const interlock::PlaceHoldOn& a) { return json(interlock::text_of(a.source)); },
                   [](const interlock::LiftHoldFrom& a) { return json(interlock::text_of(a.source)); },
                   [](const interlock::RecordCalibration& a) { return json(a.tool.text); },
                   [](const interlock::PlaceBypass& a) { return json(a.joint.text); },
                   [](const interlock::EndBypass& a) { return json(a.joint.text); },
                   [](const interlock::VerifyRestart& a) { return json(a.joint.text); },
                   [](const interlock::WitnessJoint& a) { return json(a.joint.text); }},
        action);
}

// The fastener of an action that is about one, by its name.
json action_fastener(const Action& action, const config::Station* rules) {
    const auto named = [&](const JointId& joint, std::uint32_t fastener) -> json {
        const auto* described = rules == nullptr ? nullptr : by_id(rules->joints, joint.text);
        return name_at(described == nullptr ? nullptr : &described->fasteners, fastener);
    };
    if (const auto* unlock = std::get_if<UnlockFastener>(&action))
        return named(unlock->joint, unlock->fastener);
    if (const auto* assign = std::get_if<AssignResult>(&action))
        return named(assign->joint, assign->fastener);
    return nullptr;
}

json action_result(const Action& action) {
    const auto* assign = std::get_if<AssignResult>(&action);
    return assign == nullptr ? json(nullptr) : json(assign->result.value);
}

json proposal_view(const Proposal& proposal, const config::Station* rules, const people::Roster& roster) {
    json view{{"number", proposal.number.value},
              {"action", name_of(proposal.what.action)},
              {"subject", action_subject(proposal.what.action)},
              {"fastener", action_fastener(proposal.what.action, rules)},
              {"result", action_result(proposal.what.action)},
              {"by", person_view(proposal.what.by, roster)},
              {"reason_code", proposal.what.reason_code},
              {"reason_text", proposal.what.reason_text},
              {"seen", proposal.what.seen.value},
              {"verified", nullptr},
              {"checked_torque", nullptr}};
    if (const auto* asked = std::get_if<OverrideJoint>(&proposal.what.action)) {
        view["verified"] = asked->verified;
        view["checked_torque"] =
            or_null(asked->checked_torque, [](protocol::Torque t) { return protocol::to_text(t); });
    }
    return view;
}

json quantity_view(const protocol::Measured<protocol::Torque>& torque) {
    return std::visit(Overloaded{[](const protocol::Absent&) { return json(nullptr); },
                                 [](const protocol::Unreadable&) { return json(nullptr); },
                                 [](const protocol::Torque& t) { return json(protocol::to_text(t)); }},
                      torque);
}

json angle_view(const protocol::Measured<protocol::Angle>& angle) {
    return std::visit(Overloaded{[](const protocol::Absent&) { return json(nullptr); },
                                 [](const protocol::Unreadable&) { return json(nullptr); },
                                 [](const protocol::Angle& a) { return json(protocol::to_text(a)); }},
                      angle);
}

json unassigned_view(const UnassignedResult& result) {
    return {{"result", result.result.value},
            {"tool", result.tool.text},
            {"why", enum_name(result.why)},
            {"program", text_or_null(result.reading.program)},
            {"torque", quantity_view(result.reading.torque)},
            {"angle", angle_view(result.reading.angle)}};
}

json moved_here_view(const interlock::MovedHere& moved) {
    return {{"from", moved.from.text},
            {"permissive", moved.permissive.text},
            {"event", moved.moved.value},
            {"arrived", number_or_null(moved.arrived)}};
}

json selection_view(const Selection& selection, const config::Station* rules, const people::Roster& roster) {
    const auto* joint = rules == nullptr ? nullptr : by_id(rules->joints, selection.joint.text);
    return {{"joint", selection.joint.text},
            {"fastener", name_at(joint == nullptr ? nullptr : &joint->fasteners, selection.fastener)},
            {"by", person_view(selection.by, roster)}};
}

json stay_view(const Stay& stay, const config::Station* rules, const people::Roster& roster) {
    const auto joint = [&](const JointState& j) {
        return joint_view(
            j, rules == nullptr ? nullptr : interlock::joint_in(*rules, stay.other_ways, j.id.text), roster);
    };
    const auto check = [&](const CheckDone& c) {
        return json{{"step", c.step}, {"confirmed", c.confirmed.value}, {"by", person_view(c.by, roster)}};
    };
    const auto moved = [](const MovementSeen& m) {
        return json{{"permissive", m.permissive.text}, {"seen", m.seen.value}};
    };
    return {{"stay", stay.id.value},
            {"token", stay.token.value},
            {"began", protocol::utc_text(stay.began.utc_us)},
            {"rules", stay.rules.digest},
            {"identity", identity_view(stay.identity)},
            {"tickets", list_of(stay.tickets, ticket_view)},
            {"refused_tickets", list_of(stay.refused_tickets, ticket_view)},
            {"doubt", enum_name(stay.doubt)},
            {"joints", list_of(stay.joints, joint)},
            {"checks", list_of(stay.checks, check)},
            {"unassigned", list_of(stay.unassigned, unassigned_view)},
            {"proposals",
             list_of(stay.proposals, [&](const Proposal& p) { return proposal_view(p, rules, roster); })},
            {"moved_unproven", list_of(stay.moved_unproven, moved)},
            {"selection",
             or_null(stay.selection, [&](const Selection& s) { return selection_view(s, rules, roster); })},
            {"moved_here", stay.moved_here ? moved_here_view(*stay.moved_here) : json(nullptr)},
            {"leaves_incomplete", number_or_null(stay.leaves_incomplete)}};
}

// ---- bays ---------------------------------------------------------------------------------------------

std::string_view decided_name(const Output& output) {
    return std::visit(Overloaded{[](const Withheld&) { return "withheld"; },
                                 [](const Released&) { return "released"; },
                                 [](const LeavingIncomplete&) { return "leaving_incomplete"; }},
                      output);
}

std::optional<EventNumber> decided_by(const Output& output) {
    return std::visit(Overloaded{[](const Withheld&) { return std::optional<EventNumber>{}; },
                                 [](const Released& r) { return std::optional{r.by}; },
                                 [](const LeavingIncomplete& l) { return std::optional{l.by}; }},
                      output);
}

json permissive_head(const StationPort& station, const BayState& bay, const PermissiveState& permissive,
                     const config::Station* rules) {
    const auto* described = rules == nullptr ? nullptr : by_id(rules->permissives, permissive.id.text);
    const auto wire = station.on_wire(bay.id, permissive.id);
    return {{"id", permissive.id.text},
            {"number", described == nullptr ? json(nullptr) : json(described->number)},
            {"name", described == nullptr ? permissive.id.text : described->name},
            {"movement", described == nullptr ? json(nullptr) : json(described->movement)},
            {"leaving", described == nullptr ? json(nullptr) : json(described->leaving)},
            {"decided", decided_name(permissive.output)},
            {"decided_by", number_or_null(decided_by(permissive.output))},
            {"on_wire", wire ? enum_name(*wire) : "unknown"}};
}

json bay_permissive_view(const StationPort& station, const BayState& bay, const PermissiveState& permissive,
                         const config::Station* rules) {
    auto view = permissive_head(station, bay, permissive, rules);
    view["reasons"] = permissive.reasons.size();
    view["first_reason"] =
        permissive.reasons.empty() ? json(nullptr) : json(sentence(permissive.reasons.front()));
    return view;
}

json counts_view(const ControllerCounts& counts) {
    return {{"arrivals", counts.arrivals},
            {"departures", counts.departures},
            {"starts", counts.starts},
            {"moved", list_of(counts.moved, [](const Moved& moved) {
                 return json{{"permissive", moved.permissive.text}, {"count", moved.count}};
             })}};
}

json controller_view(const ControllerState& controller) {
    return {{"link", enum_name(controller.link)},
            {"present", enum_name(controller.present)},
            {"fault", controller.fault},
            {"echoed_token", controller.echoed.value},
            {"counts", controller.counts ? counts_view(*controller.counts) : json(nullptr)}};
}

json wiring_test_view(const WiringTest& test, const people::Roster& roster) {
    return {{"began", test.began.value},
            {"permissive", test.permissive ? json(test.permissive->text) : json(nullptr)},
            {"by", person_or_null(test.by, roster)},
            {"token", test.token.value}};
}

json expected_view(const interlock::Expected& expected) {
    return {{"stay", expected.stay.value},
            {"from", expected.from.text},
            {"permissive", expected.permissive.text},
            {"arrived", expected.arrived}};
}

json bay_view(const StationPort& station, const BayState& bay, const people::Roster& roster) {
    const auto* rules = rules_of(station, bay.id);
    const auto* described = rules == nullptr ? nullptr : by_id(rules->bays, bay.id.text);
    const auto* stay = std::get_if<Stay>(&bay.occupant);
    return {{"id", bay.id.text},
            {"name", described == nullptr ? bay.id.text : described->name},
            {"simulated", described == nullptr ? json(nullptr) : json(described->simulated)},
            {"controller", controller_view(bay.controller)},
            {"signed_on", person_or_null(bay.signed_on, roster)},
            {"occupant", stay == nullptr ? json(nullptr) : stay_view(*stay, rules, roster)},
            {"departure_due", bay.departure_due},
            {"expected", bay.expected ? expected_view(*bay.expected) : json(nullptr)},
            {"wiring_test", bay.wiring_test ? wiring_test_view(*bay.wiring_test, roster) : json(nullptr)},
            {"permissives", list_of(bay.permissives, [&](const PermissiveState& p) {
                 return bay_permissive_view(station, bay, p, rules);
             })}};
}

json control_view(const ToolState& tool, const config::Tool* described) {
    if (described == nullptr || !described->control)
        return nullptr;
    const auto* on = std::get_if<interlock::ToolOn>(&tool.order);
    const auto* off = std::get_if<interlock::ToolOff>(&tool.order);
    return {{"may_run", on != nullptr},
            {"at", on == nullptr ? json(nullptr) : json(on->bay.text)},
            {"program", on == nullptr || on->program.empty() ? json(nullptr) : json(on->program)},
            {"confirmed", on != nullptr ? on->confirmed : off->confirmed.has_value()},
            {"bays", config::bays_of(*described)},
            {"called_to", or_null(tool.called_to, [](const BayId& bay) { return bay.text; })},
            {"disobeys", tool.disobeys}};
}

json calibration_view(const interlock::ToolCalibration& calibration) {
    const bool has_end = calibration.newest && calibration.until_utc_us != 0;
    return {{"standing", enum_name(calibration.standing)},
            {"done",
             or_null(calibration.newest, [](const auto& done) { return protocol::utc_text(done.utc_us); })},
            {"certificate", or_null(calibration.newest, [](const auto& done) { return done.certificate; })},
            {"until", has_end ? json(protocol::utc_text(calibration.until_utc_us)) : json(nullptr)}};
}

json tool_view(const ToolState& tool, const config::Station* rules) {
    const auto* described = rules == nullptr ? nullptr : by_id(rules->tools, tool.id.text);
    json view{{"id", tool.id.text},
              {"name", described == nullptr ? tool.id.text : described->name},
              {"bay", described == nullptr ? json(nullptr) : json(described->bay)},
              {"link", enum_name(tool.link)},
              {"count", ""},
              {"counter", nullptr},
              {"expected", nullptr},
              {"outstanding_to", or_null(tool.outstanding_to, [](std::uint64_t n) { return n; })},
              {"conflict", tool.conflict},
              {"control", control_view(tool, described)},
              {"calibration", calibration_view(tool.calibration)}};
    std::visit(Overloaded{[&](const NoBaseline&) { view["count"] = "no_baseline"; },
                          [&](const Following& f) {
                              view["count"] = "following";
                              view["counter"] = f.counter;
                          },
                          [&](const Broken& b) {
                              view["count"] = "broken";
                              view["counter"] = b.got;
                              view["expected"] = b.expected;
                          }},
               tool.count);
    return view;
}

// ---- why ----------------------------------------------------------------------------------------------

json why_permissive(const StationPort& station, const BayState& bay, const PermissiveState& permissive) {
    const auto* rules = rules_of(station, bay.id);
    auto view = permissive_head(station, bay, permissive, rules);
    view["reasons"] = list_of(permissive.reasons, [&](const Reason& reason) {
        return history::reason_view(reason, station.rule_book(), station.state(), bay);
    });
    return view;
}

// ---- health -------------------------------------------------------------------------------------------

json health_reason(std::string_view code, std::string_view what, std::string_view remedy_text,
                   bool withholds) {
    return {{"code", code}, {"what", what}, {"remedy", remedy_text}, {"withholds", withholds}};
}

void add_disk_reason(const JournalHealth& journal, json& reasons) {
    if (!journal.disk_free_bytes || !journal.disk_size_bytes || *journal.disk_size_bytes == 0)
        return;
    const auto percent =
        *journal.disk_free_bytes / std::max<std::uint64_t>(*journal.disk_size_bytes / 100, 1);
    if (percent >= 20)
        return;
    reasons.push_back(health_reason(percent < 10 ? "disk_nearly_full" : "disk_filling_up",
                                    "The disk of the journal has " + std::to_string(percent) + " % left",
                                    "Make room on it; when it is full, everything is withheld.", false));
}

// What has more to say than that nothing comes says what helps, too.
std::string remedy_of(const InputHealth& input) {
    if (input.why.find("; ") != std::string::npos)
        return {};
    if (input.quality == Quality::failed && input.kind == InputKind::tool)
        return "See what it sends with tautgate look.";
    return "Check that it is on and connected.";
}

json health_reasons(const StationPort& station, const HealthFacts& facts) {
    json reasons = json::array();
    for (const auto& trouble : station.troubles())
        reasons.push_back(health_reason(trouble.code, trouble.what, trouble.remedy, trouble.withholds));
    if (!station.state().rules) {
        const auto& text = interlock::text_of(ReasonCode::no_rules_in_force);
        reasons.push_back(health_reason(enum_name(text.code), text.sentence, text.remedy, true));
    }
    for (const auto& input : facts.inputs)
        if (input.quality != Quality::good)
            reasons.push_back(
                health_reason("input_" + std::string(enum_name(input.quality)),
                              std::string(enum_name(input.kind)) + " " + input.id + ": " +
                                  (input.why.empty() ? "nothing was heard of it yet" : input.why),
                              remedy_of(input), false));
    add_disk_reason(facts.journal, reasons);
    return reasons;
}

json counts_view(const InputCounts& counts) {
    return {{"became_good", counts.became_good},
            {"lost", counts.lost},
            {"failures", counts.failures},
            {"curves_refused", counts.curves_refused}};
}

json polls_view(const InputPolls& polls) {
    return {{"good", polls.good},
            {"failed", polls.failed},
            {"skipped", polls.skipped},
            {"discarded", polls.discarded}};
}

json input_view(const InputHealth& input) {
    return {{"kind", enum_name(input.kind)},
            {"id", input.id},
            {"bay", text_or_null(input.bay)},
            {"quality", enum_name(input.quality)},
            {"age_ms", or_null(input.age, [](std::chrono::milliseconds age) { return age.count(); })},
            {"why", text_or_null(input.why)},
            {"counts", counts_view(input.counts)},
            {"polls", or_null(input.polls, polls_view)}};
}

json journal_view(const JournalHealth& journal) {
    const auto same = [](std::uint64_t bytes) { return bytes; };
    return {{"path", journal.path},
            {"newest_event", journal.newest.value},
            {"durable_event", journal.durable.value},
            {"outstanding_sync_ms",
             or_null(journal.outstanding_sync, [](std::chrono::milliseconds age) { return age.count(); })},
            {"wal_bytes", journal.wal_bytes},
            {"disk_free_bytes", or_null(journal.disk_free_bytes, same)},
            {"disk_size_bytes", or_null(journal.disk_size_bytes, same)},
            {"file_check", or_null(journal.file_check, [](const FileCheckHealth& check) {
                 return json{{"age_s", check.age.count()},
                             {"took_ms", check.took.count()},
                             {"found", text_or_null(check.found)}};
             })}};
}

std::string_view overall_of(const json& reasons) {
    const bool held = std::ranges::any_of(reasons, [](const json& r) { return r["withholds"].get<bool>(); });
    return held ? "withheld" : reasons.empty() ? "good" : "attention";
}

json open_order(const Order& order) {
    const auto ticket = [](const protocol::ExpectedTicket& expected) {
        return json{{"kind", expected.kind},
                    {"type", text_or_null(expected.type)},
                    {"serial", text_or_null(expected.serial)}};
    };
    return {{"order", order.number},
            {"variant", order.content.variant},
            {"tickets", list_of(order.content.tickets, ticket)},
            {"sequence", or_null(order.content.sequence, [](std::uint32_t n) { return n; })},
            {"due", or_null(order.content.due_utc_us, [](auto us) { return protocol::utc_text(us); })},
            {"event", order.since.value},
            {"unit", text_or_null(order.unit.text)}};
}

// ---- receipts -----------------------------------------------------------------------------------------

std::string_view outcome_name(const Outcome& outcome) {
    return std::visit(
        Overloaded{[](const Applied&) { return "applied"; }, [](const Attributed&) { return "attributed"; },
                   [](const Rehit&) { return "rehit"; }, [](const Loosened&) { return "loosened"; },
                   [](const Unassigned&) { return "unassigned"; },
                   [](const FiledLate&) { return "filed_late"; }, [](const Repeated&) { return "repeated"; },
                   [](const BeforeBaseline&) { return "before_baseline"; },
                   [](const Conflict&) { return "conflict"; }, [](const Refused&) { return "refused"; },
                   [](const AwaitsSecond&) { return "awaits_second"; },
                   [](const OrdersTaken&) { return "orders_taken"; },
                   [](const OrdersRefused&) { return "orders_refused"; },
                   [](const Questioned&) { return "questioned"; },
                   [](const InsideAudit&) { return "inside_audit"; },
                   [](const OutsideAudit&) { return "outside_audit"; },
                   [](const interlock::StayMoved&) { return "stay_moved"; },
                   [](const interlock::CurveJudged&) { return "curve_judged"; },
                   [](const interlock::Confirmed&) { return "confirmed"; }},
        outcome);
}

Response refusal(const Refused& refused, EventNumber event, const std::string& where, std::string remedy) {
    const json body{{"event", event.value},
                    {"outcome", "refused"},
                    {"error",
                     {{"code", enum_name(refused.code)},
                      {"what", "the act was recorded and refused"},
                      {"where", where},
                      {"why", why_of(refused)},
                      {"remedy", std::move(remedy)}}}};
    return {.status = 409, .body = dump(body)};
}

}  // namespace

const config::Station* rules_in_force(const StationPort& station) {
    const auto& rules = station.state().rules;
    if (!rules)
        return nullptr;
    const auto found = station.rule_book().find(*rules);
    return found == station.rule_book().end() ? nullptr : found->second.get();
}

const BayState* find_bay(const StationPort& station, std::string_view id) {
    const auto& bays = station.state().bays;
    const auto found = std::ranges::find_if(bays, [&](const BayState& bay) { return bay.id.text == id; });
    return found == bays.end() ? nullptr : &*found;
}

const config::Station* rules_of(const StationPort& station, const BayId& bay) {
    const auto* state = find_bay(station, bay.text);
    const auto* stay = state == nullptr ? nullptr : std::get_if<Stay>(&state->occupant);
    if (stay == nullptr)
        return rules_in_force(station);
    const auto found = station.rule_book().find(stay->rules);
    return found == station.rule_book().end() ? nullptr : found->second.get();
}

std::string_view name_of(domain::Role role) noexcept { return enum_name(role); }

std::optional<domain::Role> role_from(std::string_view name) noexcept {
    return enum_from<domain::Role>(name);
}

namespace {

// What withholds every output, whatever was decided.
json withheld_by_station(const StationPort& station) {
    json all = json::array();
    for (const Trouble& trouble : station.troubles())
        if (trouble.withholds)
            all.push_back({{"code", trouble.code}, {"what", trouble.what}, {"remedy", trouble.remedy}});
    return all;
}

}  // namespace

std::string station_view(const StationPort& station, const people::Roster& roster) {
    const auto& state = station.state();
    const auto* rules = rules_in_force(station);
    json about = nullptr;
    if (rules != nullptr)
        about = {{"id", rules->id}, {"number", rules->number}, {"name", rules->name}, {"site", rules->site}};
    const auto hold = [](const UnitHold& h) {
        return json{
            {"unit", h.unit.text}, {"since", h.since.value}, {"why", h.why}, {"nameless", h.nameless}};
    };
    return dump(
        {{"station", std::move(about)},
         {"program_version", station.program_version()},
         {"newest_event", state.newest.value},
         {"durable_event", station.durable().value},
         {"rules", or_null(state.rules, [](const Revision& r) { return r.digest; })},
         {"people_enrolled", state.people.size()},
         {"withheld_by_station", withheld_by_station(station)},
         {"bays", list_of(state.bays, [&](const BayState& b) { return bay_view(station, b, roster); })},
         {"tools", list_of(state.tools, [&](const ToolState& t) { return tool_view(t, rules); })},
         {"holds", list_of(state.holds, hold)},
         {"source_holds", list_of(state.source_holds, source_hold_view)},
         {"bypasses",
          list_of(state.bypasses, [&](const interlock::Bypass& b) { return bypass_view(b, rules); })},
         {"unassigned", list_of(state.unassigned, unassigned_view)}});
}

std::optional<BayState> bay_before_rules(const StationPort& station, std::string_view id) {
    if (station.state().rules)
        return std::nullopt;
    const auto* staged = interlock::rules_of(station.rule_book(), station.staged_rules().revision);
    BayState bay;
    bay.id.text = id;
    if (staged == nullptr || bay_in(*staged, bay.id) == nullptr)
        return std::nullopt;
    for (const auto& permissive : staged->permissives) {
        const PermissiveId about{permissive.id};
        if (permissive.bay == id)
            bay.permissives.push_back(
                {about, Withheld{}, holds_of(station.rule_book(), station.state(), bay, about)});
    }
    return bay;
}

std::string why_view(const StationPort& station, const BayState& bay) {
    return dump({{"bay", bay.id.text},
                 {"withheld_by_station", withheld_by_station(station)},
                 {"newest_event", station.state().newest.value},
                 {"durable_event", station.durable().value},
                 {"unused_scan", or_null(bay.unused_scan,
                                         [](const UnusedScan& scan) {
                                             return json{{"event", scan.scanned.value}, {"why", scan.why}};
                                         })},
                 {"permissives", list_of(bay.permissives, [&](const PermissiveState& p) {
                      return why_permissive(station, bay, p);
                  })}});
}

std::string health_view(const StationPort& station) {
    const auto facts = station.health();
    auto reasons = health_reasons(station, facts);
    const auto overall = overall_of(reasons);
    return dump({{"overall", overall},
                 {"reasons", std::move(reasons)},
                 {"inputs", list_of(facts.inputs, input_view)},
                 {"journal", journal_view(facts.journal)},
                 {"up_s", facts.up.count()},
                 {"longest_turn_us", facts.longest_turn.count()},
                 {"program_version", station.program_version()}});
}

std::string rules_view(const StationPort& station) {
    const auto staged = station.staged_rules();
    const auto& in_force = station.state().rules;
    const auto digest = [](const Revision& r) { return r.digest; };
    return dump({{"in_force", or_null(in_force, digest)},
                 {"file", staged.file},
                 {"staged", or_null(staged.revision, digest)},
                 {"differs", staged.revision != in_force},
                 {"faults", staged.faults},
                 {"warnings", staged.warnings}});
}

std::string people_view(const StationPort& station, const people::Roster& roster,
                        const people::SignIns& sign_ins) {
    const auto now = station.monotonic();
    return dump({{"people", list_of(roster.known(station.state()), [&](const people::KnownPerson& person) {
                      return json{
                          {"number", person.number.value},
                          {"badge", text_or_null(person.badge)},
                          {"name", person.name},
                          {"roles", list_of(person.roles, [](domain::Role r) { return json(name_of(r)); })},
                          {"suspended", person.suspended},
                          {"can_sign_in", person.can_sign_in},
                          {"deputy", list_of(person.deputy,
                                             [](const Deputy& deputy) {
                                                 return json{
                                                     {"role", name_of(deputy.role)},
                                                     {"until", protocol::utc_text(deputy.until_utc_us)}};
                                             })},
                          {"locked_for_s", or_null(sign_ins.locked_for(person.number, now),
                                                   [](std::chrono::seconds s) { return s.count(); })}};
                  })}});
}

std::string unit_view(const history::UnitRecord& record, const people::Roster& roster) {
    return history::unit_json(record, [&](PersonNumber number) { return roster.name_of(number); });
}

std::string orders_view(const StationPort& station) {
    const auto* rules = rules_in_force(station);
    return dump({{"takes_orders", rules != nullptr && rules->orders.has_value()},
                 {"orders", list_of(station.state().orders, open_order)}});
}

std::string event_lines(const std::vector<StoredEvent>& events) {
    std::string lines;
    for (const auto& event : events) {
        lines +=
            "{\"number\":" + std::to_string(event.number.value) + ",\"hash\":\"" + event.hash_hex + "\",";
        // The stored text goes out as it is; one that is no JSON any more must not break the lines around it.
        const bool sound = event.body.find('\n') == std::string::npos && json::accept(event.body);
        lines += sound ? "\"body\":" + event.body : "\"damaged_body\":" + dump(json(event.body));
        lines += "}\n";
    }
    return lines;
}

namespace {

// What is to be known about what came of it; empty where the outcome says it all.
std::string note_on(const Outcome& outcome) {
    return std::visit(
        [](const auto& what) -> std::string {
            using What = std::decay_t<decltype(what)>;
            if constexpr (std::same_as<What, Questioned> || std::same_as<What, InsideAudit> ||
                          std::same_as<What, OutsideAudit>)
                return sentence(what);
            else
                return {};
        },
        outcome);
}

}  // namespace

Response receipt(const Recorded& recorded, const ReceiptFor& asked) {
    if (const auto* refused = std::get_if<Refused>(&recorded.outcome))
        return refusal(*refused, recorded.event, asked.where, remedy_of(*refused, asked.station, asked.at));
    const auto* awaits = std::get_if<AwaitsSecond>(&recorded.outcome);
    const json body{{"event", recorded.event.value},
                    {"outcome", outcome_name(recorded.outcome)},
                    {"note", text_or_null(note_on(recorded.outcome))},
                    {"proposal", awaits == nullptr ? json(nullptr) : json(awaits->proposal.value)},
                    {"person", or_null(asked.enrolled, [](PersonNumber n) { return n.value; })}};
    return {.status = awaits == nullptr ? 200U : 202U, .body = dump(body)};
}

}  // namespace tautgate::web
