#include "tools/simulation/coil_equipment.hpp"

#include <algorithm>
#include <stdexcept>
#include <utility>

namespace tautgate::simulation {

using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

template <class Points>
auto& point_in(Points& points, const std::string& permissive) {
    const auto found =
        std::ranges::find_if(points, [&](const auto& one) { return one.at.permissive == permissive; });
    if (found == points.end())
        throw std::invalid_argument("the equipment has no permissive " + permissive);
    return *found;
}

}  // namespace

CoilEquipmentSettings coil_equipment_settings(const config::Bay& bay) {
    CoilEquipmentSettings settings{.plan = *bay.controller.coils, .rule = {}};
    settings.rule.beat_limit_ms = static_cast<std::uint32_t>(config::beat_timeout_of(bay.controller).count());
    settings.rule.heartbeat_ms = static_cast<std::uint32_t>(2 * bay.controller.beat_interval.count());
    settings.rule.moved_ms = 2 * settings.rule.beat_limit_ms;
    return settings;
}

std::expected<std::unique_ptr<CoilEquipment>, std::string>
CoilEquipment::open(CoilEquipmentSettings settings) {
    auto equipment = std::unique_ptr<CoilEquipment>(new CoilEquipment(std::move(settings)));
    auto server = RegisterServer::open(equipment->settings_.host, equipment->settings_.port, {});
    if (!server)
        return std::unexpected(std::move(server.error()));
    equipment->server_ = std::move(*server);
    equipment->thread_ = std::thread([it = equipment.get()] { it->run(); });
    return equipment;
}

CoilEquipment::CoilEquipment(CoilEquipmentSettings settings) : settings_(std::move(settings)) {
    for (const config::CoilPoint& point : settings_.plan.permissives)
        points_.push_back(
            {.at = point, .state = {}, .moved_scans = 0, .allowed = false, .refused_since = {}});
}

CoilEquipment::~CoilEquipment() {
    stopping_ = true;
    if (thread_.joinable())
        thread_.join();
}

// ---- what happens at the equipment ------------------------------------------------------------------------

void CoilEquipment::set_present(bool present) {
    const std::lock_guard lock{mutex_};
    present_ = present;
}

bool CoilEquipment::try_move(const std::string& permissive) {
    const std::lock_guard lock{mutex_};
    Point& point = point_in(points_, permissive);
    if (!point.allowed)
        return false;
    point.moved_scans = 2;
    return true;
}

void CoilEquipment::force_move(const std::string& permissive) {
    const std::lock_guard lock{mutex_};
    point_in(points_, permissive).moved_scans = 2;
}

void CoilEquipment::restart() {
    const std::lock_guard lock{mutex_};
    line_ = {};
    for (Point& point : points_) {
        point.state = {};
        point.allowed = false;
    }
}

void CoilEquipment::freeze(bool on) {
    const std::lock_guard lock{mutex_};
    frozen_ = on;
}

void CoilEquipment::stick(std::uint16_t number, bool level) {
    const std::lock_guard lock{mutex_};
    stuck_[number] = level;
}

void CoilEquipment::let_go(std::uint16_t number) {
    const std::lock_guard lock{mutex_};
    stuck_.erase(number);
}

// ---- what is seen of it -----------------------------------------------------------------------------------

bool CoilEquipment::bit(std::uint16_t number) const {
    bool on = false;
    server_->change([&](std::span<std::uint16_t>) { on = server_->bits()[number] != 0; });
    return on;
}

bool CoilEquipment::may_move(const std::string& permissive) const {
    const std::lock_guard lock{mutex_};
    return point_in(points_, permissive).allowed;
}

bool CoilEquipment::await(const std::function<bool()>& wanted, milliseconds limit) const {
    const auto end = steady_clock::now() + limit;
    while (!wanted()) {
        std::unique_lock lock{mutex_};
        if (scanned_.wait_until(lock, end) == std::cv_status::timeout) {
            lock.unlock();
            return wanted();
        }
    }
    return true;
}

steady_clock::time_point CoilEquipment::refused_since(const std::string& permissive) const {
    const std::lock_guard lock{mutex_};
    return point_in(points_, permissive).refused_since;
}

// ---- its program ------------------------------------------------------------------------------------------

void CoilEquipment::run() {
    const auto began = steady_clock::now();
    auto due = began;
    while (!stopping_) {
        due += settings_.scan;
        std::this_thread::sleep_until(due);
        const auto now = std::chrono::duration_cast<milliseconds>(steady_clock::now() - began);
        {
            const std::lock_guard lock{mutex_};
            server_->change([&](std::span<std::uint16_t>) {
                for (const auto& [number, level] : stuck_)
                    server_->bits()[number] = level ? 1 : 0;
                if (!frozen_)
                    scan(static_cast<std::uint64_t>(now.count()));
            });
        }
        scanned_.notify_all();
    }
}

void CoilEquipment::scan(std::uint64_t now_ms) {
    const auto coil = [&](std::uint16_t number) { return server_->bits()[number] != 0; };
    const config::CoilPlan& plan = settings_.plan;
    line_ = protocol::coil_line_step(line_, settings_.rule, coil(plan.alive), now_ms);
    for (Point& point : points_) {
        const protocol::CoilInputs inputs{
            .release = coil(point.at.release), .present = present_, .moved = point.moved_scans > 0};
        point.state = protocol::coil_point_step(point.state, settings_.rule, line_, inputs, now_ms);
        point.moved_scans -= point.moved_scans > 0 ? 1 : 0;
        const bool allowed = protocol::may_move(line_, point.state);
        if (point.allowed && !allowed)
            point.refused_since = steady_clock::now();
        point.allowed = allowed;
        if (point.at.moved)
            show(*point.at.moved, point.state.shows_moved);
        if (point.at.acting)
            show(*point.at.acting, allowed);
    }
    show(plan.echo, line_.alive);
    show(plan.heartbeat, line_.heartbeat);
    if (plan.present)
        show(*plan.present, present_);
}

void CoilEquipment::show(const config::ControllerBit& bit, bool on) {
    if (!stuck_.contains(bit.number))
        server_->bits()[bit.number] = on != bit.active_low ? 1 : 0;
}

}  // namespace tautgate::simulation
