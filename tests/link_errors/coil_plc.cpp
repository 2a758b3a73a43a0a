#include "tests/link_errors/coil_plc.hpp"

#include <stdexcept>
#include <utility>

namespace tautgate::link_errors {

using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

void show_bit(std::span<std::uint8_t> bits, const config::ControllerBit& bit, bool on) {
    bits[bit.number] = on != bit.active_low ? 1 : 0;
}

}  // namespace

CoilPlc::CoilPlc(config::CoilPlan plan, const protocol::CoilSettings& rule)
    : plan_(std::move(plan)), rule_(rule) {
    auto opened = simulation::RegisterServer::open(
        "127.0.0.1", 0,
        {.before_answer = {},
         .after_answer = [this](const simulation::RegisterRequest& request, std::span<std::uint16_t>) {
             if (request.writes && server_)
                 scan_bits(server_->bits());
         }});
    if (!opened)
        throw std::runtime_error(opened.error());
    server_ = std::move(*opened);
}

void CoilPlc::set_present(bool present) {
    {
        const std::lock_guard lock{mutex_};
        present_ = present;
    }
    scan();
}

bool CoilPlc::move(std::size_t point) {
    constexpr unsigned scans_of_signal = 3;
    bool moves = false;
    {
        const std::lock_guard lock{mutex_};
        moves = view_.may_move.at(point);
        if (moves)
            points_.at(point).moved_scans = scans_of_signal;
    }
    scan();
    return moves;
}

void CoilPlc::scan() {
    server_->change([this](std::span<std::uint16_t>) { scan_bits(server_->bits()); });
}

void CoilPlc::scan_bits(std::span<std::uint8_t> bits) {
    const std::lock_guard lock{mutex_};
    const auto now_ms = static_cast<std::uint64_t>(
        std::chrono::duration_cast<milliseconds>(steady_clock::now().time_since_epoch()).count());
    const protocol::CoilLine before = line_;
    line_ = protocol::coil_line_step(line_, rule_, bits[plan_.alive] != 0, now_ms);
    view_.line_good = line_.good;
    view_.switches += before.scanned && line_.alive != before.alive ? 1 : 0;
    view_.stops += before.good && (!line_.good || line_.interrupted) ? 1 : 0;
    for (std::size_t i = 0; i < coil_points; ++i)
        scan_point(i, bits, now_ms);
    show_bit(bits, plan_.echo, line_.alive);
    show_bit(bits, plan_.heartbeat, line_.heartbeat);
    show_bit(bits, *plan_.present, present_);
}

void CoilPlc::scan_point(std::size_t index, std::span<std::uint8_t> bits, std::uint64_t now_ms) {
    Point& point = points_.at(index);
    const config::CoilPoint& at = plan_.permissives[index];
    const protocol::CoilInputs inputs{
        .release = bits[at.release] != 0, .present = present_, .moved = point.moved_scans > 0};
    point.state = protocol::coil_point_step(point.state, rule_, line_, inputs, now_ms);
    point.moved_scans -= point.moved_scans > 0 ? 1 : 0;
    const bool moves = protocol::may_move(line_, point.state);
    view_.coil.at(index) = inputs.release;
    view_.may_move.at(index) = moves;
    if (moves)
        acts_.push_back({.point = index,
                         .at = steady_clock::now(),
                         .since_alive = milliseconds(now_ms - line_.switched_ms)});
    show_bit(bits, *at.moved, point.state.shows_moved);
    show_bit(bits, *at.acting, moves);
}

CoilPlc::View CoilPlc::view() const {
    const std::lock_guard lock{mutex_};
    return view_;
}

std::vector<CoilAct> CoilPlc::take_acts() {
    const std::lock_guard lock{mutex_};
    return std::exchange(acts_, {});
}

}  // namespace tautgate::link_errors
