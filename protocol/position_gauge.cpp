#include "protocol/position_gauge.hpp"

#include <utility>

namespace tautgate::protocol {

std::optional<PositionNews> PositionGauge::look(std::chrono::nanoseconds at, std::uint16_t number) {
    const std::chrono::nanoseconds before = std::exchange(looked_, at).value_or(at);
    if (!candidate_ || candidate_->number != number)
        candidate_ = Candidate{number, before, at};
    if (told_ && *told_ != number) {
        told_.reset();
        return PositionNews{std::nullopt, candidate_->before, candidate_->since};
    }
    if (told_ || number == 0 || at - candidate_->since < debounce_)
        return std::nullopt;
    told_ = number;
    return PositionNews{number, candidate_->before, candidate_->since};
}

std::optional<PositionNews> PositionGauge::end() {
    candidate_.reset();
    const auto last = std::exchange(looked_, std::nullopt);
    if (!std::exchange(told_, std::nullopt) || !last)
        return std::nullopt;
    return PositionNews{std::nullopt, *last, *last};
}

}  // namespace tautgate::protocol
