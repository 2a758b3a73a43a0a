// A device that serves holding registers over Modbus TCP, as lean as it can be: nothing lies between the
// arrival of a request and its stamp. The controller of the equipment is one that runs the PLC's rule; a
// polled tool shows its results.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/permissive_block.hpp"
#include "tools/benchmark/shop.hpp"

namespace tautgate::benchmark {

class RegisterDevice : public Device {
  public:
    explicit RegisterDevice(std::uint16_t port);

    [[nodiscard]] std::vector<int> handles() const override;
    bool readable(int handle) override;
    void look(Clock::time_point now) override;
    [[nodiscard]] std::uint64_t requests() const noexcept { return requests_; }

  protected:
    [[nodiscard]] std::span<std::uint16_t> registers() noexcept { return registers_; }
    virtual void before_read() {}
    virtual void written(Clock::time_point /*at*/) {}

  private:
    struct Peer {
        Socket socket;
        std::vector<std::uint8_t> pending;
    };
    [[nodiscard]] bool serve(Peer& peer, Clock::time_point at);
    [[nodiscard]] std::vector<std::uint8_t> answer(std::span<const std::uint8_t> request,
                                                   Clock::time_point at);

    Socket listener_;
    std::vector<Peer> peers_;
    std::array<std::uint16_t, 256> registers_{};
    std::uint64_t requests_ = 0;
};

// A polled tool whose results stand from register 100 on, as the benchmark's profile lays them out.
class PolledTool : public RegisterDevice {
  public:
    explicit PolledTool(std::uint16_t port);
    // One more result, the values before its count.
    void make();
    [[nodiscard]] std::uint64_t made() const noexcept { return made_; }

  private:
    std::uint64_t made_ = 0;
};

// The controller of one bay. Its permissive blocks start at register 0, its feedback blocks at 128; the first
// permissive is the one that is watched.
class ControllerDevice : public RegisterDevice {
  public:
    static constexpr std::uint16_t permissive_address = 0;
    static constexpr std::uint16_t feedback_address = 128;

    ControllerDevice(std::uint16_t port, const std::vector<protocol::BlockAddress>& permissives);
    void set_present(bool present) noexcept { present_ = present; }

    // Of the watched permissive, as it came last; withheld before the first.
    [[nodiscard]] protocol::Code code() const noexcept { return code_; }
    // When the code came that it has now.
    [[nodiscard]] Clock::time_point changed() const noexcept { return changed_; }
    // Blocks that arrived, and when the first did that was good.
    [[nodiscard]] std::uint64_t blocks() const noexcept { return blocks_; }
    [[nodiscard]] std::optional<Clock::time_point> first_good() const noexcept { return first_good_; }
    // For another program at the other end: nothing has arrived yet.
    void forget();
    // What the PLC's own rule makes of it.
    [[nodiscard]] bool moves() const;

  private:
    void written(Clock::time_point at) override;
    void before_read() override;
    void scan(Clock::time_point at);
    struct Point {
        protocol::PlcSettings settings;
        protocol::PlcState state;
    };
    std::vector<Point> points_;
    bool present_ = false;
    protocol::Code code_ = protocol::Code::withheld;
    Clock::time_point changed_{};
    std::uint64_t blocks_ = 0;
    std::optional<Clock::time_point> first_good_;
};

}  // namespace tautgate::benchmark
