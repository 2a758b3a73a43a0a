#include "tools/simulation/io_module.hpp"

#include <map>
#include <mutex>
#include <span>
#include <thread>
#include <utility>

namespace tautgate::simulation {

// Written by the server's thread.
struct IoModule::Written {
    std::mutex mutex;
    std::map<std::uint16_t, std::uint64_t> coils;
};

namespace {

template <class Counts>
RegisterServer::Hooks counting(const std::shared_ptr<Counts>& counts) {
    return {.before_answer = {},
            .after_answer = [counts](const RegisterRequest& request, std::span<std::uint16_t>) {
                if (!request.writes || !request.bits)
                    return;
                const std::lock_guard lock{counts->mutex};
                for (std::uint16_t i = 0; i < request.count; ++i)
                    ++counts->coils[static_cast<std::uint16_t>(request.address + i)];
            }};
}

}  // namespace

std::expected<IoModule, std::string> IoModule::open(const std::string& host, std::uint16_t port) {
    auto written = std::make_shared<Written>();
    auto server = RegisterServer::open(host, port, counting(written));
    if (!server)
        return std::unexpected(std::move(server.error()));
    return IoModule{std::move(written), std::move(*server)};
}

std::expected<IoModule, std::string> IoModule::open_serial(std::uint8_t unit) {
    auto written = std::make_shared<Written>();
    auto server = RegisterServer::open_serial(unit, counting(written));
    if (!server)
        return std::unexpected(std::move(server.error()));
    return IoModule{std::move(written), std::move(*server)};
}

void IoModule::set(std::uint16_t number, bool closed) {
    server_->change([&](std::span<std::uint16_t>) { server_->bits()[number] = closed ? 1 : 0; });
}

void IoModule::pulse(std::uint16_t number, std::chrono::milliseconds length) {
    set(number, true);
    std::this_thread::sleep_for(length);
    set(number, false);
}

void IoModule::bouncing_pulse(std::uint16_t number, std::chrono::milliseconds length) {
    const auto bounce = [&](bool rest) {
        for (const int lasts_ms : {2, 4, 1}) {
            set(number, !rest);
            std::this_thread::sleep_for(std::chrono::milliseconds(lasts_ms));
            set(number, rest);
            std::this_thread::sleep_for(std::chrono::milliseconds(lasts_ms));
        }
    };
    bounce(false);
    set(number, true);
    std::this_thread::sleep_for(length);
    bounce(true);
    set(number, false);
}

void IoModule::count_on(std::uint16_t number, std::uint16_t pulses) {
    server_->change([&](std::span<std::uint16_t> registers) {
        registers[number] = static_cast<std::uint16_t>(registers[number] + pulses);
    });
}

void IoModule::set_register(std::uint16_t number, std::uint16_t value) {
    server_->write(number, {&value, 1});
}

bool IoModule::coil(std::uint16_t number) const {
    bool on = false;
    server_->change([&](std::span<std::uint16_t>) { on = server_->bits()[number] != 0; });
    return on;
}

std::uint64_t IoModule::writes(std::uint16_t number) const {
    const std::lock_guard lock{written_->mutex};
    const auto found = written_->coils.find(number);
    return found == written_->coils.end() ? 0 : found->second;
}

}  // namespace tautgate::simulation
