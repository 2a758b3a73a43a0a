// A tool with the line protocol that says what it is told to say, and notes what was acknowledged. It never
// judges: what it sends are runs whose values are good, or loosenings.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

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
    explicit LineTool(std::string id) : id_(std::move(id)) {}

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
    std::string id_;
    std::string epoch_ = "1";
    std::uint64_t counter_ = 0;  // of the newest result
    std::uint64_t stored_ = 0;
    bool welcomed_ = false;
    Socket socket_;
    std::string pending_;
    Clock::time_point said_{};
};

}  // namespace tautgate::benchmark
