#include "tests/link_errors/permissive_stand.hpp"

#include <algorithm>
#include <ranges>
#include <stdexcept>
#include <utility>
#include <variant>

#include <boost/crc.hpp>
#include <fmt/format.h>

#include "protocol/link_errors.hpp"
#include "service/links/modbus_frame.hpp"
#include "tests/link_errors/fast_line.hpp"
#include "tests/link_errors/turning.hpp"

namespace tautgate::link_errors {

using config::WireRole;
using interlock::Quality;
using protocol::Code;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr std::chrono::seconds patience{20};
constexpr std::size_t given_remembered = 4000;
// Of a busy computer, where a time on the clock is looked at.
constexpr milliseconds slack{1000};

[[nodiscard]] config::Station small_station(WireRole role, const PermissiveStand::Limits& limits) {
    config::Station station;
    station.number = 3;
    config::Bay bay;
    bay.id = "J1";
    bay.number = 2;
    bay.controller = {.role = role,
                      .host = "127.0.0.1",
                      .port = 0,
                      .unit = 1,
                      .permissive_address = 20,
                      .feedback_address = 100,
                      .beat_interval = limits.beat,
                      .echo_timeout = limits.echo,
                      .settling = milliseconds(1)};
    station.bays.push_back(bay);
    for (std::uint16_t number = 1; number <= plc_points; ++number) {
        config::Permissive permissive;
        permissive.id = fmt::format("way-{}", number);
        permissive.number = number;
        permissive.bay = bay.id;
        permissive.one_shot = number == 1;
        station.permissives.push_back(permissive);
    }
    return station;
}

[[nodiscard]] std::uint32_t ieee_crc(std::span<const std::uint8_t> bytes) {
    boost::crc_32_type crc;
    crc.process_bytes(bytes.data(), bytes.size());
    return crc.checksum();
}

// Whether these are the bytes of a block with a right CRC-32 for this place, by none of the code under test.
[[nodiscard]] bool is_whole(std::span<const std::uint8_t> block, std::uint16_t station, std::uint16_t bay,
                            std::uint16_t permissive) {
    const std::uint32_t crc = std::uint32_t{links::word_at(block, 20)} << 16U | links::word_at(block, 22);
    return crc == ieee_crc(block.first(20)) && links::word_at(block, 0) == 1 &&
           links::word_at(block, 2) == station && links::word_at(block, 4) == bay &&
           links::word_at(block, 6) == permissive;
}

}  // namespace

PermissiveStand::PermissiveStand(WireRole role, std::uint64_t seed, Limits limits)
    : limits_(limits), dice_(seed), station_(small_station(role, limits)),
      injector_(dialect_, dice_.below(1ULL << 62U), limits.delays),
      plc_(std::make_unique<Plc>(station_, limits.echo)) {
    injector_.on_frame([this](Way way, const Bytes& frame) { see(way, frame); });
    auto& wire = station_.bays.front().controller;
    if (role == WireRole::client) {
        server_ = std::make_unique<PlcAsServer>(*plc_, wire);
        proxy_ = std::make_unique<TcpProxy>(loop_, injector_, server_->port());
        wire.port = proxy_->port();
        static_cast<void>(open_link());
    } else {
        proxy_ = std::make_unique<TcpProxy>(loop_, injector_, open_link());
        wire.port = proxy_->port();
        master_ = std::make_unique<PlcAsMaster>(*plc_, wire);
    }
}

std::uint16_t PermissiveStand::open_link() {
    link_ = std::make_unique<links::ControllerLink>(
        loop_, station_, station_.bays.front(), [this](const interlock::Payload& payload) { hear(payload); },
        std::make_shared<links::DurableMark>(), fast_line);
    link_->start();
    if (server_)
        return 0;
    if (!until([this] { return link_->listening_port() != 0; }))
        throw std::runtime_error("the station does not listen");
    return link_->listening_port();
}

void PermissiveStand::publish() {
    if (link_)
        link_->publish(orders_, ++loop_beat_);
}

void PermissiveStand::turn() {
    publish();
    turn_loop(loop_);
    if (server_)
        server_->scan();
    else
        plc_->scan_again();
    for (const Act& act : plc_->take_acts())
        judge(act);
}

bool PermissiveStand::until(const std::function<bool()>& wanted) {
    return turn_until([] { return patience; }, wanted, [this] { turn(); });
}

void PermissiveStand::order(Code code) {
    if (code == Code::withheld && ordered_ != Code::withheld)
        withheld_at_ = steady_clock::now();
    ordered_ = code;
    ever_ordered_.emplace(token_, code);
    orders_.clear();
    for (std::size_t i = 0; i < plc_points; ++i)
        orders_.push_back({.permissive = static_cast<std::uint16_t>(i + 1),
                           .code = code,
                           .token = token_,
                           .reason = static_cast<std::uint16_t>(code == Code::withheld ? 7 : 0),
                           .moved = plc_->state(i).moved_count});
    publish();
}

// ---- what both sides said
// -----------------------------------------------------------------------------------

void PermissiveStand::see(Way way, const Bytes& frame) {
    ++(way == Way::asked ? asked_ : answered_);
    if (way != (server_ ? Way::asked : Way::answered))
        return;
    for (const auto& block : dialect_.blocks_in(way, frame)) {
        given_.push_back({++given_ever_, block});
        if (given_.size() > given_remembered)
            given_.pop_front();
    }
}

void PermissiveStand::judge(const Act& act) {
    const auto newest_first = given_ | std::views::reverse;
    const auto given = std::ranges::find_if(newest_first, [&](const Given& one) {
        return one.block.address.permissive == act.point + 1 && one.block.beat == act.beat &&
               one.block.code == act.code && one.block.token == act.token && one.block.moved == act.moved;
    });
    const std::string what =
        fmt::format("the PLC {} {} on beat {}, token {:08x}, moved {}", act.moves ? "moves" : "holds",
                    act.point + 1, act.beat, act.token, act.moved);
    if (given != newest_first.end()) {
        auto& newest = accepted_.at(act.point);
        // A withhold that went out behind a release may come late with it; it withholds all the same.
        if (act.moves && given->number < newest)
            violate(what + ", which is older than what it accepted before");
        newest = std::max(newest, given->number);
    }
    if (!act.moves)
        return;
    if (given == newest_first.end())
        violate(what + ", which the station did not give");
    if (!ever_ordered_.contains({act.token, act.code}))
        violate(what + ", for a stay that was not released");
    if (act.since_accepted >= limits_.echo)
        violate(fmt::format("{}, accepted {} ms ago", what, act.since_accepted.count()));
    const bool was_withdrawn = ordered_ == Code::withheld && withheld_at_ != steady_clock::time_point{};
    if (was_withdrawn && act.at > withheld_at_ + limits_.delays.at_most + limits_.echo + slack)
        violate(what + ", long after it was withdrawn");
}

void PermissiveStand::hear(const interlock::Payload& payload) {
    if (const auto* changed = std::get_if<interlock::ControllerLinkChanged>(&payload))
        not_good_ += changed->quality == Quality::good ? 0 : 1;
    const auto* reported = std::get_if<interlock::ControllerReported>(&payload);
    if (reported == nullptr)
        return;
    Report report{.present = reported->present == interlock::Presence::present,
                  .arrivals = reported->arrivals,
                  .departures = reported->departures,
                  .starts = reported->starts,
                  .moved = {},
                  .token = reported->echoed.value};
    for (std::size_t i = 0; i < plc_points; ++i)
        report.moved.at(i) = reported->moved.at(i).count;
    if (plc_->has_said(report) && !reported->fault)
        return;
    // An echo of none of our tokens is a PLC for which the station withholds.
    if (report.token != token_ && plc_->has_said_but_for_the_token(report) && !reported->fault) {
        ++other_echoes_;
        return;
    }
    violate(
        fmt::format("the station hears presence {}, {} arrivals, {} departures, token {:08x}, which the PLC "
                    "never said",
                    report.present, report.arrivals, report.departures, report.token));
}

void PermissiveStand::violate(std::string what) {
    tally_.violations.push_back(injector_.with_what_was_done(std::move(what)));
}

// ---- what goes on ---------------------------------------------------------------------------------------

// The link is good and the PLC does what is ordered.
bool PermissiveStand::obeys() const {
    if (link_->health().quality != Quality::good)
        return false;
    for (std::size_t i = 0; i < plc_points; ++i) {
        const auto state = plc_->state(i);
        if (!state.link_good || state.overruled || state.token != token_ || state.code_token != token_ ||
            protocol::acting_code(state) != ordered_)
            return false;
    }
    return true;
}

bool PermissiveStand::obeys_again(const Passed& since) const {
    // Two answers later both sides have done with the frame that was spoilt.
    return asked_ >= since.asked + 2 && answered_ >= since.answered + 2 && obeys() && injector_.is_over();
}

void PermissiveStand::next_unit() {
    plc_->set_present(false);
    ordered_ = Code::withheld;
    token_ = static_cast<std::uint32_t>(1 + dice_.below(0xFEFF'FFFE));
    order(Code::withheld);
    // Until the new token stands there the PLC must see no unit that it could take the old one for.
    const auto shown = [this](std::size_t i) { return plc_->state(i).code_token == token_; };
    if (!until([&] { return shown(0) && shown(1) && link_->health().quality == Quality::good; }))
        return violate("the token of a new unit does not arrive");
    plc_->set_present(true);
    ++units_;
    if (!until([this] { return obeys(); }))
        violate("the token of a new unit is not taken");
}

bool PermissiveStand::release_to_a_unit() {
    next_unit();
    order(Code::released);
    return until([this] { return obeys(); });
}

// A new unit, a movement, another order; now and then none of it.
void PermissiveStand::change_scene() {
    switch (dice_.below(8)) {
    case 0: return next_unit();
    case 1:
        if (ordered_ != Code::withheld)
            plc_->move(0);
        return order(ordered_);
    case 2:
    case 3: return order(Code::withheld);
    case 4:
    case 5: return order(Code::released);
    case 6: return order(Code::leaving_incomplete);
    default: return;
    }
}

void PermissiveStand::inject(LinkError error) {
    change_scene();
    // Otherwise the error meets the news on its way.
    const bool settled = dice_.below(3) != 0;
    if (settled && !until([this] { return obeys(); }))
        return violate("the PLC does not do what is ordered");
    const auto before = plc_->seen();
    const auto told = not_good_;
    const auto echoes = other_echoes_;
    const auto calls = proxy_->calls();
    injector_.arm(error, dice_.one_in(2) ? Way::asked : Way::answered);
    if (!until([this] { return injector_.done().has_value(); }))
        return violate(fmt::format("no {} could be brought about", protocol::link_error_text(error)));
    const Passed since{asked_, answered_};
    if (!until([&] { return obeys_again(since); }))
        return violate(fmt::format("the link does not come back: {}", link_->health().why));
    turn();  // what the link told meanwhile is heard
    const auto after = plc_->seen();
    // Where the station gave the connection up meanwhile, the block may never have come.
    const bool came = proxy_->calls() == calls;
    if (came && must_be_found(*injector_.done()) && after.bad_blocks == before.bad_blocks)
        violate("a bad block was not found by the PLC");
    if (came && settled && must_fail(*injector_.done()) && not_good_ == told)
        violate("an echo of a release that was not given did not fail the link");
    const bool noticed = after.faults != before.faults || not_good_ != told || other_echoes_ != echoes ||
                         proxy_->calls() != calls;
    tally_.count(error, noticed);
    injector_.disarm();
}

// Blocks for the PLC that came to it in the right frame and are not whole, or not its own.
bool PermissiveStand::must_be_found(const Injection& injection) const {
    const bool to_plc = injection.way == (server_ ? Way::asked : Way::answered);
    const std::size_t head = links::frame_header + (server_ ? 6 : 2);
    constexpr std::size_t block_bytes = 2 * protocol::permissive_words;
    if (!to_plc || injection.after.size() != 1 || injection.after.front().delay.count() != 0 ||
        injection.before.size() != head + plc_points * block_bytes)
        return false;
    const Bytes& after = injection.after.front().bytes;
    if (after.size() != injection.before.size() ||
        !std::equal(after.begin(), after.begin() + static_cast<std::ptrdiff_t>(head),
                    injection.before.begin()))
        return false;
    for (std::size_t i = 0; i < plc_points; ++i)
        if (!is_whole(std::span(after).subspan(head + i * block_bytes, block_bytes), station_.number,
                      station_.bays.front().number, station_.permissives.at(i).number))
            return true;
    return false;
}

// The controller says, under its own address, that it acts on a release for another stay.
bool PermissiveStand::must_fail(const Injection& injection) const {
    const bool to_station = injection.way == (server_ ? Way::answered : Way::asked);
    const std::size_t head = links::frame_header + (server_ ? 2 : 6);
    constexpr std::size_t block_bytes = 2 * protocol::feedback_words;
    if (injection.error != LinkError::masquerade || !to_station ||
        injection.before.size() != head + plc_points * block_bytes)
        return false;
    const std::span after{injection.after.front().bytes};
    for (std::size_t i = 0; i < plc_points; ++i) {
        const auto block = after.subspan(head + i * block_bytes, block_bytes);
        const auto same = std::ranges::equal(block.first(8),
                                             std::span(injection.before).subspan(head + i * block_bytes, 8));
        const std::uint32_t token =
            std::uint32_t{links::word_at(block, 8)} << 16U | links::word_at(block, 10);
        if (same && token != token_ && links::word_at(block, 12) == 0x46A7)
            return true;
    }
    return false;
}

milliseconds PermissiveStand::time_to_withhold() {
    injector_.cut(true);
    const auto newest_ms = plc_->state(0).seen_ms;
    if (!until([this] { return protocol::movement(plc_->state(0)) == protocol::Movement::refused; }))
        violate("the PLC does not withhold though nothing comes");
    const auto now = std::chrono::duration_cast<milliseconds>(steady_clock::now().time_since_epoch());
    injector_.cut(false);
    return now - milliseconds(newest_ms);
}

}  // namespace tautgate::link_errors
