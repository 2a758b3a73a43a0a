// How a polled tool is let run and chosen a program for, and how it says that it did: where the station
// writes, and which registers it reads back. Part of a register profile; plain data; pure; any thread.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/register_decode.hpp"
#include "protocol/register_plan.hpp"

namespace tautgate::protocol {

// What the tool says of itself. `program` is empty where it does not say, or says a number without a name.
struct ControlSeen {
    bool enabled = false;
    std::string program;
    bool operator==(const ControlSeen&) const = default;
};
TAUTGATE_FIELDS(ControlSeen, enabled, program);

// The profile must have a control. What is read back, apart from the results; at most two blocks.
[[nodiscard]] std::vector<BlockRange> control_reads(const RegisterProfile& profile);
// `words` are those of control_reads in a row.
[[nodiscard]] std::expected<ControlSeen, DecodeFault> decode_control(const RegisterProfile& profile,
                                                                     std::span<const std::uint16_t> words);
// The number to write for a program; nothing: the profile gives the name none.
[[nodiscard]] std::optional<std::uint16_t> program_number(const RegisterControl& control,
                                                          std::string_view name);
// The name of the program with this number; empty: the profile gives it none.
[[nodiscard]] std::string program_name(const RegisterControl& control, std::uint64_t number);
// All mistakes in the control of a profile, one each; none where it has no control.
[[nodiscard]] std::vector<ProfileFault> check_control(const RegisterProfile& profile);

}  // namespace tautgate::protocol
