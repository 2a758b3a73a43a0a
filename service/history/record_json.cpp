#include "service/history/record_json.hpp"

#include <string_view>

#include <nlohmann/json.hpp>

#include "protocol/describe.hpp"
#include "protocol/quantity.hpp"
#include "protocol/text.hpp"
#include "protocol/trace_text.hpp"
#include "protocol/utc.hpp"
#include "service/history/json_parts.hpp"

namespace tautgate::history {
namespace {

using domain::PersonNumber;
using nlohmann::json;

json person_or_null(const std::optional<PersonNumber>& number, const NameOf& name_of) {
    return or_null(number, [&](PersonNumber n) { return json{{"number", n.value}, {"name", name_of(n)}}; });
}

json codes_view(std::string_view list) {
    json codes = json::array();
    while (!list.empty()) {
        const auto comma = list.find(',');
        codes.push_back(list.substr(0, comma));
        list = comma == std::string_view::npos ? std::string_view{} : list.substr(comma + 1);
    }
    return codes;
}

json kind_or_null(const std::string& kind) {
    return kind.empty() ? json(nullptr) : json(protocol::snake_case(kind));
}

json ticket_line(const TicketLine& line) {
    return {{"event", line.event.value},
            {"at", protocol::utc_text(line.utc_us)},
            {"kind", line.kind},
            {"serial", line.serial},
            {"order", text_or_null(line.order)},
            {"type", text_or_null(line.type)},
            {"accepted", line.accepted},
            {"withdrawn", number_or_null(line.withdrawn)}};
}

json pattern_line(const evaluation::SeenPattern& seen) {
    const auto text = evaluation::text_of(seen.pattern);
    return {{"pattern", boost::describe::enum_to_string(seen.pattern, "unnamed")},
            {"sentence", text.sentence},
            {"evidence", seen.evidence},
            {"advice", text.advice}};
}

json tightening_line(const TighteningLine& line, const NameOf& name_of) {
    return {{"event", line.event.value},
            {"at", protocol::utc_text(line.utc_us)},
            {"tool", line.tool},
            {"epoch", line.epoch},
            {"counter", std::to_string(line.counter)},
            {"outcome", protocol::snake_case(line.outcome)},
            {"why", text_or_null(line.why)},
            {"joint", text_or_null(line.joint)},
            {"fastener", text_or_null(line.fastener)},
            {"pass", text_or_null(line.pass)},
            {"attempt", or_null(line.attempt, [](std::uint32_t n) { return n; })},
            {"verdict", text_or_null(line.verdict)},
            {"findings", codes_view(line.findings)},
            {"direction", line.direction},
            {"torque",
             or_null(line.torque_micro_nm, [](auto n) { return protocol::to_text(protocol::Torque{n}); })},
            {"angle",
             or_null(line.angle_micro_deg, [](auto n) { return protocol::to_text(protocol::Angle{n}); })},
            {"torque_received", text_or_null(line.torque_received)},
            {"torque_unit_received", text_or_null(line.torque_unit_received)},
            {"angle_received", text_or_null(line.angle_received)},
            {"operator", person_or_null(line.operator_, name_of)},
            {"assigned_by", number_or_null(line.assigned_by)},
            {"traces", line.traces},
            {"patterns", list_of(line.patterns, pattern_line)},
            {"curve_fault", text_or_null(line.curve_fault)}};
}

json output_line(const OutputLine& line) {
    return {{"event", line.event.value},
            {"at", protocol::utc_text(line.utc_us)},
            {"permissive", line.permissive},
            {"output", protocol::snake_case(line.output)},
            {"reasons", codes_view(line.reasons)}};
}

json move_line(const MoveLine& line) {
    return {{"event", line.event.value},
            {"at", protocol::utc_text(line.utc_us)},
            {"from", line.from},
            {"to", line.to},
            {"permissive", line.permissive},
            {"unproven", line.unproven}};
}

json other_way_line(const OtherWayLine& line) {
    return {{"joint", line.joint},
            {"alternate", line.alternate},
            {"name", line.name},
            {"bypass", line.bypass.value}};
}

json decision_line(const DecisionLine& line, const NameOf& name_of) {
    return {{"event", line.event.value},
            {"at", protocol::utc_text(line.utc_us)},
            {"kind", protocol::snake_case(line.kind)},
            {"action", kind_or_null(line.action)},
            {"subject", text_or_null(line.subject)},
            {"subject_event", number_or_null(line.subject_event)},
            {"fastener", text_or_null(line.fastener)},
            {"outcome", protocol::snake_case(line.outcome)},
            {"refusal", text_or_null(line.refusal)},
            {"proposal", number_or_null(line.proposal)},
            {"applied_by", number_or_null(line.applied_by)},
            {"ended_by", number_or_null(line.ended_by)},
            {"by", person_or_null(line.person, name_of)},
            {"seconded_by", person_or_null(line.second_person, name_of)},
            {"reason_code", text_or_null(line.reason_code)},
            {"reason_text", text_or_null(line.reason_text)},
            {"verified", text_or_null(line.verified)},
            {"checked_torque", text_or_null(line.checked_torque)}};
}

json part_line(const PartLine& line) {
    return {{"serial", line.serial},
            {"unit", line.unit},
            {"kind", line.kind},
            {"type", line.type},
            {"stay", line.stay.value},
            {"since", protocol::utc_text(line.since_utc_us)},
            {"since_event", line.since.value},
            {"until", time_or_null(line.until_utc_us)},
            {"until_event", number_or_null(line.until)},
            {"ended_as", text_or_null(line.ended_as)}};
}

json stay_record_view(const StayRecord& stay, const NameOf& name_of) {
    return {{"stay", stay.stay.value},
            {"bay", stay.bay},
            {"token", stay.token},
            {"began", protocol::utc_text(stay.began_utc_us)},
            {"ended", time_or_null(stay.ended_utc_us)},
            {"ended_by", number_or_null(stay.ended)},
            {"leaves_incomplete", number_or_null(stay.leaves_incomplete)},
            {"unit", text_or_null(stay.unit)},
            {"variant", text_or_null(stay.variant)},
            {"plan", text_or_null(stay.plan)},
            {"plan_revision", text_or_null(stay.plan_revision)},
            {"rules", stay.rules},
            {"tickets", list_of(stay.tickets, ticket_line)},
            {"tightenings",
             list_of(stay.tightenings, [&](const auto& line) { return tightening_line(line, name_of); })},
            {"outputs", list_of(stay.outputs, output_line)},
            {"decisions",
             list_of(stay.decisions, [&](const auto& line) { return decision_line(line, name_of); })},
            {"moves", list_of(stay.moves, move_line)},
            {"other_ways", list_of(stay.other_ways, other_way_line)}};
}

}  // namespace

std::string unit_json(const UnitRecord& record, const NameOf& name_of) {
    return dump(
        {{"serial", record.serial},
         {"stays", list_of(record.stays, [&](const auto& s) { return stay_record_view(s, name_of); })},
         {"parts", list_of(record.parts, part_line)},
         {"used_in", list_of(record.used_in, part_line)},
         {"holds", list_of(record.holds, [&](const auto& line) { return decision_line(line, name_of); })}});
}

std::string bypass_units_json(domain::EventNumber bypass, const std::vector<journal::UnitOfBypass>& units) {
    return dump({{"bypass", bypass.value}, {"units", list_of(units, [](const journal::UnitOfBypass& row) {
                                                return json{{"stay", row.stay.value},
                                                            {"unit", text_or_null(row.unit)},
                                                            {"joint", row.joint},
                                                            {"alternate", row.alternate},
                                                            {"at", protocol::utc_text(row.utc_us)}};
                                            })}});
}

std::string traces_json(const journal::StoredTraces& stored) {
    json view{{"traces", list_of(stored.traces,
                                 [](const journal::TraceRow& row) {
                                     return json{{"event", row.event.value},
                                                 {"at", protocol::utc_text(row.utc_us)},
                                                 {"tool", row.tool},
                                                 {"epoch", row.epoch},
                                                 {"counter", std::to_string(row.counter)},
                                                 {"result", number_or_null(row.result)},
                                                 {"digest", row.digest},
                                                 {"samples", row.samples},
                                                 {"bytes", row.bytes}};
                                 })},
              {"curve", nullptr}};
    std::string text = dump(view);
    if (!stored.curve)
        return text;
    // Written as text already: thousands of numbers need not be taken apart again.
    constexpr std::string_view nothing = R"("curve":null)";
    return text.replace(text.find(nothing), nothing.size(),
                        R"("curve":)" + protocol::trace_json(*stored.curve));
}

}  // namespace tautgate::history
