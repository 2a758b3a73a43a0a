// A simulated tool in another process and, where the system lets us, in a network of its own, whose cable can
// be pulled: what is sent to it then is neither answered nor refused. Where no such network may be made the
// process is stopped instead, which is the same for whoever waits for an answer, and is said.
//
// Make it before the test has threads: it forks, and the whole test moves into a network of its own.
#pragma once

#include <cstdint>
#include <string>

#include <sys/types.h>

#include "protocol/register_profile.hpp"

namespace tautgate::faults {

class FarDevice {
  public:
    explicit FarDevice(const protocol::RegisterProfile& profile);
    ~FarDevice();
    FarDevice(const FarDevice&) = delete;
    FarDevice& operator=(const FarDevice&) = delete;
    FarDevice(FarDevice&&) = delete;
    FarDevice& operator=(FarDevice&&) = delete;

    [[nodiscard]] const std::string& host() const noexcept { return host_; }
    [[nodiscard]] std::uint16_t port() const noexcept { return port_; }
    [[nodiscard]] bool has_its_own_network() const noexcept { return own_network_; }

    void make_result();
    void pull_cable();
    void plug_cable();

  private:
    void tell(char order);

    pid_t device_ = -1;
    int orders_ = -1;
    int words_ = -1;
    std::string host_ = "127.0.0.1";
    std::uint16_t port_ = 0;
    bool own_network_ = false;
};

}  // namespace tautgate::faults
