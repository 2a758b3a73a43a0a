#include "service/links/refusals.hpp"

#include <limits>
#include <utility>

namespace tautgate::links {

using interlock::InputRefused;

std::optional<InputRefused> Refusals::add(SteadyTime now, std::string raw, std::string why) {
    if (!waiting_)
        waiting_ = InputRefused{source_, std::move(raw), std::move(why), 1};
    else if (waiting_->count < std::numeric_limits<std::uint32_t>::max())
        ++waiting_->count;
    return due(now);
}

std::optional<InputRefused> Refusals::due(SteadyTime now) {
    if (!waiting_ || (told_ && now - *told_ < quiet))
        return std::nullopt;
    told_ = now;
    return rest();
}

std::optional<InputRefused> Refusals::rest() { return std::exchange(waiting_, std::nullopt); }

}  // namespace tautgate::links
