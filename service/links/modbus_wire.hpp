// The few things that every user of libmodbus here needs: an owned connection with every wait bounded, and a
// handle that wakes a thread which waits for sockets. One thread at a time.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <memory>
#include <string>

#include "service/links/freshness.hpp"

struct _modbus;
using modbus_t = struct _modbus;  // NOLINT(readability-identifier-naming): libmodbus names it

namespace tautgate::links {

struct FreeModbus {
    void operator()(modbus_t* context) const noexcept;
};
using ModbusContext = std::unique_ptr<modbus_t, FreeModbus>;

// Connects; no wait for an answer, nor the one for the connection, is longer than `answer_within`. Error
// recovery of the library is off: after any error the caller closes the connection, so that a late answer
// never serves the next request. The error is one sentence.
[[nodiscard]] std::expected<ModbusContext, std::string>
dial(const std::string& host, std::uint16_t port, std::uint8_t unit, std::chrono::milliseconds answer_within);

// For a whole answer, to its last byte: one that trickles ends with it, too. False: the library refuses, and
// errno says why.
[[nodiscard]] bool set_answer_time(modbus_t* context, std::chrono::milliseconds answer_within);

// What the library says of the last error, in words that make sense to the reader of a health page.
[[nodiscard]] std::string last_modbus_error();

// What an exception code of section 7 (MODBUS Application Protocol V1.1b3) says, as the end of a sentence.
[[nodiscard]] std::string refusal(std::uint8_t code);

// Wakes one thread that waits in `wait`. `wake` may be called by any thread and never blocks.
class Waker {
  public:
    Waker();
    ~Waker();
    Waker(const Waker&) = delete;
    Waker& operator=(const Waker&) = delete;
    Waker(Waker&&) = delete;
    Waker& operator=(Waker&&) = delete;

    void wake() const noexcept;
    // Until woken or `until` has come, whichever is first.
    void wait(SteadyTime until) const noexcept;
    // For a thread that waits for other handles too: readable while woken.
    [[nodiscard]] int handle() const noexcept { return handle_; }
    void clear() const noexcept;

  private:
    int handle_;
};

// For poll: milliseconds until then, rounded up, between 0 and a minute.
[[nodiscard]] int poll_timeout(SteadyTime now, SteadyTime until) noexcept;

}  // namespace tautgate::links
