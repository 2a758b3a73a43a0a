#include "tools/cli/journal_answers.hpp"

#include <algorithm>
#include <map>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "config/reader.hpp"
#include "protocol/trace_text.hpp"
#include "protocol/utc.hpp"
#include "tools/cli/text.hpp"
#include "tools/cli/views.hpp"

namespace tautgate::cli {

using nlohmann::json;
template <class Value>
using Result = std::expected<Value, journal::JournalError>;

namespace {

json text_or_null(const std::string& text) { return text.empty() ? json(nullptr) : json(text); }
json number_or_null(const std::optional<domain::EventNumber>& number) {
    return number ? json(number->value) : json(nullptr);
}
json time_or_null(const std::optional<std::int64_t>& utc_us) {
    return utc_us ? json(protocol::utc_text(*utc_us)) : json(nullptr);
}

// "a,b" as a list.
json codes(std::string_view text) {
    json list = json::array();
    while (!text.empty()) {
        const auto comma = std::min(text.find(','), text.size());
        list.push_back(text.substr(0, comma));
        text.remove_prefix(std::min(comma + 1, text.size()));
    }
    return list;
}

using Names = std::map<std::uint64_t, std::string>;

json person(const std::optional<domain::PersonNumber>& number, const Names& names) {
    if (!number)
        return nullptr;
    const auto known = names.find(number->value);
    return {{"number", number->value},
            {"name", known == names.end() ? fmt::format("person {}", number->value) : known->second}};
}

const config::Joint* joint_of(const std::optional<config::Station>& rules, const std::string& id) {
    if (!rules)
        return nullptr;
    const auto found = std::ranges::find(rules->joints, id, &config::Joint::id);
    return found == rules->joints.end() ? nullptr : &*found;
}

template <class Items>
json name_at(const Items* items, const std::optional<std::uint32_t>& index) {
    if (!index)
        return nullptr;
    return items != nullptr && *index < items->size() ? (*items)[*index].name
                                                      : fmt::format("no. {}", *index + 1);
}

json parts_view(const std::vector<journal::PartRow>& rows) {
    json view = json::array();
    for (const auto& row : rows)
        view.push_back({{"serial", row.serial},
                        {"unit", row.unit},
                        {"kind", row.kind},
                        {"type", row.type},
                        {"stay", row.stay.value},
                        {"since", protocol::utc_text(row.since_utc_us)},
                        {"since_event", row.since.value},
                        {"until", time_or_null(row.until_utc_us)},
                        {"until_event", number_or_null(row.until)},
                        {"ended_as", text_or_null(row.ended_as)}});
    return view;
}

json ticket(const journal::TicketRow& row) {
    return {{"event", row.scanned.value},
            {"at", protocol::utc_text(row.utc_us)},
            {"kind", row.kind},
            {"serial", row.serial},
            {"order", text_or_null(row.order)},
            {"type", text_or_null(row.type)},
            {"accepted", row.accepted},
            {"withdrawn", number_or_null(row.withdrawn)}};
}

json tightening(const journal::TighteningRow& row, const std::optional<config::Station>& rules,
                const Names& names) {
    const auto* joint = joint_of(rules, row.joint);
    const auto torque =
        row.torque_micro_nm ? json(protocol::to_text(protocol::Torque{*row.torque_micro_nm})) : json(nullptr);
    const auto angle =
        row.angle_micro_deg ? json(protocol::to_text(protocol::Angle{*row.angle_micro_deg})) : json(nullptr);
    return {{"event", row.event.value},
            {"at", protocol::utc_text(row.utc_us)},
            {"tool", row.tool},
            {"epoch", row.epoch},
            {"counter", std::to_string(row.counter)},
            {"outcome", api_name(row.outcome)},
            {"why", text_or_null(row.why)},
            {"joint", text_or_null(row.joint)},
            {"fastener", name_at(joint == nullptr ? nullptr : &joint->fasteners, row.fastener)},
            {"pass", name_at(joint == nullptr ? nullptr : &joint->passes, row.pass)},
            {"attempt", row.attempt ? json(*row.attempt) : json(nullptr)},
            {"verdict", text_or_null(row.verdict)},
            {"findings", codes(row.reasons)},
            {"direction", row.direction},
            {"torque", torque},
            {"angle", angle},
            {"torque_received", text_or_null(row.torque_received)},
            {"torque_unit_received", text_or_null(row.torque_unit_received)},
            {"angle_received", text_or_null(row.angle_received)},
            {"operator", person(row.operator_, names)},
            {"assigned_by", number_or_null(row.assigned_by)},
            {"traces", row.traces}};
}

json output(const journal::ReleaseRow& row) {
    return {{"event", row.event.value},
            {"at", protocol::utc_text(row.utc_us)},
            {"permissive", row.permissive},
            {"output", api_name(row.output)},
            {"reasons", codes(row.reasons)}};
}

json move(const journal::MoveRow& row) {
    return {{"event", row.event.value}, {"at", protocol::utc_text(row.utc_us)}, {"from", row.from_bay},
            {"to", row.to_bay},         {"permissive", row.permissive},         {"unproven", row.unproven}};
}

json decision(const journal::DecisionRow& row, const Names& names) {
    return {{"event", row.event.value},
            {"at", protocol::utc_text(row.utc_us)},
            {"kind", api_name(row.kind)},
            {"action", text_or_null(api_name(row.action))},
            {"subject", text_or_null(row.subject)},
            {"subject_event", number_or_null(row.subject_event)},
            {"fastener", nullptr},
            {"outcome", api_name(row.outcome)},
            {"refusal", text_or_null(row.refusal)},
            {"proposal", number_or_null(row.proposal)},
            {"applied_by", nullptr},
            {"ended_by", number_or_null(row.ended)},
            {"by", person(row.person, names)},
            {"seconded_by", person(row.second_person, names)},
            {"reason_code", text_or_null(row.reason_code)},
            {"reason_text", text_or_null(row.reason_text)},
            {"verified", nullptr},
            {"checked_torque", nullptr}};
}

std::string unreadable(const journal::DecisionRow& row) {
    return fmt::format("(cannot be read in event {})", row.event.value);
}

void add_check(const journal::DecisionRow& row, const json& asked, json& view) {
    if (!at(asked, "verified").is_string()) {
        view["verified"] = unreadable(row);
        return;
    }
    view["verified"] = at(asked, "verified");
    const auto micro = text_at(at(asked, "checked_torque"), "micro_nm");
    if (const auto torque = whole_number<std::int64_t>(micro))
        view["checked_torque"] = protocol::to_text(protocol::Torque{*torque});
}

void add_fastener(const journal::DecisionRow& row, const json& asked, const config::Joint* joint,
                  json& view) {
    const auto place = whole_number<std::uint32_t>(text_at(asked, "fastener"));
    view["fastener"] =
        place ? name_at(joint == nullptr ? nullptr : &joint->fasteners, place) : json(unreadable(row));
}

// What the proposer of an override vouched for, and which fastener was meant, stands in the event only.
Result<void> add_asked(journal::Reader& reader, const journal::DecisionRow& row, const config::Joint* joint,
                       json& view) {
    const bool overrides = row.action == "OverrideJoint";
    if (!overrides && row.action != "UnlockFastener" && row.action != "AssignResult")
        return {};
    const auto rows = reader.events(row.event, 1);
    if (!rows)
        return std::unexpected(rows.error());
    const auto body = json::parse(rows->empty() ? std::string() : rows->front().body, nullptr, false);
    const json* asked = &body;
    for (const auto& key : {std::string("event"), std::string("payload"), std::string("Proposed"),
                            std::string("action"), row.action})
        asked = &at(*asked, key);
    if (overrides)
        add_check(row, *asked, view);
    else
        add_fastener(row, *asked, joint, view);
    return {};
}

// A proposal that waited is told together with what became of it.
void settle_proposals(json& decisions) {
    for (const auto& settling : decisions) {
        const auto& proposal = settling["proposal"];
        if (proposal.is_null() || settling["outcome"] == "refused")
            continue;
        const auto waited =
            std::ranges::find_if(decisions, [&](const json& line) { return line["event"] == proposal; });
        if (waited == decisions.end())
            continue;
        if (settling["kind"] == "seconded") {
            (*waited)["applied_by"] = settling["event"];
            (*waited)["seconded_by"] = settling["by"];
        } else if (settling["kind"] == "proposal_ended") {
            (*waited)["ended_by"] = settling["event"];
        }
    }
}

// The rules that the stay followed, for the names in them only.
std::optional<config::Station> rules_of(journal::Reader& reader, const journal::StayRow& stay) {
    const auto document = reader.document(stay.rules);
    if (!document || !*document)
        return std::nullopt;
    auto station = config::read_station((*document)->text, stay.rules);
    return station ? std::optional(std::move(*station)) : std::nullopt;
}

Result<json> stay_view(journal::Reader& reader, const journal::StayRow& stay, const Names& names) {
    const auto rules = rules_of(reader, stay);
    json view{{"stay", stay.stay.value},
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
              {"tickets", json::array()},
              {"tightenings", json::array()},
              {"outputs", json::array()},
              {"decisions", json::array()},
              {"moves", json::array()}};
    const auto moves = reader.moves_of(stay.stay);
    if (!moves)
        return std::unexpected(moves.error());
    for (const auto& row : *moves)
        view["moves"].push_back(move(row));
    const auto tickets = reader.tickets_of(stay.stay);
    if (!tickets)
        return std::unexpected(tickets.error());
    for (const auto& row : *tickets)
        view["tickets"].push_back(ticket(row));
    const auto tightenings = reader.tightenings_of(stay.stay);
    if (!tightenings)
        return std::unexpected(tightenings.error());
    for (const auto& row : *tightenings)
        view["tightenings"].push_back(tightening(row, rules, names));
    const auto outputs = reader.releases_of(stay);
    if (!outputs)
        return std::unexpected(outputs.error());
    for (const auto& row : *outputs)
        view["outputs"].push_back(output(row));
    const auto decisions = reader.decisions_of(stay);
    if (!decisions)
        return std::unexpected(decisions.error());
    for (const auto& row : *decisions) {
        auto line = decision(row, names);
        const auto added = add_asked(reader, row, joint_of(rules, row.subject), line);
        if (!added)
            return std::unexpected(added.error());
        view["decisions"].push_back(std::move(line));
    }
    settle_proposals(view["decisions"]);
    return view;
}

}  // namespace

Result<json> unit_from(journal::Reader& reader, const std::string& serial) {
    const auto people = reader.person_names();
    if (!people)
        return std::unexpected(people.error());
    Names names;
    for (const auto& known : *people)
        names[known.number.value] = known.name;
    const auto stays = reader.stays_of(domain::Serial{serial});
    if (!stays)
        return std::unexpected(stays.error());
    json view{{"serial", serial}, {"stays", json::array()}};
    for (const auto& stay : *stays) {
        auto one = stay_view(reader, stay, names);
        if (!one)
            return std::unexpected(one.error());
        view["stays"].push_back(std::move(*one));
    }
    const auto parts = reader.parts_of(domain::Serial{serial});
    if (!parts)
        return std::unexpected(parts.error());
    const auto used_in = reader.units_with(domain::Serial{serial});
    if (!used_in)
        return std::unexpected(used_in.error());
    view["parts"] = parts_view(*parts);
    view["used_in"] = parts_view(*used_in);
    return view;
}

namespace {

json trace_list(const std::vector<journal::TraceRow>& rows) {
    json list = json::array();
    for (const auto& row : rows)
        list.push_back({{"event", row.event.value},
                        {"at", protocol::utc_text(row.utc_us)},
                        {"tool", row.tool},
                        {"epoch", row.epoch},
                        {"counter", std::to_string(row.counter)},
                        {"result", number_or_null(row.result)},
                        {"digest", row.digest},
                        {"samples", row.samples},
                        {"bytes", row.bytes}});
    return list;
}

}  // namespace

Result<json> traces_from(journal::Reader& reader, domain::EventNumber event) {
    const auto stored = reader.stored_traces(event);
    if (!stored)
        return std::unexpected(stored.error());
    return json{{"traces", trace_list(stored->traces)},
                {"curve", stored->curve ? json::parse(protocol::trace_json(*stored->curve)) : json(nullptr)}};
}

Result<json> traces_without_result(journal::Reader& reader) {
    const auto rows = reader.traces_without_result();
    if (!rows)
        return std::unexpected(rows.error());
    return json{{"traces", trace_list(*rows)}, {"curve", nullptr}};
}

std::optional<journal::ChainHead> parse_anchor(std::string_view text) {
    const auto colon = text.find(':');
    if (colon == std::string_view::npos)
        return std::nullopt;
    const auto number = whole_number<std::uint64_t>(text.substr(0, colon));
    const auto hash = journal::hash_from_hex(text.substr(colon + 1));
    if (!number || !hash)
        return std::nullopt;
    return journal::ChainHead{{*number}, *hash};
}

namespace {

// Of a file in which tables of the record itself are missing or are others.
Verdict without_tables(const journal::Reader& reader, const std::vector<journal::Difference>& lost) {
    Verdict verdict;
    for (const auto& each : lost)
        verdict.text +=
            fmt::format("{} is damaged: {}\n", plain(reader.path().string()), plain(journal::to_text(each)));
    return verdict;
}

}  // namespace

Result<Verdict> verify(journal::Reader& reader, const std::optional<journal::ChainHead>& anchor) {
    const auto lost = reader.lost_tables();
    if (!lost)
        return std::unexpected(lost.error());
    if (!lost->empty())
        return without_tables(reader, *lost);
    const auto id = reader.journal_id();
    if (!id)
        return std::unexpected(id.error());
    const auto station = reader.station();
    if (!station)
        return std::unexpected(station.error());
    const auto pages = reader.check_file();
    if (!pages)
        return std::unexpected(pages.error());
    const auto head = reader.head();
    if (!head)
        return std::unexpected(head.error());
    const auto fault = reader.verify(anchor);
    if (!fault)
        return std::unexpected(fault.error());
    // What the chain does not vouch for need not be compared with it.
    std::vector<journal::Difference> beside;
    if (pages->empty() && !*fault) {
        auto found = journal::audit_beside_chain(reader.path());
        if (!found)
            return std::unexpected(found.error());
        beside = std::move(*found);
    }
    Verdict verdict{.whole = pages->empty() && !*fault && beside.empty(),
                    .text = {},
                    .head = *head,
                    .journal_id = *id,
                    .station = *station};
    const auto where = fmt::format("{}: journal {} of station {}", plain(reader.path().string()), plain(*id),
                                   plain(*station));
    if (!pages->empty())
        verdict.text +=
            fmt::format("{} is damaged as a file: {}; keep this copy and compare it with a backup\n", where,
                        plain(*pages));
    if (*fault)
        verdict.text +=
            fmt::format("{} is not what was written: event {} {}; nothing from that event on can be "
                        "trusted: keep this copy and compare it with a backup\n",
                        where, (*fault)->first.value, plain((*fault)->what));
    for (const auto& difference : beside)
        verdict.text +=
            fmt::format("{}: the chain is whole, but what stands beside it is not what was recorded: {}\n",
                        where, plain(journal::to_text(difference)));
    if (anchor && anchor->number > head->number)
        verdict.text += fmt::format("the anchor is of event {}, beyond the end of this record (event {})\n",
                                    anchor->number.value, head->number.value);
    // An anchor of a damaged record would vouch for the damage later.
    if (verdict.whole)
        verdict.text +=
            fmt::format("{} is whole: {} events{}\nanchor {}:{}\n", where, head->number.value,
                        anchor ? ", and the anchor fits" : "", head->number.value, journal::hex(head->hash));
    if (verdict.whole && !anchor)
        verdict.text +=
            "without --anchor a record whose end was cut off, or that was made anew, cannot be told; "
            "keep the anchor elsewhere\n";
    return verdict;
}

}  // namespace tautgate::cli
