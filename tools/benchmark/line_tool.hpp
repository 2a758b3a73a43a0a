// A tool with the line protocol that says what it is told to say, and notes what was acknowledged. It never
// judges: what it sends are runs whose values are good, or loosenings. With a key each of its lines bears a
// seal, as those of a tool for joints of class A do.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/line_seal.hpp"
#include "tools/benchmark/shop.hpp"

namespace tautgate::benchmark {

enum class Direction : std::uint8_t { tighten, loosen };

struct Run {
    std::string program;
    Direction direction = Direction::tighten;
    unsigned position = 1;
};

// The line of a result without its end, as a real tool would fill it.
[[nodiscard]] std::string result_line(const Run& run, std::uint64_t counter);

class LineTool : public Device {
  public:
    explicit LineTool(std::string id, std::optional<protocol::SharedKey> key = {})
        : id_(std::move(id)), key_(key) {}

    // Connects and says hello. False: nobody listens there.
    [[nodiscard]] bool connect(std::uint16_t port);
    void hang_up();
    [[nodiscard]] bool connected() const noexcept { return static_cast<bool>(socket_); }
    // The station answered the hello (the floor does not).
    [[nodiscard]] bool welcomed() const noexcept { return welcomed_; }

    // When the last byte was handed to the socket.
    Clock::time_point send(const Run& run);
    [[nodiscard]] bool acknowledged() const noexcept { return stored_ == counter_; }
    [[nodiscard]] std::uint64_t counter() const noexcept { return counter_; }
    // A fresh count, for another program at the other end.
    void begin_anew(std::string epoch);

    [[nodiscard]] std::vector<int> handles() const override;
    bool readable(int handle) override;
    void look(Clock::time_point now) override;

  private:
    void say(const std::string& line);
    void hear(std::string_view line);
    [[nodiscard]] std::string sealed(std::string line);
    [[nodiscard]] std::string_view opened(std::string_view line);
    std::string id_;
    std::optional<protocol::SharedKey> key_;
    std::string hello_;
    std::optional<protocol::LineSeal> seal_;  // from the challenge on
    std::string epoch_ = "1";
    std::uint64_t counter_ = 0;  // of the newest result
    std::uint64_t stored_ = 0;
    bool welcomed_ = false;
    Socket socket_;
    std::string pending_;
    Clock::time_point said_{};
};

}  // namespace tautgate::benchmark
