// A simulated module of digital inputs and outputs: contacts that people and tools close, a register that
// counts pulses, coils that the station switches. Any thread may call.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <memory>
#include <string>
#include <utility>

#include "tools/simulation/register_server.hpp"

namespace tautgate::simulation {

class IoModule {
  public:
    // Port 0: any free one. The error is one sentence.
    [[nodiscard]] static std::expected<IoModule, std::string> open(const std::string& host,
                                                                   std::uint16_t port);
    // On a serial line of its own.
    [[nodiscard]] static std::expected<IoModule, std::string> open_serial(std::uint8_t unit);

    [[nodiscard]] std::uint16_t port() const noexcept { return server_->port(); }
    [[nodiscard]] const std::string& device() const noexcept { return server_->device(); }

    // A contact, as discrete input and as coil of that number.
    void set(std::uint16_t number, bool closed);
    // Closed for so long; returns when it is open again.
    void pulse(std::uint16_t number, std::chrono::milliseconds length);
    // A pulse whose contact bounces at both ends, never for longer than 4 ms.
    void bouncing_pulse(std::uint16_t number, std::chrono::milliseconds length);
    // The register of that number goes on by so many; after 65535 comes 0.
    void count_on(std::uint16_t number, std::uint16_t pulses);
    void set_register(std::uint16_t number, std::uint16_t value);
    [[nodiscard]] bool coil(std::uint16_t number) const;
    // How often the station has written the coil.
    [[nodiscard]] std::uint64_t writes(std::uint16_t number) const;

    // No connection, as when the module has no power.
    void cut() { server_->cut(); }
    void mend() { server_->mend(); }

  private:
    struct Written;
    IoModule(std::shared_ptr<Written> written, std::unique_ptr<RegisterServer> server)
        : written_(std::move(written)), server_(std::move(server)) {}
    std::shared_ptr<Written> written_;
    std::unique_ptr<RegisterServer> server_;
};

}  // namespace tautgate::simulation
