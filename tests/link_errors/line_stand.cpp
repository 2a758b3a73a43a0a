#include "tests/link_errors/line_stand.hpp"

#include <cstdlib>
#include <fstream>
#include <stdexcept>
#include <string_view>
#include <utility>
#include <variant>

#include <fmt/format.h>

#include "protocol/link_errors.hpp"
#include "tests/link_errors/turning.hpp"

namespace tautgate::link_errors {

using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr std::chrono::seconds line_patience{20};
// After a corruption that was taken for a good line it may not come back at all.
constexpr std::chrono::seconds line_patience_spent{2};
constexpr milliseconds line_silence{100};
constexpr auto caller_id = "NR-12";
constexpr auto stranger_id = "NR-20";
constexpr auto key_file = "nr12.key";

[[nodiscard]] config::Station line_station(Seals seals) {
    config::Station station;
    station.tool_port = config::Endpoint{"127.0.0.1", 0};
    // The second may call too, but from another address.
    for (const auto& [id, peer] : {std::pair{caller_id, "127.0.0.1"}, std::pair{stranger_id, "127.0.0.2"}}) {
        config::Tool tool;
        tool.id = id;
        const bool has_key = seals == Seals::keyed && std::string_view(id) == caller_id;
        tool.link = config::LineLink{peer, has_key ? key_file : ""};
        tool.torque_max = {1'000'000'000};
        tool.torque_resolution = {100'000};
        tool.angle_resolution = {100'000};
        tool.silence_limit = line_silence;
        tool.settling = milliseconds(1);
        tool.longest_run = milliseconds(100);
        station.tools.push_back(tool);
    }
    return station;
}

[[nodiscard]] std::string key_text() { return std::string(2 * sizeof(protocol::SharedKey), '5'); }
[[nodiscard]] std::optional<protocol::SharedKey> key_of(Seals seals) {
    return seals == Seals::keyed ? protocol::shared_key_from(key_text()) : std::nullopt;
}

[[nodiscard]] protocol::WrittenResult draw_line_result(Dice& dice) {
    protocol::WrittenResult result;
    result.program = "M12-bracket";
    result.torque =
        protocol::WrittenValue{fmt::format("{}.{}", 100 + dice.below(800), dice.below(10)), "N.m"};
    result.angle = protocol::WrittenValue{fmt::format("{}.{}", dice.below(900), dice.below(10)), "deg"};
    result.verdict = dice.one_in(4) ? protocol::ToolVerdict::not_ok : protocol::ToolVerdict::ok;
    result.position = static_cast<std::uint32_t>(1 + dice.below(8));
    return result;
}

// What the station has to read from it.
[[nodiscard]] protocol::Reading reading_of(protocol::WrittenResult written, std::uint64_t counter,
                                           const config::Tool& tool) {
    written.counter = counter;
    std::string line = protocol::to_line(written);
    line.pop_back();
    const auto message = protocol::parse_line(line, {.torque_resolution = tool.torque_resolution,
                                                     .angle_resolution = tool.angle_resolution,
                                                     .torque_max = tool.torque_max});
    return std::get<protocol::LineResult>(message.value()).reading;
}

}  // namespace

milliseconds LineStand::silence_limit() noexcept { return line_silence; }

std::filesystem::path LineStand::write_key() const {
    if (seals_ == Seals::none)
        return {};
    std::string folder = (std::filesystem::temp_directory_path() / "tautgate-link-errors-XXXXXX").string();
    if (::mkdtemp(folder.data()) == nullptr)
        throw std::runtime_error("no folder for the key can be made");
    const std::filesystem::path file = std::filesystem::path(folder) / key_file;
    std::ofstream(file) << key_text();
    std::filesystem::permissions(file, std::filesystem::perms::owner_read);
    return folder;
}

LineStand::~LineStand() {
    std::error_code left_behind;  // a folder of the temporary ones
    if (!keys_.empty())
        std::filesystem::remove_all(keys_, left_behind);
}

LineStand::LineStand(std::uint64_t seed, Seals seals)
    : dice_(seed), seals_(seals), keys_(write_key()), station_(line_station(seals)), dialect_(stranger_id),
      injector_(
          dialect_, dice_.below(1ULL << 62U),
          {.longest_short = milliseconds(5), .at_least = milliseconds(180), .at_most = milliseconds(220)}) {
    injector_.on_frame([this](Way way, const Bytes&) {
        if (way == Way::asked)
            heard_at_ = steady_clock::now();
    });
    port_ = std::make_unique<links::ToolPort>(
        loop_, station_, [this](const interlock::Payload& payload) { hear(payload); },
        [](const links::ArrivedTrace&) { return true; },
        [this](const domain::ToolId&, const std::string&) { return stored_ + 1; },
        links::ToolPortSettings{.boot = "boot-1",
                                .keys = keys_,
                                .hello_time = milliseconds(100),
                                .beat_interval = milliseconds(20),
                                .resend_time = milliseconds(60)});
    if (auto up = port_->listen(); !up)
        throw std::runtime_error(up.error());
    wire_ = std::make_unique<TcpProxy>(loop_, injector_, port_->port());
    tool_ = std::make_unique<simulation::LineTool>(
        simulation::LineToolSettings{.id = caller_id,
                                     .port = wire_->port(),
                                     .key = key_of(seals),
                                     .beat_interval = milliseconds(10),
                                     .redial_after = milliseconds(1),
                                     .welcome_within = milliseconds(100)});
}

bool LineStand::until(const std::function<bool()>& wanted) {
    return turn_until([this] { return spent_ || corrupting_ ? line_patience_spent : line_patience; }, wanted,
                      [this] { turn_loop(loop_); });
}

void LineStand::hear(const interlock::Payload& payload) {
    if (const auto* changed = std::get_if<interlock::ToolLinkChanged>(&payload)) {
        if (changed->tool.text != caller_id)
            return differ("a link of another tool changed");
        good_ = changed->quality == interlock::Quality::good;
        events_ += good_ ? 0 : 1;
    } else if (const auto* answered = std::get_if<interlock::ToolAnswered>(&payload)) {
        if (answered->tool.text != caller_id || answered->epoch != "1" || answered->last > reported_.size())
            differ(fmt::format("{} is said to stand at {} of epoch {}", answered->tool.text, answered->last,
                               answered->epoch));
    } else if (std::holds_alternative<interlock::InputRefused>(payload)) {
        ++events_;
    } else if (const auto* result = std::get_if<interlock::ResultReceived>(&payload)) {
        hear(*result);
    }
}

void LineStand::hear(const interlock::ResultReceived& result) {
    const std::uint64_t counter = result.reading.counter;
    if (result.tool.text != caller_id || result.epoch != "1" || counter == 0 || counter > reported_.size())
        return differ(fmt::format("result {} of {} in epoch {} was never made", counter, result.tool.text,
                                  result.epoch));
    const auto made = reading_of(reported_[counter - 1], counter, station_.tools.front());
    if (result.reading != made)
        return differ(fmt::format("result {} came with other values than the tool gave it", counter));
    if (!received_.emplace(counter, result.reading).second)
        ++repeats_;  // with the same content, by which the interlock recognises it
    if (counter > stored_ + 1)
        ++events_;  // the gap shows
    while (received_.contains(stored_ + 1))
        ++stored_;
    port_->acknowledge({.tool = result.tool, .epoch = result.epoch, .counter = stored_});
}

void LineStand::differ(std::string what) {
    if (corrupting_ && seals_ == Seals::none) {
        spent_ = true;
        return;
    }
    tally_.violations.push_back(injector_.with_what_was_done(std::move(what)));
}

void LineStand::report() {
    reported_.push_back(draw_line_result(dice_));
    static_cast<void>(tool_->report(reported_.back()));
}

bool LineStand::all_came() const {
    const auto status = tool_->status();
    return stored_ == reported_.size() && status.acknowledged == stored_ && status.kept == 0;
}

bool LineStand::next_result() {
    report();
    return until([this] { return all_came() && good_; });
}

std::uint64_t LineStand::told() const {
    const auto status = tool_->status();
    return events_ + repeats_ + wire_->calls() + status.refusals + status.misread +
           (status.sent - reported_.size());
}

void LineStand::inject(LinkError error) {
    constexpr milliseconds pace{200};
    const std::size_t most_results = reported_.size() + 10;
    const std::uint64_t before = told();
    corrupting_ = error == LinkError::corruption;
    const std::uint64_t refusals = tool_->status().refusals;
    const bool of_hello = error == LinkError::masquerade || error == LinkError::addressing;
    if (dice_.one_in(2))
        report();
    injector_.arm(error, of_hello || dice_.one_in(2) ? Way::asked : Way::answered);
    if (of_hello)
        wire_->hang_up();
    if (!until([this] { return injector_.done().has_value(); }))
        return differ(fmt::format("no {} could be brought about", protocol::link_error_text(error)));
    if (of_hello) {
        // On a busy computer the tool may give up before it reads why; nobody was welcomed either way.
        const auto calls = wire_->calls();
        if (!until([&] { return tool_->status().refusals > refusals || wire_->calls() > calls; }))
            return differ("a caller that is none was not refused");
        wire_->hang_up();  // or it would be a second until the station does
    }
    // What was lost last of all shows with the next result.
    auto next_at = steady_clock::now();
    const bool came = until([&] {
        if (steady_clock::now() >= next_at) {
            if (reported_.size() < most_results)
                report();
            else if (all_came() && good_)
                wire_->hang_up();  // what is kept back, a welcome, has its next only on a new call
            next_at = steady_clock::now() + pace;
        }
        return spent_ || (all_came() && good_ && injector_.is_over());
    });
    if (!came)
        differ("the next result does not come");
    tally_.count(error, told() != before, spent_);
    corrupting_ = false;
    injector_.disarm();
}

milliseconds LineStand::time_to_notice() {
    injector_.cut(true);
    const auto last = heard_at_;
    if (!until([this] { return !good_; }))
        differ("the tool stays good though nothing comes");
    const auto took = std::chrono::duration_cast<milliseconds>(steady_clock::now() - last);
    injector_.cut(false);
    return took;
}

}  // namespace tautgate::link_errors
