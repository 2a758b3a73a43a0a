#include "tests/link_errors/coil_stand.hpp"

#include <algorithm>
#include <utility>
#include <variant>

#include <fmt/format.h>

#include "protocol/link_errors.hpp"
#include "tests/link_errors/fast_line.hpp"
#include "tests/link_errors/turning.hpp"
#include "tests/unit/links/coil_station.hpp"

namespace tautgate::link_errors {

using interlock::Presence;
using interlock::Quality;
using protocol::Code;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr std::chrono::seconds coil_patience{20};
// Of a busy computer, where a time on the clock is looked at.
constexpr milliseconds coil_slack{1000};
// Until what the station wrote before has arrived, and what it writes now was written often enough.
constexpr std::uint64_t switches_to_settle = 4;

[[nodiscard]] config::Station coil_bay(const CoilStand::Limits& limits) {
    config::Station station = links::testing::coil_station(0);
    config::ControllerLink& controller = station.bays.front().controller;
    controller.beat_interval = limits.beat;
    controller.echo_timeout = limits.echo;
    controller.beat_timeout = limits.beat_timeout;
    controller.settling = milliseconds(1);
    controller.coils->debounce = milliseconds(4);
    return station;
}

[[nodiscard]] const config::CoilPlan& plan_of(const config::Station& station) {
    return *station.bays.front().controller.coils;
}

[[nodiscard]] std::vector<std::uint16_t> releases_of(const config::CoilPlan& plan) {
    std::vector<std::uint16_t> releases;
    for (const auto& point : plan.permissives)
        releases.push_back(point.release);
    return releases;
}

// As `tautgate registers` prints them, but for the heartbeat, which would be too fast for a scan.
[[nodiscard]] protocol::CoilSettings rule_settings(const CoilStand::Limits& limits) {
    const auto limit = static_cast<std::uint32_t>(limits.beat_timeout.count());
    return {.beat_limit_ms = limit, .heartbeat_ms = limit / 6, .moved_ms = 2 * limit};
}

}  // namespace

CoilStand::CoilStand(std::uint64_t seed, Limits limits)
    : limits_(limits), dice_(seed), station_(coil_bay(limits)),
      dialect_(plan_of(station_).alive, releases_of(plan_of(station_))),
      injector_(dialect_, dice_.below(1ULL << 62U), limits.delays),
      plc_(std::make_unique<CoilPlc>(plan_of(station_), rule_settings(limits))),
      proxy_(std::make_unique<TcpProxy>(loop_, injector_, plc_->port())) {
    injector_.on_frame([this](Way way, const Bytes&) { ++(way == Way::asked ? asked_ : answered_); });
    station_.bays.front().controller.port = proxy_->port();
    link_ = std::make_unique<links::ControllerLink>(
        loop_, station_, station_.bays.front(), [this](const interlock::Payload& payload) { hear(payload); },
        std::make_shared<links::DurableMark>(), fast_line);
    link_->start();
}

// The orders take every movement into account of which the station has heard.
void CoilStand::publish() {
    std::vector<links::PermissiveOrder> orders;
    for (std::size_t i = 0; i < coil_points; ++i)
        orders.push_back({.permissive = static_cast<std::uint16_t>(i + 1),
                          .code = released_ ? Code::released : Code::withheld,
                          .token = token_,
                          .moved = i < reported_.moved.size() ? reported_.moved[i].count : std::uint16_t{0}});
    link_->publish(std::move(orders), ++loop_beat_);
}

void CoilStand::turn() {
    publish();
    turn_loop(loop_);
    plc_->scan();
    for (const CoilAct& act : plc_->take_acts())
        judge(act);
}

bool CoilStand::until(const std::function<bool()>& wanted) {
    return turn_until([] { return coil_patience; }, wanted, [this] { turn(); });
}

void CoilStand::order(bool release) {
    if (!release && released_)
        withheld_at_ = steady_clock::now();
    released_ = release;
    switches_at_order_ = plc_->view().switches;
    publish();
}

// ---- what is seen -----------------------------------------------------------------------------------------

void CoilStand::judge(const CoilAct& act) {
    const std::string what = fmt::format("the equipment lets {} move", act.point + 1);
    if (act.since_alive >= limits_.beat_timeout)
        violate(fmt::format("{} by an alive coil that stood still for {} ms", what, act.since_alive.count()));
    if (released_)
        return;
    if (scene_)
        return violate(what + ", which was withheld");
    const auto since_withheld = std::chrono::duration_cast<milliseconds>(act.at - withheld_at_);
    tally_.longest_to_withhold = std::max(tally_.longest_to_withhold, since_withheld);
    if (since_withheld > limits_.delays.at_most + limits_.beat_timeout + coil_slack)
        violate(what + ", long after it was withheld");
}

void CoilStand::hear(const interlock::Payload& payload) {
    if (const auto* changed = std::get_if<interlock::ControllerLinkChanged>(&payload)) {
        not_good_ += changed->quality == Quality::good ? 0 : 1;
    } else if (const auto* reported = std::get_if<interlock::ControllerReported>(&payload)) {
        reported_ = *reported;
        heard_otherwise_ = heard_otherwise_ || tells_otherwise(*reported);
    }
}

bool CoilStand::tells_otherwise(const interlock::ControllerReported& reported) const {
    if (!scene_)
        return false;
    const bool other_presence =
        reported.present != Presence::unknown && (reported.present == Presence::present) != present_;
    return other_presence || reported.arrivals != scene_->arrivals ||
           reported.departures != scene_->departures || reported.moved != scene_->moved;
}

void CoilStand::violate(std::string what) {
    tally_.violations.push_back(injector_.with_what_was_done(std::move(what)));
}

// ---- what goes on -----------------------------------------------------------------------------------------

// The link is good, the station sees what is there, and the equipment does what is ordered.
bool CoilStand::obeys() const {
    const auto view = plc_->view();
    if (!view.line_good || quality() != Quality::good ||
        reported_.present != (present_ ? Presence::present : Presence::absent))
        return false;
    for (std::size_t i = 0; i < coil_points; ++i)
        if (view.may_move.at(i) != released_ || view.coil.at(i) != released_)
            return false;
    return true;
}

// No news is on its way any more.
bool CoilStand::settles() {
    return until(
        [this] { return plc_->view().switches >= switches_at_order_ + switches_to_settle && obeys(); });
}

void CoilStand::next_unit() {
    order(false);
    const auto sees = [this](Presence presence) { return reported_.present == presence; };
    for (const bool there : {false, true}) {
        present_ = there;
        plc_->set_present(there);
        if (!until([&] { return sees(there ? Presence::present : Presence::absent); }))
            return violate("the station does not see that a unit came or went");
    }
    ++token_;
    if (!until([this] { return obeys(); }))
        violate("the line is not good with a new unit");
}

bool CoilStand::release_to_a_unit() {
    next_unit();
    order(true);
    return settles();
}

// A new unit, a movement, another order; now and then none of it.
void CoilStand::change_scene() {
    switch (dice_.below(8)) {
    case 0: return next_unit();
    case 1: static_cast<void>(plc_->move(dice_.below(coil_points))); return;
    case 2:
    case 3:
    case 4: return order(false);
    case 5:
    case 6: return order(true);
    default: return;
    }
}

void CoilStand::inject(LinkError error) {
    change_scene();
    // Otherwise the error meets the news on its way.
    if (dice_.below(3) != 0) {
        if (!settles())
            return violate("the equipment does not do what is ordered");
        scene_ = reported_;
    }
    // A computer that stood still for a moment may have broken it already, so that nothing more can break.
    if (!until([this] { return plc_->view().line_good && quality() == Quality::good; }))
        return violate("the line is not good before anything is injected");
    heard_otherwise_ = false;
    const auto stops = plc_->view().stops;
    const auto told = not_good_;
    const auto calls = proxy_->calls();
    injector_.arm(error, dice_.one_in(2) ? Way::asked : Way::answered);
    if (!until([this] { return injector_.done().has_value(); }))
        return violate(fmt::format("no {} could be brought about", protocol::link_error_text(error)));
    const auto asked = asked_;
    const auto answered = answered_;
    // Some answers later both sides have done with the frame that was spoilt.
    constexpr std::uint64_t frames_to_pass = 2 * (coil_points + 2);
    const bool comes_back = until([&] {
        return asked_ >= asked + frames_to_pass && answered_ >= answered + frames_to_pass &&
               injector_.is_over() && obeys();
    });
    if (!comes_back)
        return violate(fmt::format("the link does not come back: {}", link_->health().why));
    turn();  // what the link told meanwhile is heard
    count(error, plc_->view().stops != stops || not_good_ != told || proxy_->calls() != calls);
    scene_.reset();
    injector_.disarm();
}

void CoilStand::count(LinkError error, bool noticed) {
    if (!noticed && must_be_noticed(*injector_.done()))
        violate("what did not come in time was not noticed");
    tally_.count(error, noticed, heard_otherwise_);
}

bool CoilStand::must_be_noticed(const Injection& injection) const {
    return injection.after.empty() || injection.after.front().delay >= limits_.delays.at_least;
}

CoilStand::Times CoilStand::times_to_withhold() {
    injector_.cut(true);
    const auto began = steady_clock::now();
    const auto until_refused = [&] {
        const auto view = plc_->view();
        return std::ranges::none_of(view.may_move, [](bool may) { return may; });
    };
    if (!until(until_refused))
        violate("the equipment does not withhold though nothing comes");
    const auto refused = std::chrono::duration_cast<milliseconds>(steady_clock::now() - began);
    if (!until([this] { return quality() != Quality::good; }))
        violate("the line stays good though nothing comes");
    const auto noticed = std::chrono::duration_cast<milliseconds>(steady_clock::now() - began);
    injector_.cut(false);
    return {.equipment = refused, .station = noticed};
}

}  // namespace tautgate::link_errors
