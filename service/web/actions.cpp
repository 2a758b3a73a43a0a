#include "service/web/actions.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <functional>
#include <string>
#include <system_error>

#include <boost/algorithm/string/trim.hpp>

#include "protocol/quantity.hpp"
#include "protocol/utc.hpp"
#include "service/web/listing.hpp"
#include "service/web/views.hpp"

namespace tautgate::web {
namespace {

using namespace interlock;

constexpr std::array<std::string_view, std::variant_size_v<Action>> names{
    "override_joint",    "take_back_override", "leave_incomplete",   "accept_gap",       "accept_source",
    "unlock_fastener",   "assign_result",      "set_result_aside",   "unit_still_here",  "unit_has_left",
    "correct_ticket",    "accept_return",      "acknowledge_move",   "rearm_permissive", "dispose_set_aside",
    "accept_difference", "place_hold",         "lift_hold",          "settle_order",     "accept_reuse",
    "place_hold_on",     "lift_hold_from",     "record_calibration", "place_bypass",     "end_bypass",
    "verify_restart",    "witness_joint"};

struct Place {
    Body& body;
    const StationPort& station;
    const BayId& bay;
};

using Read = Action (*)(const Place&);

std::optional<protocol::Torque> read_torque(Body& body, const std::string& key) {
    if (!body.has(key))
        return std::nullopt;
    auto inner = body.object(key);
    const auto value = inner.text("value", 64);
    const auto unit_name = inner.text("unit", 16);
    body.join(inner);
    const auto unit = protocol::torque_unit(unit_name);
    if (!unit) {
        body.refuse(key, "'" + unit_name + "' is no unit of torque",
                    "give N.m, cN.m, lbf.ft, lbf.in or kgf.m");
        return std::nullopt;
    }
    const auto torque = protocol::torque_from_text(value, *unit, protocol::Torque{1});
    if (!torque) {
        body.refuse(key, "the value " + std::string(protocol::to_text(torque.error())),
                    "give the measured number with a point, as a text, for instance \"182.5\"");
        return std::nullopt;
    }
    return *torque;
}

// A fastener by the name that screen and drawing show.
std::uint32_t read_fastener(const Place& place, const std::string& joint_id) {
    const auto name = place.body.text("fastener");
    const auto* rules = rules_of(place.station, place.bay);
    if (rules == nullptr) {
        place.body.refuse("fastener", "no rules are in force that name it",
                          "let the configuration be approved first");
        return 0;
    }
    const auto joint = std::ranges::find(rules->joints, joint_id, &config::Joint::id);
    if (joint == rules->joints.end()) {
        place.body.refuse("joint", "there is no joint '" + joint_id + "'",
                          "give one of " + listed(rules->joints, &config::Joint::id));
        return 0;
    }
    const auto fastener = std::ranges::find(joint->fasteners, name, &config::Fastener::name);
    if (fastener == joint->fasteners.end()) {
        place.body.refuse("fastener", "joint '" + joint_id + "' has no fastener '" + name + "'",
                          "give one of " + listed(joint->fasteners, &config::Fastener::name));
        return 0;
    }
    return static_cast<std::uint32_t>(fastener - joint->fasteners.begin());
}

template <class Decision>
Action bare(const Place&) {
    return Decision{};
}
template <class Decision>
Action with_joint(const Place& place) {
    return Decision{.joint = {place.body.text("joint")}};
}
template <class Decision>
Action with_tool(const Place& place) {
    return Decision{.tool = {place.body.text("tool")}};
}
template <class Decision>
Action with_permissive(const Place& place) {
    return Decision{.permissive = {place.body.text("permissive")}};
}
template <class Decision>
Action with_serial(const Place& place) {
    return Decision{.serial = {boost::algorithm::trim_copy(place.body.text("serial"))}};
}

Action read_override(const Place& place) {
    OverrideJoint out;
    out.joint.text = place.body.text("joint");
    out.verified = place.body.text("verified", 2000);
    out.checked_torque = read_torque(place.body, "checked_torque");
    return out;
}

Action read_unlock(const Place& place) {
    UnlockFastener out{.joint = {place.body.text("joint")}};
    out.fastener = read_fastener(place, out.joint.text);
    return out;
}

Action read_assign(const Place& place) {
    AssignResult out{.result = {place.body.number("result")}, .joint = {place.body.text("joint")}};
    out.fastener = read_fastener(place, out.joint.text);
    return out;
}

Action read_set_aside(const Place& place) { return SetResultAside{.result = {place.body.number("result")}}; }

Action read_dispose(const Place& place) { return DisposeSetAside{.event = {place.body.number("event")}}; }

Action read_ticket(const Place& place) {
    const auto text = place.body.label("text", protocol::label_limit);
    const auto ticket = place.station.read_label(place.bay, text);
    if (!ticket) {
        place.body.refuse("text", ticket.error().what, ticket.error().remedy);
        return CorrectTicket{};
    }
    return CorrectTicket{.kind = ticket->kind,
                         .serial = {ticket->serial},
                         .order = ticket->order,
                         .type = ticket->type,
                         .raw = ticket->raw};
}

Action read_settle(const Place& place) {
    const auto choice = place.body.text("by");
    if (choice != "order_as_taken" && choice != "order_as_now")
        place.body.refuse("by", "it is neither order_as_taken nor order_as_now", "give one of them");
    return SettleOrder{choice == "order_as_now" ? OrderChoice::as_now : OrderChoice::as_taken};
}

// A person by number.
HeldSource read_source(Body& body) {
    const auto what = body.text("what");
    const auto name = body.text("name");
    if (what == "tool")
        return HeldTool{{name}};
    if (what == "joint")
        return HeldJoint{{name}};
    const std::string_view digits = std::string_view(name).substr(name.starts_with('#') ? 1 : 0);
    std::uint32_t number = 0;
    const auto [end, fault] = std::from_chars(digits.data(), digits.data() + digits.size(), number);
    if (what != "person")
        body.refuse("what", "it is neither tool, joint nor person", "give one of them");
    else if (fault != std::errc{} || end != digits.data() + digits.size())
        body.refuse("name", "'" + name + "' is no number of a person",
                    "give it as the list of people shows it");
    return HeldPerson{{number}};
}

Action read_hold_on(const Place& place) {
    PlaceHoldOn out{.source = read_source(place.body)};
    if (!place.body.has("units_since"))
        return out;
    const auto since = protocol::parse_utc(place.body.text("units_since"));
    if (!since)
        place.body.refuse("units_since", "it is no moment in UTC", "give for instance 2026-11-26T06:00:00Z");
    else
        out.since_utc_us = since->micros;
    return out;
}

// A day without a time is its beginning in UTC.
Action read_calibration(const Place& place) {
    RecordCalibration out{.tool = {place.body.text("tool")}, .certificate = place.body.text("certificate")};
    auto done = place.body.text("done");
    constexpr std::size_t day_alone = 10;
    if (done.size() == day_alone)
        done += "T00:00:00Z";
    if (const auto stamp = protocol::parse_utc(done))
        out.done_utc_us = stamp->micros;
    else
        place.body.refuse("done", "it is no day and no moment in UTC", "give for instance 2026-11-26");
    return out;
}

Action read_bypass(const Place& place) {
    PlaceBypass out{.joint = {place.body.text("joint")}, .alternate = place.body.text("alternate")};
    if (const auto until = protocol::parse_utc(place.body.text("until")))
        out.until_utc_us = until->micros;
    else
        place.body.refuse("until", "it is no moment in UTC", "give for instance 2026-11-28T22:00:00Z");
    const auto units = place.body.number("units");
    constexpr std::uint64_t most = 1'000'000;
    if (units == 0 || units > most)
        place.body.refuse("units", "it is no number of units", "give how many units may be done so at most");
    else
        out.units = static_cast<std::uint32_t>(units);
    return out;
}

Action read_restart(const Place& place) {
    return VerifyRestart{.joint = {place.body.text("joint")}, .verified = place.body.text("verified", 2000)};
}

Action read_hold_from(const Place& place) { return LiftHoldFrom{.source = read_source(place.body)}; }

constexpr std::array<Read, std::variant_size_v<Action>> readers{read_override,
                                                                with_joint<TakeBackOverride>,
                                                                bare<LeaveIncomplete>,
                                                                with_tool<AcceptGap>,
                                                                with_tool<AcceptSource>,
                                                                read_unlock,
                                                                read_assign,
                                                                read_set_aside,
                                                                bare<UnitStillHere>,
                                                                bare<UnitHasLeft>,
                                                                read_ticket,
                                                                bare<AcceptReturn>,
                                                                with_permissive<AcknowledgeMove>,
                                                                with_permissive<RearmPermissive>,
                                                                read_dispose,
                                                                bare<AcceptDifference>,
                                                                with_serial<PlaceHold>,
                                                                with_serial<LiftHold>,
                                                                read_settle,
                                                                with_serial<AcceptReuse>,
                                                                read_hold_on,
                                                                read_hold_from,
                                                                read_calibration,
                                                                read_bypass,
                                                                with_joint<EndBypass>,
                                                                read_restart,
                                                                with_joint<WitnessJoint>};

}  // namespace

std::span<const std::string_view> action_names() noexcept { return names; }

std::string_view name_of(const Action& action) noexcept { return names[action.index()]; }

Action read_action(Body& body, const StationPort& station, const BayId& bay) {
    const auto keys = body.keys();
    const auto name =
        keys.size() == 1 ? std::ranges::find(names, std::string_view(keys.front())) : names.end();
    if (name == names.end()) {
        body.refuse(keys.size() == 1 ? keys.front() : "", "it names no one action that the station knows",
                    "give exactly one, for instance {\"override_joint\": {...}}");
        return LeaveIncomplete{};
    }
    auto inner = body.object(keys.front());
    auto action = readers[static_cast<std::size_t>(name - names.begin())]({inner, station, bay});
    body.join(inner);
    return action;
}

CheckConfirmed read_confirmation(Body& body, const StationPort&, const BayId& bay) {
    CheckConfirmed confirmed;
    confirmed.bay = bay;
    confirmed.step = body.text("step");
    return confirmed;
}

FastenerSelected read_selection(Body& body, const StationPort& station, const BayId& bay) {
    FastenerSelected selected;
    selected.bay = bay;
    selected.joint.text = body.text("joint");
    selected.fastener = read_fastener({body, station, bay}, selected.joint.text);
    return selected;
}

HandChecked read_hand_check(Body& body, const StationPort& station, const BayId& bay) {
    HandChecked checked;
    checked.bay = bay;
    checked.joint.text = body.text("joint");
    checked.fastener = read_fastener({body, station, bay}, checked.joint.text);
    if (!body.has("torque"))
        body.refuse("torque", "it is missing", "give the measured value with its unit");
    if (const auto torque = read_torque(body, "torque")) {
        checked.torque = *torque;
        auto given = body.object("torque");
        checked.received = given.text("value", 64) + " " + given.text("unit", 16);
    }
    checked.instrument = body.text("instrument");
    return checked;
}

}  // namespace tautgate::web
