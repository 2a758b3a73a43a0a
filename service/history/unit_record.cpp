#include "service/history/unit_record.hpp"

#include <algorithm>
#include <map>
#include <utility>

#include "config/reader.hpp"
#include "protocol/curve.hpp"
#include "protocol/quantity.hpp"
#include "service/journal/codec.hpp"
#include "service/journal/reader.hpp"

namespace tautgate::history {
namespace {

using journal::Reader;

// The stations under whose rules the stays ran, each read once. Without its text (an older program's, a text
// that is missing) fasteners are told by their place instead of by name.
class Rules {
  public:
    explicit Rules(Reader& reader) : reader_(reader) {}

    // As it was done in a stay with these other ways.
    const config::Joint* joint(const std::string& digest, const std::vector<journal::OtherWayRow>& ways,
                               const std::string& id) {
        const auto* station = of(digest);
        if (station == nullptr)
            return nullptr;
        const auto found = std::ranges::find(station->joints, id, &config::Joint::id);
        if (found == station->joints.end())
            return nullptr;
        const auto way = std::ranges::find(ways, id, &journal::OtherWayRow::joint);
        return way == ways.end() ? &*found : config::alternate_of(*found, way->alternate);
    }

  private:
    const config::Station* of(const std::string& digest) {
        const auto [place, is_new] = read_.try_emplace(digest);
        if (is_new) {
            const auto document = reader_.document(digest);
            if (document && *document)
                if (auto station = config::read_station((*document)->text, digest))
                    place->second = std::move(*station);
        }
        return place->second ? &*place->second : nullptr;
    }

    Reader& reader_;
    std::map<std::string, std::optional<config::Station>> read_;
};

template <class Named>
std::string name_at(const std::vector<Named>* list, std::optional<std::uint32_t> index) {
    if (!index)
        return {};
    return list != nullptr && *index < list->size() ? (*list)[*index].name
                                                    : "no. " + std::to_string(*index + 1);
}

TicketLine line_of(journal::TicketRow row) {
    return {.event = row.scanned,
            .utc_us = row.utc_us,
            .kind = std::move(row.kind),
            .serial = std::move(row.serial),
            .order = std::move(row.order),
            .type = std::move(row.type),
            .accepted = row.accepted,
            .withdrawn = row.withdrawn};
}

TighteningLine line_of(journal::TighteningRow row, const config::Joint* joint) {
    return {.event = row.event,
            .utc_us = row.utc_us,
            .tool = std::move(row.tool),
            .epoch = std::move(row.epoch),
            .counter = row.counter,
            .outcome = std::move(row.outcome),
            .why = std::move(row.why),
            .joint = std::move(row.joint),
            .fastener = name_at(joint == nullptr ? nullptr : &joint->fasteners, row.fastener),
            .pass = name_at(joint == nullptr ? nullptr : &joint->passes, row.pass),
            .attempt = row.attempt,
            .verdict = std::move(row.verdict),
            .findings = std::move(row.reasons),
            .direction = std::move(row.direction),
            .torque_micro_nm = row.torque_micro_nm,
            .angle_micro_deg = row.angle_micro_deg,
            .torque_received = std::move(row.torque_received),
            .torque_unit_received = std::move(row.torque_unit_received),
            .angle_received = std::move(row.angle_received),
            .operator_ = row.operator_,
            .assigned_by = row.assigned_by,
            .traces = row.traces};
}

OutputLine line_of(journal::ReleaseRow row) {
    return {.event = row.event,
            .utc_us = row.utc_us,
            .permissive = std::move(row.permissive),
            .output = std::move(row.output),
            .reasons = std::move(row.reasons)};
}

MoveLine line_of(journal::MoveRow row) {
    return {.event = row.event,
            .utc_us = row.utc_us,
            .from = std::move(row.from_bay),
            .to = std::move(row.to_bay),
            .permissive = std::move(row.permissive),
            .unproven = row.unproven};
}

OtherWayLine line_of(const journal::OtherWayRow& row, const config::Joint* joint) {
    return {.joint = row.joint,
            .alternate = row.alternate,
            .name = joint != nullptr && joint->alternate ? joint->alternate->name : row.alternate,
            .bypass = row.bypass};
}

DecisionLine line_of(journal::DecisionRow row) {
    return {.event = row.event,
            .utc_us = row.utc_us,
            .kind = std::move(row.kind),
            .action = std::move(row.action),
            .subject = std::move(row.subject),
            .subject_event = row.subject_event,
            .fastener = {},
            .outcome = std::move(row.outcome),
            .refusal = std::move(row.refusal),
            .proposal = row.proposal,
            .applied_by = std::nullopt,
            .ended_by = row.ended,
            .person = row.person,
            .second_person = row.second_person,
            .reason_code = std::move(row.reason_code),
            .reason_text = std::move(row.reason_text),
            .verified = {},
            .checked_torque = {}};
}

std::string unreadable(const DecisionLine& line) {
    return "(cannot be read in event " + std::to_string(line.event.value) + ")";
}

void add_check(const interlock::OverrideJoint* asked, DecisionLine& line) {
    line.verified = asked == nullptr ? unreadable(line) : asked->verified;
    if (asked != nullptr && asked->checked_torque)
        line.checked_torque = protocol::to_text(*asked->checked_torque);
}

void add_restart(const interlock::VerifyRestart* asked, DecisionLine& line) {
    line.verified = asked == nullptr ? unreadable(line) : asked->verified;
}

void add_fastener(const interlock::Action* asked, const config::Joint* joint, DecisionLine& line) {
    const auto* unlock = std::get_if<interlock::UnlockFastener>(asked);
    const auto* assign = std::get_if<interlock::AssignResult>(asked);
    if (unlock == nullptr && assign == nullptr)
        line.fastener = unreadable(line);
    else
        line.fastener = name_at(joint == nullptr ? nullptr : &joint->fasteners,
                                unlock == nullptr ? assign->fastener : unlock->fastener);
}

void add_hand_check(const interlock::HandChecked* checked, const config::Joint* joint, DecisionLine& line) {
    if (checked == nullptr) {
        line.verified = line.fastener = unreadable(line);
        return;
    }
    line.fastener = name_at(joint == nullptr ? nullptr : &joint->fasteners, checked->fastener);
    line.verified = checked->instrument;
    line.checked_torque = protocol::to_text(checked->torque);
}

// What happened with the event; nothing where it is missing or cannot be read.
std::expected<std::optional<interlock::Payload>, journal::JournalError>
payload_of(Reader& reader, domain::EventNumber event) {
    const auto rows = reader.events(event, 1);
    if (!rows)
        return std::unexpected(rows.error());
    if (rows->empty())
        return std::nullopt;
    auto stored = journal::decode(rows->front().body);
    return stored ? std::optional(std::move(stored->event.payload)) : std::nullopt;
}

// What the proposer of an override or whoever verified a restart vouched for, what was measured by hand, and
// which fastener was meant, stands in the event only.
std::expected<void, journal::JournalError> add_asked(Reader& reader, const config::Joint* joint,
                                                     DecisionLine& line) {
    const bool overrides = line.action == "OverrideJoint";
    const bool restarts = line.action == "VerifyRestart";
    const bool measured = line.kind == "HandChecked";
    if (!overrides && !restarts && !measured && line.action != "UnlockFastener" &&
        line.action != "AssignResult")
        return {};
    const auto payload = payload_of(reader, line.event);
    if (!payload)
        return std::unexpected(payload.error());
    const auto* stored = *payload ? &**payload : nullptr;
    if (measured) {
        add_hand_check(std::get_if<interlock::HandChecked>(stored), joint, line);
        return {};
    }
    const auto* proposed = std::get_if<interlock::Proposed>(stored);
    const auto* asked = proposed == nullptr ? nullptr : &proposed->action;
    if (overrides)
        add_check(std::get_if<interlock::OverrideJoint>(asked), line);
    else if (restarts)
        add_restart(std::get_if<interlock::VerifyRestart>(asked), line);
    else
        add_fastener(asked, joint, line);
    return {};
}

// The shape of the one curve of a result; nothing where there is none that can be looked at.
std::optional<protocol::CurveShape> shape_of(Reader& reader, TighteningLine& line) {
    if (line.traces == 0)
        return std::nullopt;
    const auto stored = reader.stored_traces(line.event);
    if (!stored) {
        line.curve_fault = journal::to_text(stored.error());
    } else if (!stored->curve) {
        line.curve_fault = "its curves contradict each other";
    } else if (const auto curve = protocol::curve_of(*stored->curve)) {
        return protocol::shape_of(*curve);
    } else {
        line.curve_fault = protocol::text_of(curve.error());
    }
    return std::nullopt;
}

// What there is to look at of one line.
struct Looked {
    std::size_t line = 0;
    const config::Joint* joint = nullptr;
    std::uint32_t pass = 0;
    protocol::Reading reading;
    std::optional<protocol::CurveShape> shape;
};

std::expected<std::optional<Looked>, journal::JournalError>
look_at(Reader& reader, const config::Joint* joint, std::optional<std::uint32_t> pass, TighteningLine& line) {
    const bool odd = line.verdict != "ok" || line.traces > 0;
    if (joint == nullptr || !pass || *pass >= joint->passes.size() || line.verdict.empty() || !odd)
        return std::nullopt;
    const auto payload = payload_of(reader, line.event);
    if (!payload)
        return std::unexpected(payload.error());
    const auto* result = *payload ? std::get_if<interlock::ResultReceived>(&**payload) : nullptr;
    if (result == nullptr)
        return std::nullopt;  // its line tells of it as far as it could be read
    return Looked{.joint = joint, .pass = *pass, .reading = result->reading, .shape = shape_of(reader, line)};
}

// Of the others that were tightened well in the same pass of the same joint.
std::vector<double> good_gradients(const std::vector<TighteningLine>& lines, const std::vector<Looked>& all,
                                   const Looked& of) {
    std::vector<double> gradients;
    for (const Looked& other : all) {
        const bool is_alike = other.joint == of.joint && other.pass == of.pass && other.line != of.line;
        if (is_alike && lines[other.line].verdict == "ok" && other.shape && other.shape->clamp)
            gradients.push_back(other.shape->clamp->gradient);
    }
    return gradients;
}

void add_patterns(std::vector<TighteningLine>& lines, const std::vector<Looked>& all) {
    for (const Looked& looked : all) {
        const config::Window& window = looked.joint->passes[looked.pass].window;
        lines[looked.line].patterns = evaluation::patterns_in(
            {.window = window,
             .rehit_angle_max = looked.joint->rehit_angle_max,
             .reading = looked.reading,
             .shape = looked.shape ? &*looked.shape : nullptr,
             .gradient = evaluation::usual_gradient(window, good_gradients(lines, all, looked)),
             .tightened_before = looked.pass > 0});
    }
}

// A proposal that waited is told together with what became of it.
void settle_proposals(std::vector<DecisionLine>& lines) {
    for (const auto& settling : lines) {
        if (!settling.proposal || settling.outcome == "Refused")
            continue;
        const auto waited = std::ranges::find(lines, *settling.proposal, &DecisionLine::event);
        if (waited == lines.end())
            continue;
        if (settling.kind == "Seconded") {
            waited->applied_by = settling.event;
            waited->second_person = settling.person;
        } else if (settling.kind == "ProposalEnded") {
            waited->ended_by = settling.event;
        }
    }
}

std::vector<PartLine> lines_of(std::vector<journal::PartRow> rows) {
    std::vector<PartLine> lines;
    lines.reserve(rows.size());
    for (journal::PartRow& row : rows)
        lines.push_back({.serial = std::move(row.serial),
                         .unit = std::move(row.unit),
                         .kind = std::move(row.kind),
                         .type = std::move(row.type),
                         .stay = row.stay,
                         .since = row.since,
                         .since_utc_us = row.since_utc_us,
                         .until = row.until,
                         .until_utc_us = row.until_utc_us,
                         .ended_as = std::move(row.ended_as)});
    return lines;
}

StayRecord head_of(const journal::StayRow& row) {
    return {.stay = row.stay,
            .bay = row.bay,
            .token = row.token,
            .began_utc_us = row.began_utc_us,
            .ended = row.ended,
            .ended_utc_us = row.ended_utc_us,
            .leaves_incomplete = row.leaves_incomplete,
            .unit = row.unit,
            .variant = row.variant,
            .plan = row.plan,
            .plan_revision = row.plan_revision,
            .rules = row.rules,
            .tickets = {},
            .tightenings = {},
            .outputs = {},
            .decisions = {},
            .moves = {},
            .other_ways = {}};
}

std::expected<StayRecord, journal::JournalError> stay_record(Reader& reader, Rules& rules,
                                                             const journal::StayRow& row) {
    auto tickets = reader.tickets_of(row.stay);
    if (!tickets)
        return std::unexpected(std::move(tickets.error()));
    auto tightenings = reader.tightenings_of(row.stay);
    if (!tightenings)
        return std::unexpected(std::move(tightenings.error()));
    auto outputs = reader.releases_of(row);
    if (!outputs)
        return std::unexpected(std::move(outputs.error()));
    auto decisions = reader.decisions_of(row);
    if (!decisions)
        return std::unexpected(std::move(decisions.error()));

    auto moves = reader.moves_of(row.stay);
    if (!moves)
        return std::unexpected(std::move(moves.error()));

    const auto ways = reader.other_ways_of(row.stay);
    if (!ways)
        return std::unexpected(ways.error());

    auto record = head_of(row);
    for (const auto& way : *ways)
        record.other_ways.push_back(line_of(way, rules.joint(row.rules, *ways, way.joint)));
    for (auto& move : *moves)
        record.moves.push_back(line_of(std::move(move)));
    for (auto& ticket : *tickets)
        record.tickets.push_back(line_of(std::move(ticket)));
    std::vector<Looked> all;
    for (auto& tightening : *tightenings) {
        const auto* joint = rules.joint(row.rules, *ways, tightening.joint);
        const auto pass = tightening.pass;
        auto& line = record.tightenings.emplace_back(line_of(std::move(tightening), joint));
        auto looked = look_at(reader, joint, pass, line);
        if (!looked)
            return std::unexpected(looked.error());
        if (!*looked)
            continue;
        (*looked)->line = record.tightenings.size() - 1;
        all.push_back(std::move(**looked));
    }
    add_patterns(record.tightenings, all);
    for (auto& output : *outputs)
        record.outputs.push_back(line_of(std::move(output)));
    for (auto& decision : *decisions) {
        auto& line = record.decisions.emplace_back(line_of(std::move(decision)));
        const auto* joint = rules.joint(row.rules, *ways, line.subject);
        if (const auto added = add_asked(reader, joint, line); !added)
            return std::unexpected(added.error());
    }
    settle_proposals(record.decisions);
    return record;
}

std::expected<bool, journal::JournalError> concerns(Reader& reader, const journal::DecisionRow& row,
                                                    const domain::Serial& serial) {
    if (row.action != "PlaceHoldOn")
        return true;
    const auto payload = payload_of(reader, row.event);
    if (!payload)
        return std::unexpected(payload.error());
    const auto* proposed = *payload ? std::get_if<interlock::Proposed>(&**payload) : nullptr;
    const auto* hold = proposed ? std::get_if<interlock::PlaceHoldOn>(&proposed->action) : nullptr;
    return hold != nullptr && std::ranges::find(hold->units, serial) != hold->units.end();
}

std::expected<std::vector<DecisionLine>, journal::JournalError> holds_about(Reader& reader,
                                                                            const domain::Serial& serial) {
    auto rows = reader.holds_about(serial);
    if (!rows)
        return std::unexpected(rows.error());
    std::vector<DecisionLine> lines;
    for (auto& row : *rows) {
        const auto about_it = concerns(reader, row, serial);
        if (!about_it)
            return std::unexpected(about_it.error());
        if (*about_it)
            lines.push_back(line_of(std::move(row)));
    }
    return lines;
}

}  // namespace

std::expected<UnitRecord, journal::JournalError> unit_record(Reader& reader, const domain::Serial& serial) {
    const auto stays = reader.stays_of(serial);
    if (!stays)
        return std::unexpected(stays.error());
    UnitRecord record{.serial = serial.text, .stays = {}, .parts = {}, .used_in = {}};
    Rules rules(reader);
    for (const auto& row : *stays) {
        auto stay = stay_record(reader, rules, row);
        if (!stay)
            return std::unexpected(std::move(stay.error()));
        record.stays.push_back(std::move(*stay));
    }
    auto parts = reader.parts_of(serial);
    if (!parts)
        return std::unexpected(std::move(parts.error()));
    auto used_in = reader.units_with(serial);
    if (!used_in)
        return std::unexpected(std::move(used_in.error()));
    record.parts = lines_of(std::move(*parts));
    record.used_in = lines_of(std::move(*used_in));
    auto holds = holds_about(reader, serial);
    if (!holds)
        return std::unexpected(std::move(holds.error()));
    record.holds = std::move(*holds);
    return record;
}

}  // namespace tautgate::history
