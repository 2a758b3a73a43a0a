#include "tests/link_errors/station_core.hpp"

#include <algorithm>
#include <chrono>
#include <memory>
#include <stdexcept>
#include <variant>

#include "service/interlock/lookup.hpp"

namespace tautgate::link_errors {

using namespace interlock;
using std::chrono::nanoseconds;
using std::chrono::steady_clock;

namespace {

const PersonNumber core_administrator{1};
const PersonNumber core_supervisor{2};
const BayId core_bay{"B1"};
constexpr std::int64_t one_millisecond_ns = 1'000'000;

// So high that no result reaches it: every attempt is one more.
[[nodiscard]] config::Joint joint_for(const config::Tool& tool) {
    config::Joint joint;
    joint.id = joint.name = "cap";
    joint.risk = config::RiskClass::b;
    joint.fasteners = {{"1", 0, 0}};
    joint.placement = config::Placement::counted;
    joint.passes = {{"final", "", {{{tool.torque_max}, {tool.torque_max}, {}}, {}}}};
    joint.tools = {tool.id};
    joint.retry = {.attempts = 0xFFFF'FFFF};
    return joint;
}

[[nodiscard]] config::Station with_bay_and_plan(config::Station station) {
    config::Bay bay;
    bay.id = bay.name = core_bay.text;
    bay.number = 1;
    station.bays = {bay};
    station.tools.front().bay = bay.id;
    station.joints = {joint_for(station.tools.front())};
    config::Plan plan;
    plan.id = plan.name = "plan";
    plan.revision = "1";
    plan.stages = {{"scan", {config::ScanStep{"D"}}}, {"join", {config::TightenStep{"cap"}}}};
    station.plans = {plan};
    station.variants = {{"V", "V", "plan", {{"D", {"DV"}}}}};
    station.pair = {{"D"}, true, "D", "D"};
    station.people.decisions = {config::Role::production_supervisor};
    station.people.reason_codes = {{"checked", "Checked by hand"}};
    return station;
}

[[nodiscard]] std::int64_t core_now_ns() {
    return std::chrono::duration_cast<nanoseconds>(steady_clock::now().time_since_epoch()).count();
}

}  // namespace

StationCore::StationCore(config::Station station)
    : before_ns_(core_now_ns() - nanoseconds(std::chrono::minutes(1)).count()) {
    rules_.emplace(Revision{"r1"},
                   std::make_shared<const config::Station>(with_bay_and_plan(std::move(station))));
    come_into_service();
    receive_a_unit();
    if (!broken_.empty() || stay_at(state_.bays.front()) == nullptr)
        throw std::runtime_error("the station does not come into service: " + broken_);
}

Outcome StationCore::happens(Payload payload) { return happens_at(core_now_ns(), std::move(payload)); }

Outcome StationCore::happens_at(std::int64_t monotonic_ns, Payload payload) {
    const Event event{EventNumber{state_.newest.value + 1},
                      {monotonic_ns / 1000, monotonic_ns, core_boot},
                      std::move(payload)};
    auto [next, record] = decide(rules_, std::move(state_), event);
    state_ = std::move(next);
    if (broken_.empty())
        broken_ = broken_invariant(rules_, state_);
    for (const Effect& effect : record.effects)
        if (const auto* acknowledge = std::get_if<Acknowledge>(&effect))
            acknowledgements_.push_back(*acknowledge);
    doubts_ += !state_.tools.empty() && !is_whole() ? 1 : 0;
    return record.outcome;
}

std::vector<Acknowledge> StationCore::take_acknowledgements() { return std::exchange(acknowledgements_, {}); }

void StationCore::come_into_service() {
    const auto before = [this](Payload payload) {
        before_ns_ += one_millisecond_ns;
        static_cast<void>(happens_at(before_ns_, std::move(payload)));
    };
    before(StationStarted{"test", true, {}});
    before(PersonEnrolled{Person{core_administrator, {config::Role::administrator}, false}, {}, {}});
    before(PersonEnrolled{
        Person{core_supervisor, {config::Role::production_supervisor}, false}, core_administrator, {}});
    before(RulesApproved{
        Revision{"r1"}, core_administrator, core_supervisor, {FreshToken{core_bay, Token{101}}}});
    before(ControllerLinkChanged{core_bay, Quality::good, "", 1});
}

void StationCore::receive_a_unit() {
    const auto reports = [this](Presence presence, std::uint16_t arrivals) {
        ControllerReported report;
        report.bay = core_bay;
        report.present = presence;
        report.arrivals = arrivals;
        report.starts = 1;
        report.echoed = Token{101};
        report.fresh = Token{static_cast<std::uint32_t>(102 + arrivals)};
        before_ns_ += one_millisecond_ns;
        static_cast<void>(happens_at(before_ns_, report));
    };
    reports(Presence::absent, 0);
    reports(Presence::present, 1);
    before_ns_ += one_millisecond_ns;
    static_cast<void>(happens_at(before_ns_, TicketScanned{core_bay, "D", Serial{"D1"}, "O1", "DV", "", 0}));
}

bool StationCore::accept_gap() {
    return !std::holds_alternative<Refused>(happens(Proposed{core_bay, AcceptGap{tool().id}, core_supervisor,
                                                             "checked", "checked by hand", state_.newest}));
}

bool StationCore::is_whole() const {
    return std::holds_alternative<Following>(tool().count) && tool().asked && !tool().conflict &&
           !tool().outstanding_to;
}

bool StationCore::needs_people() const {
    const auto* broken = std::get_if<Broken>(&tool().count);
    return tool().conflict || (broken != nullptr && broken->began_anew);
}

}  // namespace tautgate::link_errors
