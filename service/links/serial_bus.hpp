// A serial line with Modbus RTU on it (MODBUS over Serial Line V1.02), shared by the tools behind it: one
// request at a time, whoever asks. Any thread.
//
// An answer has its time, and that which the request and it take on the line; whoever trickles has no more,
// so that no device keeps the line from the others for long.
//
// An answer on such a line names its unit and function, not the request that it belongs to. So after an
// answer that did not come in time the line is left alone as long again and what came late is thrown away,
// before anybody asks anew.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <map>
#include <memory>
#include <mutex>
#include <span>
#include <string>

#include "config/station.hpp"
#include "protocol/register_plan.hpp"
#include "service/links/modbus_wire.hpp"

namespace tautgate::links {

class SerialBus {
  public:
    using Done = std::expected<void, std::string>;  // the error is the end of a sentence

    explicit SerialBus(config::SerialLine line) : line_(std::move(line)) {}

    // Opens the device if it is not open. The error is one sentence that names it and the remedy.
    [[nodiscard]] Done open();
    [[nodiscard]] Done read(std::uint8_t unit, const protocol::BlockRange& block,
                            std::span<std::uint16_t> into, std::chrono::milliseconds answer_within);
    [[nodiscard]] Done write(std::uint8_t unit, std::uint16_t address, std::span<const std::uint16_t> words,
                             std::chrono::milliseconds answer_within);
    [[nodiscard]] Done write_coil(std::uint8_t unit, std::uint16_t address, bool on,
                                  std::chrono::milliseconds answer_within);

  private:
    struct Wanted {
        std::uint8_t unit;
        std::chrono::milliseconds answer_within;
        int count;          // that libmodbus gives when it is done
        std::size_t bytes;  // that the request and its answer carry
    };
    // Waits for the turn, then runs `ask`, which gives what libmodbus gives: -1 with errno, or the count
    // done.
    template <class Ask>
    [[nodiscard]] Done request(const Wanted& wanted, Ask ask);
    [[nodiscard]] Done open_device();
    void let_settle(std::chrono::milliseconds answer_within);

    const config::SerialLine line_;
    std::timed_mutex mutex_;
    ModbusContext context_;  // null: not open
};

// The serial lines of a station, each opened once for all tools behind it.
class SerialBuses {
  public:
    // Lines of the same device are the same line; the check of the station sees to it that they agree.
    [[nodiscard]] std::shared_ptr<SerialBus> bus(const config::SerialLine& line);

  private:
    std::mutex mutex_;
    std::map<std::string, std::shared_ptr<SerialBus>> by_device_;
};

}  // namespace tautgate::links
