#include "tests/link_errors/coil_dialect.hpp"

#include <algorithm>
#include <array>

#include "service/links/modbus_frame.hpp"

namespace tautgate::link_errors {

namespace {

constexpr std::size_t coil_write_bytes = links::frame_header + 5;

[[nodiscard]] bool reads_bits(std::uint8_t function) {
    return function == links::read_coils || function == links::read_discrete_inputs;
}

// Under the transaction and the unit of `present`.
[[nodiscard]] Bytes coil_write(const Bytes& present, CoilWrite write) {
    const auto high = [](std::uint16_t word) { return static_cast<std::uint8_t>(word >> 8U); };
    const auto low = [](std::uint16_t word) { return static_cast<std::uint8_t>(word & 0xFFU); };
    return {present.at(0),
            present.at(1),
            0,
            0,
            0,
            coil_write_bytes - 6,
            present.at(6),
            links::write_coil,
            high(write.coil),
            low(write.coil),
            static_cast<std::uint8_t>(write.on ? 0xFF : 0x00),
            0};
}

}  // namespace

std::optional<Bytes> CoilDialect::masquerade(Way way, const Bytes& frame, Dice& dice) const {
    if (frame.size() <= links::frame_header)
        return std::nullopt;
    if (way == Way::asked) {
        if (dice.one_in(4))
            return coil_write(frame, {alive_, dice.one_in(2)});
        return coil_write(frame, {releases_.at(dice.below(releases_.size())), true});
    }
    constexpr std::size_t before_bits = links::frame_header + 2;
    if (!reads_bits(function_of(frame)) || frame.size() <= before_bits || dice.one_in(4))
        return with_other_unit(frame, dice);
    Bytes spoilt = frame;
    while (spoilt == frame)
        for (std::size_t i = before_bits; i < spoilt.size(); ++i)
            spoilt[i] = static_cast<std::uint8_t>(dice.below(256));
    return spoilt;
}

std::optional<Bytes> CoilDialect::misaddress(Way way, const Bytes& frame, Dice& dice) const {
    if (frame.size() < coil_write_bytes || way == Way::answered || dice.one_in(3))
        return with_other_unit(frame, dice);
    constexpr std::array shifts{-16, -2, -1, 1, 2, 16, 90};
    return with_other_address(frame, shifts.at(dice.below(shifts.size())));
}

std::optional<CoilWrite> CoilDialect::write_in(Way way, const Bytes& frame) {
    if (way != Way::asked || frame.size() != coil_write_bytes ||
        frame[links::frame_header] != links::write_coil)
        return std::nullopt;
    return CoilWrite{links::word_at(frame, links::frame_header + 1), frame[links::frame_header + 3] != 0};
}

}  // namespace tautgate::link_errors
