#include "tests/link_errors/frame_dialect.hpp"

namespace tautgate::link_errors {

namespace {

// More results than a stand has made when it is renewed.
constexpr std::uint64_t numbers_in_use = 2000;

[[nodiscard]] std::uint32_t any_number(Dice& dice) {
    return static_cast<std::uint32_t>(1 + dice.below(numbers_in_use));
}

}  // namespace

FramedResult draw_framed_result(Dice& dice) {
    return {.epoch = 0,
            .counter = 0,
            .torque = static_cast<std::uint16_t>(dice.below(4000)),
            .angle = static_cast<std::uint16_t>(dice.below(9000)),
            .ok = !dice.one_in(4),
            .program = static_cast<std::uint8_t>(1 + dice.below(8))};
}

std::optional<Bytes> FrameDialect::masquerade(Way way, const Bytes& frame, Dice& dice) const {
    if (way == Way::asked)
        return kind_ == FrameKind::guarded ? std::optional(stored_frame(any_number(dice))) : std::nullopt;
    const auto made = result_in(kind_, frame);
    if (!made)
        return std::nullopt;
    FramedResult forged = draw_framed_result(dice);
    forged.epoch = made->epoch;
    forged.counter = made->counter + static_cast<std::uint32_t>(dice.below(2));
    return result_frame(kind_, forged);
}

std::optional<Bytes> FrameDialect::misaddress(Way way, const Bytes& frame, Dice& dice) const {
    if (way == Way::asked)
        return kind_ == FrameKind::guarded ? std::optional(stored_frame(any_number(dice))) : std::nullopt;
    const auto epoch = static_cast<std::uint16_t>(100 + dice.below(1000));
    if (!result_in(kind_, frame))
        return kind_ == FrameKind::guarded ? std::optional(sign_of_life(kind_, epoch, any_number(dice)))
                                           : std::nullopt;
    FramedResult foreign = draw_framed_result(dice);
    foreign.epoch = epoch;
    foreign.counter = any_number(dice);
    return result_frame(kind_, foreign);
}

}  // namespace tautgate::link_errors
