#include "service/links/backoff.hpp"

#include <algorithm>

namespace tautgate::links {

std::chrono::milliseconds Backoff::next() {
    ceiling_ = std::min(ceiling_ * 2, limits_.cap);
    const auto low = limits_.floor.count();
    return std::chrono::milliseconds(
        std::uniform_int_distribution<std::int64_t>(low, std::max(low, ceiling_.count()))(chance_));
}

void Backoff::ended_after(std::chrono::milliseconds lasted) {
    if (lasted >= limits_.proven)
        ceiling_ = limits_.floor;
}

}  // namespace tautgate::links
