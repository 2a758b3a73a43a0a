// How the input of an I/O module is read: where it stands, what its word says, and by what it is measured.
// The service and the person who wires the module see it by the same rules. Pure; any thread.
#pragma once

#include <cstdint>
#include <variant>

#include "config/station.hpp"
#include "protocol/position_gauge.hpp"
#include "protocol/pulse_count.hpp"
#include "protocol/pulse_gauge.hpp"
#include "protocol/register_plan.hpp"

namespace tautgate::config {

using InputGauge =
    std::variant<protocol::PulseGauge, protocol::PulseCount, protocol::PositionGauge, protocol::Debouncer>;

[[nodiscard]] inline protocol::FieldPlace place_of(const IoInput& input) {
    return {input.table, input.number, 1};
}

// Of a contact: whether it is on, by the word that stands at its place.
[[nodiscard]] inline bool is_active(const IoInput& input, std::uint16_t word) {
    const bool high =
        protocol::is_bit_table(input.table) ? word != 0 : ((word >> input.bit.value_or(0)) & 1U) != 0;
    return high != input.active_low;
}

// Of a click or a push button; nullptr: it is neither.
[[nodiscard]] inline const PulseInput* pulse_of(const IoInput& input) {
    if (const auto* button = std::get_if<ButtonInput>(&input.use))
        return &button->pulse;
    return std::get_if<PulseInput>(&input.use);
}

[[nodiscard]] inline InputGauge gauge_of(const IoInput& input) {
    if (const auto* pulse = pulse_of(input))
        return protocol::PulseGauge{
            {.debounce = input.debounce, .shortest = pulse->shortest, .longest = pulse->longest}};
    if (const auto* count = std::get_if<CountInput>(&input.use))
        return protocol::PulseCount{count->highest, count->least_apart};
    if (std::holds_alternative<ArmInput>(input.use))
        return protocol::PositionGauge{input.debounce};
    return protocol::Debouncer{input.debounce};
}

}  // namespace tautgate::config
