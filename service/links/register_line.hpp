// A way to the registers of one polled tool: over TCP, or over a serial line that several tools may share.
// Each call asks and waits for the answer; after any error the caller gives the line up and opens another, so
// that a late answer never serves another request. One thread at a time.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <memory>
#include <span>
#include <string>

#include "config/station.hpp"
#include "protocol/register_plan.hpp"

namespace tautgate::links {

class SerialBuses;

class RegisterLine {
  public:
    using Done = std::expected<void, std::string>;  // the error is the end of a sentence

    RegisterLine() = default;
    virtual ~RegisterLine() = default;
    RegisterLine(const RegisterLine&) = delete;
    RegisterLine& operator=(const RegisterLine&) = delete;
    RegisterLine(RegisterLine&&) = delete;
    RegisterLine& operator=(RegisterLine&&) = delete;

    // `into` is as long as the block; a coil or a discrete input comes as a word of 0 or 1.
    [[nodiscard]] virtual Done read(const protocol::BlockRange& block, std::span<std::uint16_t> into) = 0;
    [[nodiscard]] virtual Done write(std::uint16_t address, std::span<const std::uint16_t> words) = 0;
    [[nodiscard]] virtual Done write_coil(std::uint16_t address, bool on) = 0;
};

// Connects, or takes a place at the serial line. No wait is longer than `answer_within`, but for the turn at
// a shared line.
[[nodiscard]] std::expected<std::unique_ptr<RegisterLine>, std::string>
open_line(const config::RegisterLink& link, std::chrono::milliseconds answer_within, SerialBuses& buses);

}  // namespace tautgate::links
