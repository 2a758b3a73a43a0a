#include "tests/unit/web/fake_station.hpp"

namespace tautgate::web::testing {
namespace {

Ticket ticket(std::string kind, std::string serial, EventNumber scanned) {
    Ticket out;
    out.kind = std::move(kind);
    out.serial.text = std::move(serial);
    out.scanned = scanned;
    return out;
}

std::vector<JointState> joints_of(const config::Station& rules) {
    std::vector<JointState> joints;
    for (const auto& joint : rules.joints) {
        JointState state;
        state.id.text = joint.id;
        FastenerState fastener;
        fastener.passes.resize(joint.passes.size());
        state.fasteners.assign(joint.fasteners.size(), fastener);
        joints.push_back(std::move(state));
    }
    REQUIRE(joints.size() >= 2);
    auto& first = joints.front().fasteners;
    first.at(0).passes.at(0).proof = Proof{.result = {41}, .operator_ = worker};
    first.at(1).passes.at(0).attempts = 2;
    first.at(1).locked = true;
    first.at(1).passes.at(0).not_ok = NotOk{
        .result = {42},
        .judgement = {.verdict = evaluation::Verdict::not_ok,
                      .findings = {{evaluation::FindingCode::torque_low, "380 N·m", "at least 390 N·m"}}}};
    joints.at(1).override_ = Override{.proposal = {43},
                                      .by = supervisor,
                                      .seconded_by = admin,
                                      .reason_code = "R1",
                                      .lifts = {ReasonCode::joint_not_ok}};
    joints.at(1).confirmed = EventNumber{43};
    joints.at(1).confirmed_by = worker;
    return joints;
}

UnassignedResult lost_result(const config::Station& rules) {
    UnassignedResult lost;
    lost.result = {45};
    lost.tool.text = rules.tools.front().id;
    lost.reading.torque = protocol::Torque{12'500'000};
    lost.reading.angle = protocol::Unreadable{};
    return lost;
}

Proposed asked_override(const config::Station& rules) {
    return {.bay = {rules.bays.front().id},
            .action = OverrideJoint{.joint = {rules.joints.front().id},
                                    .verified = "by hand wrench",
                                    .checked_torque = protocol::Torque{400'000'000}},
            .by = supervisor,
            .reason_code = "R1",
            .reason_text = "hand wrench used",
            .seen = {45}};
}

Stay stay_of(const config::Station& rules) {
    Stay stay;
    stay.id = {40};
    stay.token = {77};
    stay.began = {.utc_us = 1'764'000'000'000'000, .monotonic_ns = 5, .boot = "boot"};
    stay.rules = Revision{rules_digest};
    stay.tickets = {ticket("D", "LT26-0417", {40})};
    stay.refused_tickets = {ticket("D", "LT26-0418", {44})};
    stay.identity = Identified{{"LT26-0417"}, "v", "p", "1"};
    stay.joints = joints_of(rules);
    stay.checks = {{.step = "s", .confirmed = {43}, .by = worker}};
    stay.unassigned = {lost_result(rules)};
    stay.proposals = {{.number = {46}, .what = asked_override(rules)}};
    stay.moved_unproven = {{.permissive = {rules.permissives.front().id}, .seen = {47}}};
    return stay;
}

// The first is held, the others are released.
std::vector<PermissiveState> permissives_of(const config::Station& rules) {
    std::vector<PermissiveState> permissives;
    for (const auto& permissive : rules.permissives) {
        PermissiveState state;
        state.id.text = permissive.id;
        if (permissives.empty())
            state.reasons = {
                reason(ReasonCode::unit_on_hold, {}, {{"serial", "LT26-0417"}, {"why", "left unproven"}}),
                reason(ReasonCode::joint_not_ok, rules.joints.front().name)};
        else
            state.output = Released{.by = {46}, .token = {77}};
        permissives.push_back(std::move(state));
    }
    return permissives;
}

}  // namespace

Reason reason(ReasonCode code, std::string joint, std::vector<Fact> facts) {
    return {.code = code, .joint = std::move(joint), .fastener = {}, .tool = {}, .facts = std::move(facts)};
}

void put_unit_in(FakeStation& station) {
    const auto& rules = station.rules();
    BayState bay;
    bay.id.text = rules.bays.front().id;
    bay.offered = {77};
    bay.controller.link = Quality::good;
    bay.controller.present = interlock::Presence::present;
    bay.signed_on = worker;
    bay.occupant = stay_of(rules);
    bay.permissives = permissives_of(rules);
    std::get<interlock::Stay>(bay.occupant).moved_here = interlock::MovedHere{
        .from = {"J0"}, .permissive = {"shift"}, .moved = {11}, .arrived = EventNumber{12}, .since = {}};
    station.now.bays = {std::move(bay)};

    std::vector<ToolState> tools(3);
    tools[0].id.text = rules.tools.front().id;
    tools[0].link = Quality::good;
    tools[0].count = Following{"e", 12};
    tools[1].id.text = "T-broken";
    tools[1].count = Broken{.epoch = "e", .expected = 12, .got = 14, .newest = 14, .old_epoch = {}};
    tools[1].outstanding_to = 20;
    tools[2].id.text = "T-new";
    station.now.tools = std::move(tools);
    station.now.rules = Revision{rules_digest};
    station.now.holds = {{.unit = {"LT26-0400"}, .since = {12}, .why = "left unproven"}};
    station.now.bypasses = {{.joint = {rules.joints.front().id},
                             .alternate = "spare",
                             .since = {9},
                             .until_utc_us = 1'764'000'000'000'000,
                             .units = 20,
                             .used = 2,
                             .why = "NR-12 is out of order",
                             .ended = std::nullopt},
                            {.joint = {"gone"},
                             .alternate = "spare",
                             .since = {10},
                             .until_utc_us = 0,
                             .units = 20,
                             .used = 20,
                             .why = "",
                             .ended = domain::EventNumber{48}}};
    station.now.newest = {50};
}

}  // namespace tautgate::web::testing
