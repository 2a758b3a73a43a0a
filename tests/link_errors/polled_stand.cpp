#include "tests/link_errors/polled_stand.hpp"

#include <stdexcept>
#include <utility>
#include <variant>

#include <fmt/format.h>

#include "config/reader.hpp"
#include "protocol/link_errors.hpp"
#include "tests/link_errors/turning.hpp"

namespace tautgate::link_errors {

using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr std::chrono::seconds polled_patience{20};
constexpr std::uint8_t tool_unit = 1;
constexpr links::Backoff::Limits redial_at_once{
    .floor = milliseconds(1), .cap = milliseconds(2), .proven = milliseconds(0)};
// A request of this tool may take 20 ms, a quarter of its silence limit; on a serial line also the time of
// its characters, some 30 ms more.
[[nodiscard]] constexpr Delays polled_delays(Transport transport) {
    const milliseconds on_line{transport == Transport::serial ? 40 : 0};
    return {.longest_short = milliseconds(3),
            .at_least = milliseconds(30) + on_line,
            .at_most = milliseconds(50) + on_line};
}

// The demo's tool, asked as often as can be.
[[nodiscard]] config::Station polled_station() {
    auto station = config::read_station_file(TAUTGATE_SOURCE_DIR "/config/larkmoor.json");
    if (!station)
        throw std::runtime_error("the demo's description cannot be read");
    std::erase_if(station->tools, [](const config::Tool& tool) {
        return !std::holds_alternative<config::RegisterLink>(tool.link);
    });
    config::Tool& tool = station->tools.front();
    tool.silence_limit = milliseconds(80);
    tool.settling = milliseconds(5);
    auto& link = std::get<config::RegisterLink>(tool.link);
    link.unit = tool_unit;
    link.poll_interval = milliseconds(1);
    auto& profile = std::get<protocol::RegisterProfile>(station->profiles.front().profile);
    profile.second_read = protocol::SecondRead::block;
    profile.written_within = milliseconds(1);
    return std::move(*station);
}

// Differs from every other in its values.
[[nodiscard]] protocol::WrittenResult draw_result(Dice& dice) {
    protocol::WrittenResult result;
    result.program = dice.one_in(2) ? "M16-snug" : "M16-final";
    result.direction = dice.one_in(8) ? protocol::Direction::loosen : protocol::Direction::tighten;
    result.torque = protocol::WrittenValue{fmt::format("{}.{}", dice.below(399), dice.below(10)), "N.m"};
    result.angle = protocol::WrittenValue{fmt::format("{}.{}", dice.below(900), dice.below(10)), "deg"};
    result.verdict = dice.one_in(4) ? protocol::ToolVerdict::not_ok : protocol::ToolVerdict::ok;
    result.position = static_cast<std::uint32_t>(1 + dice.below(8));
    return result;
}

[[nodiscard]] PolledDialect::Foreign another_tool(const protocol::RegisterProfile& profile) {
    return [profile](Dice& dice) {
        auto result = draw_result(dice);
        result.counter = 1 + dice.below(65535);
        return simulation::lay_out(profile, result, dice.one_in(2) ? 1 : dice.below(100));
    };
}

// In the units of the reading.
template <class Quantity>
[[nodiscard]] bool is_value(const protocol::Measured<Quantity>& read, const protocol::WrittenValue& written,
                            std::int64_t per_unit) {
    const auto* value = std::get_if<Quantity>(&read);
    const auto point = written.value.find('.');
    const std::int64_t tenths =
        std::stoll(written.value.substr(0, point)) * 10 + std::stoll(written.value.substr(point + 1));
    return value != nullptr && *value == Quantity{tenths * per_unit / 10};
}

}  // namespace

PolledStand::PolledStand(Transport transport, std::uint64_t seed)
    : dice_(seed), station_(polled_station()),
      dialect_(transport,
               another_tool(std::get<protocol::RegisterProfile>(station_.profiles.front().profile))),
      injector_(dialect_, dice_.below(1ULL << 62U), polled_delays(transport)) {
    injector_.on_frame([this](Way way, const Bytes&) {
        if (way == Way::answered)
            answered_at_ = steady_clock::now();
    });
    const auto& profile = std::get<protocol::RegisterProfile>(station_.profiles.front().profile);
    auto& link = std::get<config::RegisterLink>(station_.tools.front().link);
    auto opened = transport == Transport::tcp ? simulation::RegisterTool::open("127.0.0.1", 0, profile)
                                              : simulation::RegisterTool::open_serial(tool_unit, profile);
    if (!opened)
        throw std::runtime_error(opened.error());
    device_ = std::move(*opened);
    if (transport == Transport::tcp) {
        wire_ = std::make_unique<TcpProxy>(loop_, injector_, device_->port());
        link.host = "127.0.0.1";
        link.port = wire_->port();
    } else {
        cable_ = std::make_unique<SerialProxy>(loop_, injector_, device_->device());
        link.serial = config::SerialLine{.device = cable_->device()};
    }
    link_ = std::make_unique<links::RegisterTool>(
        loop_, station_, station_.tools.front(), [this](const interlock::Payload& payload) { hear(payload); },
        links::TraceSink{}, [] { return links::KnownOfTool{.epoch = "1", .counter = 0}; }, "boot-1",
        std::make_shared<links::SerialBuses>(), redial_at_once);
    link_->start();
}

bool PolledStand::until(const std::function<bool()>& wanted) {
    return turn_until([] { return polled_patience; }, wanted, [this] { turn_loop(loop_); });
}

void PolledStand::hear(const interlock::Payload& payload) {
    if (const auto* changed = std::get_if<interlock::ToolLinkChanged>(&payload)) {
        good_ = changed->quality == interlock::Quality::good;
        events_ += good_ ? 0 : 1;
    } else if (const auto* answered = std::get_if<interlock::ToolAnswered>(&payload)) {
        if (answered->epoch != "1" || answered->last > reported_.size())
            violate(
                fmt::format("the tool is said to stand at {} of epoch {}", answered->last, answered->epoch));
    } else if (std::holds_alternative<interlock::InputRefused>(payload)) {
        ++events_;
    } else if (const auto* result = std::get_if<interlock::ResultReceived>(&payload)) {
        hear(*result);
    }
}

void PolledStand::hear(const interlock::ResultReceived& result) {
    const protocol::Reading& reading = result.reading;
    if (reading.counter != received_ + 1 || result.epoch != "1" || reading.counter > reported_.size())
        return violate(fmt::format("result {} of epoch {} came after {} of {}", reading.counter, result.epoch,
                                   received_, reported_.size()));
    const protocol::WrittenResult& made = reported_[reading.counter - 1];
    constexpr std::int64_t torque_unit = 1'000'000;  // micro newton metres
    constexpr std::int64_t angle_unit = 1'000'000;   // millionths of a degree
    const bool as_made = is_value(reading.torque, *made.torque, torque_unit) &&
                         is_value(reading.angle, *made.angle, angle_unit) &&
                         reading.program == made.program && reading.direction == made.direction &&
                         reading.tool_verdict == made.verdict && reading.position == made.position;
    if (!as_made)
        violate(fmt::format("result {} came with other values than the tool gave it", reading.counter));
    ++received_;
    link_->acknowledge({.tool = result.tool, .epoch = result.epoch, .counter = reading.counter});
}

void PolledStand::violate(std::string what) {
    tally_.violations.push_back(injector_.with_what_was_done(std::move(what)));
}

void PolledStand::report() {
    reported_.push_back(draw_result(dice_));
    static_cast<void>(device_->report(reported_.back()));
}

bool PolledStand::all_came() const {
    const auto status = device_->status();
    return received_ == reported_.size() && status.acknowledged == reported_.size();
}

bool PolledStand::next_result() {
    report();
    return until([this] { return all_came() && good_; });
}

PolledStand::Told PolledStand::told() const {
    const auto polls = link_->polls();
    return {polls.failed + polls.discarded, events_, wire_ ? wire_->calls() : 0};
}

void PolledStand::inject(LinkError error) {
    const Told before = told();
    if (dice_.one_in(2))
        report();  // the error meets a new result
    injector_.arm(error, dice_.one_in(2) ? Way::asked : Way::answered);
    if (!until([this] { return injector_.done().has_value(); }))
        return violate(fmt::format("no {} could be brought about", protocol::link_error_text(error)));
    if (dice_.one_in(2))
        report();
    const auto good = link_->polls().good;
    if (!until([&] { return all_came() && good_ && injector_.is_over() && link_->polls().good >= good + 2; }))
        return violate(fmt::format("the next result does not come: {}", link_->health().why));
    tally_.count(error, told() != before);
    injector_.disarm();
}

milliseconds PolledStand::time_to_notice() {
    injector_.cut(true);
    const auto last = answered_at_;
    if (!until([this] { return !good_; }))
        violate("the tool stays good though nothing comes");
    const auto took = std::chrono::duration_cast<milliseconds>(steady_clock::now() - last);
    injector_.cut(false);
    return took;
}

}  // namespace tautgate::link_errors
