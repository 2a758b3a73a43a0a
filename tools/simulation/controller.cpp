#include "tools/simulation/controller.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <cerrno>
#include <utility>

#include <modbus.h>

#include <fmt/format.h>

#include "tools/simulation/modbus_context.hpp"

namespace tautgate::simulation {

using protocol::Movement;
using protocol::PlcState;
using std::chrono::steady_clock;

namespace {

// A bolt may come loose while its release is out; the news of it may take this long to reach the PLC.
constexpr std::chrono::milliseconds news_may_take{2000};

}  // namespace

// Reads the permissive blocks from the station and writes the feedback to it, once a scan, on a thread of its
// own so that a station that does not answer cannot stop the scan.
class Controller::Master {
  public:
    explicit Master(const ControllerSettings& settings) : settings_(settings) {
        const std::size_t count = settings.points.size();
        blocks_.assign(count * protocol::permissive_words, 0);
        feedback_.assign(count * protocol::feedback_words, 0);
        thread_ = std::thread([this] { run(); });
    }
    ~Master() {
        {
            const std::lock_guard lock{mutex_};
            stopping_ = true;
        }
        wake_.notify_all();
        thread_.join();
    }
    Master(const Master&) = delete;
    Master& operator=(const Master&) = delete;
    Master(Master&&) = delete;
    Master& operator=(Master&&) = delete;

    void cut(bool on) {
        const std::lock_guard lock{mutex_};
        cut_ = on;
    }
    [[nodiscard]] std::vector<std::uint16_t> block(std::size_t index) const {
        const std::lock_guard lock{mutex_};
        const auto begin = blocks_.begin() + static_cast<std::ptrdiff_t>(index * protocol::permissive_words);
        return {begin, begin + protocol::permissive_words};
    }
    void feedback(std::size_t index, std::span<const std::uint16_t> words) {
        const std::lock_guard lock{mutex_};
        std::ranges::copy(words,
                          feedback_.begin() + static_cast<std::ptrdiff_t>(index * protocol::feedback_words));
    }

  private:
    void run() {
        Context context;
        while (pause(context ? settings_.scan : std::chrono::milliseconds(250))) {
            if (is_cut()) {
                context.reset();
                continue;
            }
            if (!context)
                context = dial();
            // After any failure the connection is closed: a late answer must not serve the next request.
            if (context && !exchange(context.get()))
                context.reset();
        }
    }
    [[nodiscard]] bool pause(std::chrono::milliseconds length) {
        std::unique_lock lock{mutex_};
        return !wake_.wait_for(lock, length, [this] { return stopping_; });
    }
    [[nodiscard]] bool is_cut() const {
        const std::lock_guard lock{mutex_};
        return cut_;
    }
    [[nodiscard]] Context dial() const {
        Context context{modbus_new_tcp(settings_.link.host.c_str(), settings_.link.port)};
        if (!context)
            return nullptr;
        modbus_set_slave(context.get(), settings_.link.unit);
        modbus_set_response_timeout(context.get(), 0, 300'000);
        return modbus_connect(context.get()) == 0 ? std::move(context) : nullptr;
    }
    // Each block whole, in one request of its own.
    [[nodiscard]] bool exchange(modbus_t* context) {
        constexpr auto block_length = static_cast<int>(protocol::permissive_words);
        constexpr auto feedback_length = static_cast<int>(protocol::feedback_words);
        for (std::size_t i = 0; i < settings_.points.size(); ++i) {
            std::array<std::uint16_t, protocol::permissive_words> block{};
            const int from = settings_.link.permissive_address + static_cast<int>(i) * block_length;
            if (modbus_read_registers(context, from, block_length, block.data()) != block_length)
                return false;
            std::array<std::uint16_t, protocol::feedback_words> feedback{};
            {
                const std::lock_guard lock{mutex_};
                std::ranges::copy(block, place(blocks_, i, protocol::permissive_words));
                std::copy_n(place(feedback_, i, protocol::feedback_words), feedback.size(), feedback.begin());
            }
            const int to = settings_.link.feedback_address + static_cast<int>(i) * feedback_length;
            if (modbus_write_registers(context, to, feedback_length, feedback.data()) != feedback_length)
                return false;
        }
        return true;
    }
    [[nodiscard]] static std::vector<std::uint16_t>::iterator place(std::vector<std::uint16_t>& words,
                                                                    std::size_t index, std::size_t length) {
        return words.begin() + static_cast<std::ptrdiff_t>(index * length);
    }

    ControllerSettings settings_;
    mutable std::mutex mutex_;
    std::condition_variable wake_;
    std::vector<std::uint16_t> blocks_;
    std::vector<std::uint16_t> feedback_;
    bool cut_ = false;
    bool stopping_ = false;
    std::thread thread_;
};

ControllerSettings controller_settings(const config::Station& station, const config::Bay& bay) {
    ControllerSettings settings;
    settings.link = bay.controller;
    settings.station = station.number;
    settings.bay = bay.number;
    settings.beat_limit = bay.controller.beat_timeout.value_or(settings.beat_limit);
    for (const auto& permissive : station.permissives)
        if (permissive.bay == bay.id)
            settings.points.push_back({permissive.id, permissive.number, permissive.one_shot});
    return settings;
}

std::expected<std::unique_ptr<Controller>, std::string> Controller::open(ControllerSettings settings,
                                                                         Witness witness) {
    const auto link = settings.link;
    std::unique_ptr<Controller> controller{new Controller(std::move(settings), std::move(witness))};
    if (link.role == config::WireRole::client) {
        auto server = RegisterServer::open(link.host, link.port, {});
        if (!server)
            return std::unexpected(server.error());
        controller->server_ = std::move(*server);
    } else {
        controller->master_ = std::make_unique<Master>(controller->settings_);
    }
    auto* self = controller.get();
    controller->thread_ = std::thread([self] { self->run(); });
    // A unit that is there at the first scan did not arrive: let nobody set one down before it.
    std::unique_lock lock{self->mutex_};
    self->scanned_.wait(lock, [self] { return self->scans_ > 0; });
    lock.unlock();
    return controller;
}

Controller::Controller(ControllerSettings settings, Witness witness)
    : settings_(std::move(settings)), witness_(std::move(witness)) {
    for (const auto& at : settings_.points)
        points_.push_back({.at = at, .state = protocol::plc_start({}), .unjustified_since = {}});
}

Controller::~Controller() {
    stopping_ = true;
    if (thread_.joinable())
        thread_.join();
}

void Controller::run() {
    auto next = steady_clock::now();
    while (!stopping_) {
        scan();
        watch();
        next += settings_.scan;
        // A scan cycle is what a PLC is made of; whoever waits for the PLC waits for a condition.
        std::this_thread::sleep_until(next);
    }
}

void Controller::scan() {
    const auto now =
        std::chrono::duration_cast<std::chrono::milliseconds>(steady_clock::now().time_since_epoch());
    {
        const std::lock_guard lock{mutex_};
        if (frozen_)
            return;
        for (std::size_t i = 0; i < points_.size(); ++i)
            scan_point(i, static_cast<std::uint64_t>(now.count()));
        ++scans_;
    }
    scanned_.notify_all();
}

void Controller::scan_point(std::size_t index, std::uint64_t now_ms) {
    Point& point = points_[index];
    const protocol::PlcSettings settings{.own = {settings_.station, settings_.bay, point.at.number},
                                         .beat_limit_ms =
                                             static_cast<std::uint32_t>(settings_.beat_limit.count()),
                                         .one_shot = point.at.one_shot};
    // A movement is one scan high and at least one scan low, so that each is a rising edge of its own.
    point.pulse_high = !point.pulse_high && point.pulses > 0;
    if (point.pulse_high)
        --point.pulses;
    point.state =
        protocol::plc_step(point.state, settings, block_of(index), now_ms,
                           {.present = present_, .moved = point.pulse_high, .equipment_fault = fault_});
    give_feedback(index, protocol::feedback(point.state, settings));
}

std::vector<std::uint16_t> Controller::block_of(std::size_t index) const {
    if (master_)
        return master_->block(index);
    const auto address = settings_.link.permissive_address + index * protocol::permissive_words;
    return server_->read(static_cast<std::uint16_t>(address), protocol::permissive_words);
}

void Controller::give_feedback(std::size_t index, const protocol::FeedbackBlock& feedback) {
    const auto words = protocol::encode(feedback);
    if (master_)
        return master_->feedback(index, words);
    const auto address = settings_.link.feedback_address + index * protocol::feedback_words;
    server_->write(static_cast<std::uint16_t>(address), words);
}

// A release may not begin without grounds; one that stands may outlive its grounds only until the news is
// here.
void Controller::watch() {
    struct Sighting {
        std::size_t index;
        Movement movement;
    };
    std::vector<Sighting> sightings;
    {
        const std::lock_guard lock{mutex_};
        for (std::size_t i = 0; i < points_.size(); ++i)
            sightings.push_back({i, protocol::movement(points_[i].state)});
    }
    for (const auto& [index, movement] : sightings) {
        const auto id = settings_.points[index].id;
        const auto why = movement == Movement::refused || !witness_ ? std::nullopt : witness_(id, movement);
        const std::lock_guard lock{mutex_};
        Point& point = points_[index];
        if (movement == Movement::refused) {
            point.unjustified_since.reset();
            point.justified_before = false;
            point.complained = false;
            continue;
        }
        if (!why) {
            point.unjustified_since.reset();
            point.justified_before = true;
            continue;
        }
        if (!point.unjustified_since)
            point.unjustified_since = steady_clock::now();
        const bool news_is_late = steady_clock::now() - *point.unjustified_since > news_may_take;
        if (!point.complained && (!point.justified_before || news_is_late)) {
            point.complained = true;
            complain(fmt::format("{} is free to move, though {}", id, *why));
        }
    }
}

void Controller::complain(std::string what) { violations_.push_back(std::move(what)); }

const Controller::Point* Controller::find(const std::string& permissive) const {
    const auto found = std::ranges::find(points_, permissive, [](const Point& point) { return point.at.id; });
    return found == points_.end() ? nullptr : &*found;
}

void Controller::set_present(bool present) {
    const std::lock_guard lock{mutex_};
    present_ = present;
}

Movement Controller::try_move(const std::string& permissive) {
    const Movement said = movement(permissive);
    if (said == Movement::refused)
        return said;
    if (witness_)
        if (const auto why = witness_(permissive, said)) {
            const std::lock_guard lock{mutex_};
            complain(fmt::format("{} moved, though {}", permissive, *why));
        }
    force_move(permissive);
    return said;
}

void Controller::force_move(const std::string& permissive) {
    std::unique_lock lock{mutex_};
    const auto found = std::ranges::find(points_, permissive, [](const Point& point) { return point.at.id; });
    if (found == points_.end())
        return;
    ++found->pulses;
    const std::uint64_t done = scans_ + 3;
    scanned_.wait_for(lock, std::chrono::seconds(2), [&] { return scans_ >= done; });
}

void Controller::set_equipment_fault(bool fault) {
    const std::lock_guard lock{mutex_};
    fault_ = fault;
}

void Controller::restart() {
    const std::lock_guard lock{mutex_};
    for (Point& point : points_)
        point.state = protocol::plc_start(point.state);
}

void Controller::freeze(bool on) {
    const std::lock_guard lock{mutex_};
    frozen_ = on;
}

void Controller::cut() {
    if (master_)
        master_->cut(true);
    else
        server_->cut();
}

void Controller::mend() {
    if (master_)
        master_->cut(false);
    else
        server_->mend();
}

PlcState Controller::state(const std::string& permissive) const {
    const std::lock_guard lock{mutex_};
    const Point* point = find(permissive);
    return point ? point->state : PlcState{};
}

Movement Controller::movement(const std::string& permissive) const {
    return protocol::movement(state(permissive));
}

bool Controller::await(const std::string& permissive, const std::function<bool(const PlcState&)>& wanted,
                       std::chrono::milliseconds limit) const {
    std::unique_lock lock{mutex_};
    return scanned_.wait_for(lock, limit, [&] {
        const Point* point = find(permissive);
        return point && wanted(point->state);
    });
}

bool Controller::await_movement(const std::string& permissive, Movement wanted,
                                std::chrono::milliseconds limit) const {
    return await(
        permissive, [wanted](const PlcState& state) { return protocol::movement(state) == wanted; }, limit);
}

std::vector<std::string> Controller::violations() const {
    const std::lock_guard lock{mutex_};
    return violations_;
}

bool Controller::await_violations(std::size_t count, std::chrono::milliseconds limit) const {
    std::unique_lock lock{mutex_};
    return scanned_.wait_for(lock, limit, [&] { return violations_.size() >= count; });
}

std::uint16_t Controller::port() const noexcept { return server_ ? server_->port() : 0; }

}  // namespace tautgate::simulation
