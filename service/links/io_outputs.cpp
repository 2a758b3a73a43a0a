#include "service/links/io_outputs.hpp"

#include <algorithm>
#include <mutex>
#include <optional>
#include <random>
#include <string>
#include <thread>
#include <utility>
#include <variant>
#include <vector>

#include <fmt/format.h>

#include "service/links/io_inputs.hpp"
#include "service/links/modbus_wire.hpp"
#include "service/links/pace.hpp"
#include "service/links/register_line.hpp"
#include "service/links/serial_bus.hpp"

namespace tautgate::links {

using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

// A module that lost its power comes back with its coils off.
constexpr milliseconds write_again_after{1000};

[[nodiscard]] bool is_up(config::Signal signal, const interlock::Signals& signals) noexcept {
    switch (signal) {
    case config::Signal::released: return signals.released;
    case config::Signal::attention: return signals.attention;
    case config::Signal::wrong: return signals.wrong;
    case config::Signal::action: return signals.action;
    }
    std::unreachable();
}

}  // namespace

class IoOutputs::Writer {
  public:
    Writer(const config::IoModule& module, std::shared_ptr<SerialBuses> buses)
        : module_(module), link_(link_of(module)), answer_within_(answer_time(module.silence_limit)),
          // Polls may come faster than a second connection is worth.
          interval_(std::max(module.poll_interval, milliseconds(50))), buses_(std::move(buses)),
          freshness_({.silence = std::max(module.silence_limit, 2 * write_again_after),
                      .settling = milliseconds(0)}),
          redial_(std::random_device{}()), health_(freshness_) {
        written_.resize(module.outputs.size());
    }
    ~Writer() { stop(); }
    Writer(const Writer&) = delete;
    Writer& operator=(const Writer&) = delete;
    Writer(Writer&&) = delete;
    Writer& operator=(Writer&&) = delete;

    void start() {
        if (!thread_.joinable() && !module_.outputs.empty())
            thread_ = std::thread([this] { run(); });
    }
    void show(const interlock::Signals& signals) {
        {
            const std::lock_guard lock{mutex_};
            if (signals_ == signals)
                return;
            signals_ = signals;
        }
        waker_.wake();
    }
    [[nodiscard]] SourceHealth health() const {
        const std::lock_guard lock{mutex_};
        return health_.health(module_.id, steady_clock::now());
    }
    void stop() {
        {
            const std::lock_guard lock{mutex_};
            stopping_ = true;
        }
        waker_.wake();
        if (thread_.joinable())
            thread_.join();
    }

  private:
    struct Written {
        bool on = false;
        SteadyTime at{};
    };

    void run() {
        while (!stopping()) {
            const SteadyTime now = steady_clock::now();
            static_cast<void>(freshness_.look(now));
            if (!line_ && redial_.is_due(now) && !connect())
                redial_.reached_nobody(steady_clock::now());
            alive_ = !alive_;
            if (line_ && !write_all(now))
                redial_.lost(steady_clock::now());
            publish_health();
            waker_.wait(line_ ? now + interval_ : std::max(redial_.at(), now + interval_));
        }
        switch_off();
    }
    [[nodiscard]] bool stopping() const {
        const std::lock_guard lock{mutex_};
        return stopping_;
    }
    void publish_health() {
        const std::lock_guard lock{mutex_};
        health_ = freshness_;
    }

    [[nodiscard]] bool connect() {
        auto opened = open_line(link_, answer_within_, *buses_);
        if (!opened) {
            static_cast<void>(freshness_.failed(steady_clock::now(), opened.error()));
            return false;
        }
        line_ = std::move(*opened);
        redial_.began(steady_clock::now());
        std::ranges::fill(written_, std::nullopt);
        return true;
    }

    [[nodiscard]] bool wanted(const config::IoOutput& output, const interlock::Signals& signals) const {
        const auto* lamp = std::get_if<config::SignalOutput>(&output.use);
        if (lamp == nullptr)
            return alive_;
        return std::ranges::any_of(lamp->signals,
                                   [&](config::Signal signal) { return is_up(signal, signals); });
    }

    // False: the connection was lost over it.
    [[nodiscard]] bool write_all(SteadyTime now) {
        interlock::Signals signals;
        {
            const std::lock_guard lock{mutex_};
            signals = signals_;
        }
        for (std::size_t i = 0; i < module_.outputs.size(); ++i) {
            const bool on = wanted(module_.outputs[i], signals);
            auto& last = written_[i];
            if (last && last->on == on && now - last->at < write_again_after)
                continue;
            if (!write(module_.outputs[i].number, on))
                return false;
            last = Written{on, now};
        }
        return true;
    }
    [[nodiscard]] bool write(std::uint16_t number, bool on) {
        if (const auto done = line_->write_coil(number, on); !done) {
            line_.reset();
            static_cast<void>(freshness_.failed(
                steady_clock::now(), fmt::format("cannot write output {}: {}", number, done.error())));
            return false;
        }
        static_cast<void>(freshness_.alive(steady_clock::now()));
        return true;
    }
    void switch_off() {
        for (const config::IoOutput& output : module_.outputs)
            if (!line_ || !write(output.number, false))
                return;
    }

    const config::IoModule module_;
    const config::RegisterLink link_;
    const milliseconds answer_within_;
    const milliseconds interval_;
    // The thread's, once it runs.
    std::shared_ptr<SerialBuses> buses_;
    Freshness freshness_;
    Redial redial_;
    std::unique_ptr<RegisterLine> line_;           // null: none
    std::vector<std::optional<Written>> written_;  // on this connection, by output
    bool alive_ = false;
    // Both.
    Waker waker_;
    mutable std::mutex mutex_;
    Freshness health_;
    interlock::Signals signals_;
    bool stopping_ = false;
    std::thread thread_;
};

IoOutputs::IoOutputs(const config::IoModule& module, std::shared_ptr<SerialBuses> buses)
    : writer_(std::make_unique<Writer>(module, std::move(buses))) {}
IoOutputs::~IoOutputs() = default;

void IoOutputs::start() { writer_->start(); }
void IoOutputs::show(const interlock::Signals& signals) { writer_->show(signals); }
SourceHealth IoOutputs::health() const { return writer_->health(); }
void IoOutputs::stop() { writer_->stop(); }

}  // namespace tautgate::links
