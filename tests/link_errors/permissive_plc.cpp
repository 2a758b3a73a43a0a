#include "tests/link_errors/permissive_plc.hpp"

#include <algorithm>
#include <stdexcept>
#include <string>
#include <utility>

#include "tools/simulation/modbus_context.hpp"

namespace tautgate::link_errors {

using protocol::Code;
using protocol::PlcFault;
using protocol::PlcState;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr std::size_t all_blocks = plc_points * protocol::permissive_words;
constexpr std::size_t all_feedback = plc_points * protocol::feedback_words;

[[nodiscard]] std::uint64_t now_ms() {
    return static_cast<std::uint64_t>(
        std::chrono::duration_cast<milliseconds>(steady_clock::now().time_since_epoch()).count());
}

}  // namespace

Plc::Plc(const config::Station& station, milliseconds beat_limit) : blocks_(all_blocks) {
    for (std::size_t i = 0; i < plc_points; ++i) {
        const auto& permissive = station.permissives.at(i);
        settings_.at(i) = {.own = {station.number, station.bays.front().number, permissive.number},
                           .beat_limit_ms = static_cast<std::uint32_t>(beat_limit.count()),
                           .one_shot = permissive.one_shot};
        states_.at(i) = protocol::plc_start({});
    }
}

void Plc::set_present(bool present) {
    const std::lock_guard lock{mutex_};
    present_ = present;
    static_cast<void>(scan_all());
}

void Plc::move(std::size_t point) {
    const std::lock_guard lock{mutex_};
    pulses_.at(point) = true;
    static_cast<void>(scan_all());
    pulses_.at(point) = false;
    static_cast<void>(scan_all());
}

std::vector<std::uint16_t> Plc::scan(std::span<const std::uint16_t> blocks) {
    const std::lock_guard lock{mutex_};
    blocks_.assign(blocks.begin(), blocks.end());
    return scan_all();
}

void Plc::scan_again() {
    const std::lock_guard lock{mutex_};
    static_cast<void>(scan_all());
}

std::vector<std::uint16_t> Plc::scan_all() {
    std::vector<std::uint16_t> words;
    words.reserve(all_feedback);
    ++seen_.scans;
    Report report;
    bool at_odds = false;  // two points with different tokens echo none
    for (std::size_t i = 0; i < plc_points; ++i) {
        scan_point(i);
        const auto feedback = protocol::feedback(states_.at(i), settings_.at(i));
        const auto block = protocol::encode(feedback);
        words.insert(words.end(), block.begin(), block.end());
        report.present = feedback.presence == protocol::Presence::present;
        report.arrivals = feedback.arrivals;
        report.departures = feedback.departures;
        report.starts = feedback.plc_starts;
        report.moved.at(i) = feedback.moved;
        at_odds = at_odds || (report.token != 0 && feedback.token != 0 && report.token != feedback.token);
        report.token = std::max(report.token, feedback.token);
    }
    if (at_odds)
        report.token = 0;
    if (std::ranges::find(said_, report) == said_.end())
        said_.push_back(report);
    return words;
}

void Plc::scan_point(std::size_t point) {
    PlcState& state = states_.at(point);
    const std::uint64_t now = now_ms();
    const auto block =
        std::span(blocks_).subspan(point * protocol::permissive_words, protocol::permissive_words);
    const bool was_good = state.link_good;
    const std::uint16_t old_beat = state.accepted_beat;
    state = protocol::plc_step(state, settings_.at(point), block, now,
                               {.present = present_, .moved = pulses_.at(point)});
    if (!state.link_good || state.overruled)
        ++seen_.faults;
    if (!state.link_good && state.link_fault == PlcFault::bad_block)
        ++seen_.bad_blocks;
    const bool moves = protocol::movement(state) != protocol::Movement::refused;
    const bool accepts = state.link_good && (!was_good || state.accepted_beat != old_beat);
    if (moves || accepts)
        acts_.push_back({.moves = moves,
                         .point = point,
                         .code = state.code,
                         .token = state.code_token,
                         .moved = state.code_moved,
                         .beat = state.accepted_beat,
                         .at = steady_clock::now(),
                         .since_accepted = milliseconds(now - state.seen_ms)});
}

PlcState Plc::state(std::size_t point) const {
    const std::lock_guard lock{mutex_};
    return states_.at(point);
}

std::vector<Act> Plc::take_acts() {
    const std::lock_guard lock{mutex_};
    return std::exchange(acts_, {});
}

Plc::Seen Plc::seen() const {
    const std::lock_guard lock{mutex_};
    return seen_;
}

bool Plc::has_said(const Report& report) const {
    const std::lock_guard lock{mutex_};
    return std::ranges::find(said_, report) != said_.end();
}

bool Plc::has_said_but_for_the_token(Report report) const {
    const std::lock_guard lock{mutex_};
    return std::ranges::any_of(said_, [&](const Report& said) {
        report.token = said.token;
        return report == said;
    });
}

// ---- as a server ------------------------------------------------------------------------------------------

PlcAsServer::PlcAsServer(Plc& plc, const config::ControllerLink& link) : plc_(plc), link_(link) {
    auto opened =
        simulation::RegisterServer::open("127.0.0.1", 0,
                                         {.before_answer = {},
                                          .after_answer = [this](const simulation::RegisterRequest& request,
                                                                 std::span<std::uint16_t> registers) {
                                              if (request.writes)
                                                  exchange(registers);
                                          }});
    if (!opened)
        throw std::runtime_error(opened.error());
    server_ = std::move(*opened);
}

void PlcAsServer::scan() {
    server_->change([this](std::span<std::uint16_t> registers) { exchange(registers); });
}

void PlcAsServer::exchange(std::span<std::uint16_t> registers) {
    const auto feedback = plc_.scan(registers.subspan(link_.permissive_address, all_blocks));
    std::ranges::copy(feedback, registers.subspan(link_.feedback_address).begin());
}

// ---- as a master ------------------------------------------------------------------------------------------

PlcAsMaster::PlcAsMaster(Plc& plc, const config::ControllerLink& link)
    : plc_(plc), link_(link), thread_([this](const std::stop_token& stop) { run(stop); }) {}

void PlcAsMaster::run(const std::stop_token& stop) {
    constexpr std::uint32_t answer_within_us = 30'000;
    constexpr std::chrono::microseconds cycle{500};
    simulation::Context line;
    while (!stop.stop_requested()) {
        std::this_thread::sleep_for(cycle);  // the pace of a PLC's communication; nobody waits for it
        if (!line) {
            line.reset(modbus_new_tcp("127.0.0.1", link_.port));
            modbus_set_slave(line.get(), link_.unit);
            modbus_set_response_timeout(line.get(), 0, answer_within_us);
            if (modbus_connect(line.get()) != 0) {
                line.reset();
                continue;
            }
        }
        std::array<std::uint16_t, all_blocks> blocks{};
        bool good = modbus_read_registers(line.get(), link_.permissive_address, all_blocks, blocks.data()) ==
                    static_cast<int>(all_blocks);
        if (good) {
            const auto feedback = plc_.scan(blocks);
            good = modbus_write_registers(line.get(), link_.feedback_address, all_feedback,
                                          feedback.data()) == static_cast<int>(all_feedback);
        }
        // After any failure the connection is given up: a late answer must not serve the next request.
        if (!good) {
            modbus_close(line.get());
            line.reset();
        }
    }
    if (line)
        modbus_close(line.get());
}

}  // namespace tautgate::link_errors
