#include "tests/link_errors/frame_stand.hpp"

#include <algorithm>
#include <variant>

#include <fmt/format.h>

#include "protocol/link_errors.hpp"
#include "tests/link_errors/turning.hpp"

namespace tautgate::link_errors {

using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr std::chrono::seconds frame_patience{20};
constexpr milliseconds frame_silence{100};
constexpr links::Backoff::Limits call_at_once{
    .floor = milliseconds(1), .cap = milliseconds(2), .proven = milliseconds(0)};
constexpr Delays frame_delays{
    .longest_short = milliseconds(5), .at_least = milliseconds(160), .at_most = milliseconds(200)};
// The tool has had the time to send again what it keeps, and to say where its count stands.
constexpr milliseconds before_people{150};

[[nodiscard]] config::Station framed_station(FrameKind kind) {
    config::Station station;
    config::Tool tool;
    tool.id = tool.name = "NR-12";
    tool.torque_max = {500'000'000};
    tool.torque_resolution = {100'000};
    tool.angle_resolution = {100'000};
    tool.silence_limit = frame_silence;
    tool.settling = milliseconds(1);
    tool.longest_run = milliseconds(10);
    tool.link = config::FrameLink{config::FrameCall{"127.0.0.1", 0}, "frames"};
    station.tools.push_back(tool);
    station.profiles.push_back({"frames", frame_profile(kind)});
    return station;
}

[[nodiscard]] const config::Tool& with_port(config::Station& station, std::uint16_t port) {
    config::Tool& tool = station.tools.front();
    std::get<config::FrameLink>(tool.link).way = config::FrameCall{"127.0.0.1", port};
    return tool;
}

}  // namespace

milliseconds FrameStand::silence_limit() noexcept { return frame_silence; }

FrameStand::FrameStand(FrameKind kind, std::uint64_t seed)
    : kind_(kind), dice_(seed), station_(framed_station(kind)), dialect_(kind),
      injector_(dialect_, dice_.below(1ULL << 62U), frame_delays), core_(station_),
      device_(std::make_unique<FrameDevice>(loop_, kind)),
      wire_(std::make_unique<TcpProxy>(loop_, injector_, device_->port())) {
    injector_.on_frame([this](Way way, const Bytes&) {
        if (way == Way::answered)
            heard_at_ = steady_clock::now();
    });
    // The count of a tool that never says where it stands is known from the record.
    const bool is_known = kind == FrameKind::plain;
    link_ = std::make_unique<links::FrameTool>(
        loop_, station_, with_port(station_, wire_->port()),
        [this](const interlock::Payload& payload) { hear(payload); }, links::TraceSink{},
        [is_known]() -> std::optional<links::KnownOfTool> {
            return is_known ? std::optional(links::KnownOfTool{.epoch = "0", .counter = 0}) : std::nullopt;
        },
        links::FrameToolSettings{.boot = core_boot, .redial = call_at_once});
    link_->start();
}

bool FrameStand::until(const std::function<bool()>& wanted) {
    return turn_until([] { return frame_patience; }, wanted,
                      [this] {
                          turn_loop(loop_);
                          help();
                      });
}

// People look at what the tool cannot mend by itself.
void FrameStand::help() {
    const auto now = steady_clock::now();
    if (core_.is_whole()) {
        whole_at_ = now;
    } else if (core_.needs_people() || now - whole_at_ > before_people) {
        whole_at_ = now;
        static_cast<void>(core_.accept_gap());
    }
    for (const interlock::Acknowledge& stored : core_.take_acknowledgements())
        link_->acknowledge(stored);
    if (!core_.broken().empty() && tally_.violations.empty())
        tally_.violations.push_back(core_.broken());
}

// ---- what the station hears ---------------------------------------------------------------------------

void FrameStand::hear(const interlock::Payload& payload) {
    const auto outcome = core_.happens(payload);
    if (const auto* changed = std::get_if<interlock::ToolLinkChanged>(&payload)) {
        good_ = changed->quality == interlock::Quality::good;
        events_ += good_ ? 0 : 1;
    } else if (std::holds_alternative<interlock::InputRefused>(payload)) {
        ++events_;
    } else if (const auto* result = std::get_if<interlock::ResultReceived>(&payload)) {
        hear(*result, outcome);
    }
}

// What is kept for people, or known to be a repetition, counts for nothing.
void FrameStand::hear(const interlock::ResultReceived& result, const interlock::Outcome& outcome) {
    const Key key{result.epoch, result.reading.counter};
    const bool as_made = is_as_made(key, result.reading);
    if (as_made)
        arrived_.insert(key);
    if (!std::holds_alternative<interlock::Attributed>(outcome)) {
        ++events_;
        return;
    }
    if (!as_made)
        return differ(fmt::format("result {} of count {} counts, and the tool made none like it", key.second,
                                  key.first));
    if (!counted_.insert(key).second)
        differ(fmt::format("result {} of count {} counts twice", key.second, key.first));
}

FrameStand::Key FrameStand::key_of(const FramedResult& result) const {
    return {kind_ == FrameKind::guarded ? std::to_string(result.epoch) : "0", result.counter};
}

bool FrameStand::is_as_made(const Key& key, const protocol::Reading& reading) const {
    const auto made = made_.find(key);
    if (made == made_.end())
        return false;
    constexpr std::int64_t tenth_of_unit = 100'000;  // of millionths
    const auto* torque = std::get_if<protocol::Torque>(&reading.torque);
    const auto* angle = std::get_if<protocol::Angle>(&reading.angle);
    const FramedResult& result = made->second;
    return torque != nullptr && *torque == protocol::Torque{result.torque * tenth_of_unit} &&
           angle != nullptr && *angle == protocol::Angle{result.angle * tenth_of_unit} &&
           reading.tool_verdict == (result.ok ? protocol::ToolVerdict::ok : protocol::ToolVerdict::not_ok) &&
           reading.program == std::to_string(result.program);
}

bool FrameStand::is_beyond(LinkError error) const {
    if (!protocol::detects(protocol::detected(frame_profile(kind_)), error))
        return true;
    // A frame that has a right checksum after it was disturbed is beyond what a checksum can tell.
    const auto& done = injector_.done();
    return error == LinkError::corruption && done && done->after.size() == 1 &&
           is_whole_frame(kind_, done->after.front().bytes);
}

void FrameStand::differ(std::string what) {
    if (error_ && is_beyond(*error_)) {
        spent_ = true;
        return;
    }
    tally_.violations.push_back(injector_.with_what_was_done(std::move(what)));
}

// ---- what goes on -------------------------------------------------------------------------------------

void FrameStand::report() {
    const FramedResult result = device_->report(draw_framed_result(dice_));
    awaited_.push_back(key_of(result));
    made_.emplace(awaited_.back(), result);
}

// The newest result counts, nothing is missing or in doubt, and the tool has nothing left to say.
bool FrameStand::goes_on() const {
    const bool newest_counts = !awaited_.empty() && counted_.contains(awaited_.back());
    return newest_counts && good_ && core_.is_whole() && device_->kept() == 0;
}

// The results come and count for nothing, since people accepted a count that was never the tool's.
bool FrameStand::goes_astray() {
    constexpr std::size_t in_vain = 10;
    astray_ = error_ && is_beyond(*error_) && awaited_.size() >= in_vain && !goes_on();
    return astray_;
}

// One result after the other, since one that nobody listens to may be sent for nothing.
bool FrameStand::reports_until(const std::function<bool()>& wanted, milliseconds first_after) {
    constexpr milliseconds pace{60};
    constexpr std::size_t most_results = 400;  // more than there is patience for
    auto next_at = steady_clock::now() + first_after;
    return until([&] {
        if (steady_clock::now() >= next_at && awaited_.size() < most_results) {
            report();
            next_at = steady_clock::now() + pace;
        }
        return wanted();
    });
}

bool FrameStand::next_result() {
    awaited_.clear();
    return until([this] { return good_; }) && reports_until([this] { return goes_on(); }, milliseconds(0));
}

std::uint64_t FrameStand::told() const { return events_ + core_.doubts() + wire_->calls(); }

void FrameStand::inject(LinkError error) {
    if (kind_ == FrameKind::guarded && dice_.one_in(40)) {
        device_->restart();
        if (!next_result())
            return differ("no result comes after the tool has started anew");
    }
    awaited_.clear();
    const std::uint64_t before = told();
    const std::uint64_t doubts_before = core_.doubts();
    // The station tells a plain tool nothing that somebody else could tell it.
    const bool only_answers =
        kind_ == FrameKind::plain && (error == LinkError::masquerade || error == LinkError::addressing);
    error_ = error;
    injector_.arm(error, only_answers || dice_.one_in(2) ? Way::answered : Way::asked);
    const bool came = reports_until(
        [&] { return spent_ || (injector_.done() && injector_.is_over() && (goes_on() || goes_astray())); },
        milliseconds(dice_.one_in(3) ? 60 : 0));
    if (!injector_.done())
        return differ(fmt::format("no {} could be brought about", protocol::link_error_text(error)));
    if (!came)
        differ("the next result does not come, or does not count");
    look_for_losses(doubts_before);
    count(error, told() != before);
    error_.reset();
    injector_.disarm();
}

// Of those that were made since the error.
void FrameStand::look_for_losses(std::uint64_t doubts_before) {
    const auto missing =
        std::ranges::count_if(awaited_, [this](const Key& key) { return !arrived_.contains(key); });
    if (missing == 0 || is_spent())
        return;
    if (kind_ == FrameKind::guarded)
        differ(fmt::format("{} result(s) of a tool that keeps them are lost", missing));
    else if (core_.doubts() == doubts_before)
        differ(fmt::format("{} result(s) are lost, and nobody was told", missing));
}

void FrameStand::count(LinkError error, bool noticed) {
    if (!noticed && must_be_noticed(*injector_.done()))
        differ("what did not come in time was not noticed");
    tally_.count(error, noticed, spent_);
}

bool FrameStand::must_be_noticed(const Injection& injection) const {
    return injection.way == Way::answered && !injection.after.empty() &&
           injection.after.front().delay >= frame_delays.at_least;
}

milliseconds FrameStand::time_to_notice() {
    injector_.cut(true);
    const auto last = heard_at_;
    if (!until([this] { return !good_; }))
        differ("the tool stays good though nothing comes");
    const auto took = std::chrono::duration_cast<milliseconds>(steady_clock::now() - last);
    injector_.cut(false);
    return took;
}

}  // namespace tautgate::link_errors
