// A Modbus server for the simulated devices, over TCP or over a pseudo-terminal as a serial line: registers
// and bits behind a lock, served by a thread of its own. It can be made to fail as devices do: no connection,
// no answer, a late answer.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace tautgate::simulation {

struct RegisterRequest {
    bool writes = false;
    bool bits = false;  // of coils or discrete inputs
    std::uint16_t address = 0;
    std::uint16_t count = 0;
    [[nodiscard]] bool touches(std::uint16_t first, std::uint16_t length) const noexcept {
        return address < first + length && first < address + count;
    }
};

class RegisterServer {
  public:
    // Both run on the server's thread with the registers locked; `registers` may be changed.
    struct Hooks {
        std::function<void(const RegisterRequest&, std::span<std::uint16_t> registers)> before_answer;
        std::function<void(const RegisterRequest&, std::span<std::uint16_t> registers)> after_answer;
        // Answers in place of the registers, in whole frames; an empty one is silence, nothing leaves the
        // request to the registers.
        std::function<std::optional<std::string>(std::string_view request)> answer_instead = {};
    };
    // Registers, and bits. Holding and input registers show the same ones, so do coils and discrete inputs.
    static constexpr std::size_t size = 2048;

    // Port 0: any free one. The error is one sentence.
    [[nodiscard]] static std::expected<std::unique_ptr<RegisterServer>, std::string>
    open(const std::string& host, std::uint16_t port, Hooks hooks);
    // A serial line of its own, with one device of this unit on it.
    [[nodiscard]] static std::expected<std::unique_ptr<RegisterServer>, std::string>
    open_serial(std::uint8_t unit, Hooks hooks);
    ~RegisterServer();
    RegisterServer(const RegisterServer&) = delete;
    RegisterServer& operator=(const RegisterServer&) = delete;
    RegisterServer(RegisterServer&&) = delete;
    RegisterServer& operator=(RegisterServer&&) = delete;

    [[nodiscard]] std::uint16_t port() const noexcept;
    // The path by which a station opens the serial line; empty over TCP.
    [[nodiscard]] const std::string& device() const noexcept;
    [[nodiscard]] std::vector<std::uint16_t> read(std::uint16_t address, std::uint16_t count) const;
    void write(std::uint16_t address, std::span<const std::uint16_t> words);
    // Runs with the registers locked, so that a master sees all of it or nothing.
    void change(const std::function<void(std::span<std::uint16_t> registers)>& work);
    // Only from within `change` and the hooks.
    [[nodiscard]] std::span<std::uint8_t> bits() noexcept;

    // Connections are closed, when this returns, and no new one is served until mended.
    void cut();
    void mend();
    // Requests are read and not answered.
    void mute(bool on);
    // Every answer comes this late.
    void answer_after(std::chrono::milliseconds delay);

  private:
    class Wire;
    explicit RegisterServer(std::unique_ptr<Wire> wire);
    std::unique_ptr<Wire> wire_;
};

}  // namespace tautgate::simulation
