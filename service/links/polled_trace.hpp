// The curve of a polled tool's newest result, read one request at a time between the polls, so that no result
// waits longer than one request for it. Belongs to one tool and its thread.
//
// In doubt there is no curve: what was written while it was read is read anew, and what cannot be had in
// time, or cannot be one, is given up with the reason. The result stands either way.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <vector>

#include "protocol/register_profile.hpp"
#include "protocol/trace_registers.hpp"
#include "service/links/freshness.hpp"
#include "service/links/register_line.hpp"

namespace tautgate::links {

class PolledTrace {
  public:
    // A profile without a trace is fine: then nothing is ever wanted. `patience`: how long the tool may take
    // to show the curve of a result that it has shown.
    explicit PolledTrace(const protocol::RegisterProfile& profile,
                         std::chrono::milliseconds patience = std::chrono::milliseconds(10'000));

    struct Key {
        std::string epoch;
        std::uint64_t counter = 0;
        bool operator==(const Key&) const = default;
    };
    struct Found {
        Key of;
        protocol::Trace trace;
    };
    struct Step {
        std::optional<Found> found;
        std::string lost;  // why a curve was given up, a sentence without its end; empty: none was
    };

    // A new result was told: its curve is wanted now. Says why the one before is given up, if it was not read
    // yet.
    [[nodiscard]] std::string expect(Key result, SteadyTime now);
    [[nodiscard]] bool wanted() const noexcept { return wanted_.has_value(); }
    // What was read so far on a line that is gone counts for nothing.
    void begin_again() { reading_.reset(); }
    // One request, if anything is wanted. The error is why the line is to be given up.
    [[nodiscard]] std::expected<Step, std::string> step(RegisterLine& line, SteadyTime now);

  private:
    struct Wanted {
        Key result;
        SteadyTime until;
        int tries = 0;
    };
    struct Reading {
        std::vector<std::uint16_t> head;
        protocol::TracePlan plan;
        std::size_t next = 0;  // block
        std::vector<std::uint16_t> words;
    };
    using StepOr = std::expected<Step, std::string>;
    [[nodiscard]] std::expected<std::vector<std::uint16_t>, std::string> read_head(RegisterLine& line) const;
    [[nodiscard]] StepOr begin(RegisterLine& line, SteadyTime now);
    [[nodiscard]] StepOr read_block(RegisterLine& line);
    [[nodiscard]] StepOr finish(RegisterLine& line);
    [[nodiscard]] Step give_up(const std::string& why);

    protocol::RegisterProfile profile_;
    std::chrono::milliseconds patience_;
    std::optional<Wanted> wanted_;
    std::optional<Reading> reading_;
};

}  // namespace tautgate::links
