#include "service/links/freshness.hpp"

#include <utility>

#include <fmt/format.h>

namespace tautgate::links {

using interlock::Quality;

bool Freshness::silent(SteadyTime now) const { return !last_sign_ || now - *last_sign_ > limits_.silence; }

std::optional<QualityChange> Freshness::alive(SteadyTime now) {
    // Silence that nobody has looked at was silence all the same.
    std::optional<QualityChange> change = look(now);
    last_sign_ = now;
    if (quality_ == Quality::good)
        return change;
    if (!settling_since_)
        settling_since_ = now;
    if (now - *settling_since_ < limits_.settling)
        return change;
    if (change)  // told a moment ago, and already over: one change after the other, the next sign brings it
        return change;
    return become(now, Quality::good, "it has given signs of life throughout the settling time");
}

std::optional<QualityChange> Freshness::failed(SteadyTime now, std::string why) {
    ++counts_.failures;
    const bool was_settling = std::exchange(settling_since_, std::nullopt).has_value();
    if (quality_ == Quality::failed && !was_settling && why == why_)
        return look(now);
    return become(now, Quality::failed, std::move(why));
}

std::optional<QualityChange> Freshness::look(SteadyTime now) {
    if (silent(now)) {
        const bool was_settling = std::exchange(settling_since_, std::nullopt).has_value();
        if (quality_ == Quality::good || was_settling)
            return become(now, Quality::stale,
                          fmt::format("nothing was heard for {} ms", limits_.silence.count()));
    }
    if (untold_ > 0 && now - *told_ >= limits_.quiet)
        return tell(now);
    return std::nullopt;
}

std::optional<QualityChange> Freshness::become(SteadyTime now, Quality quality, std::string why) {
    const bool at_once = quality == Quality::good || quality_ == Quality::good || !told_;
    if (quality == Quality::good)
        ++counts_.became_good;
    else if (quality_ == Quality::good)
        ++counts_.lost;
    quality_ = quality;
    why_ = std::move(why);
    ++untold_;
    if (at_once || now - *told_ >= limits_.quiet)
        return tell(now);
    return std::nullopt;
}

std::optional<QualityChange> Freshness::tell(SteadyTime now) {
    told_ = now;
    return QualityChange{quality_, why_, std::exchange(untold_, 0)};
}

SourceHealth Freshness::health(std::string name, SteadyTime now) const {
    SourceHealth health{.name = std::move(name), .quality = quality_, .counts = counts_};
    if (last_sign_)
        health.age = std::chrono::duration_cast<std::chrono::milliseconds>(now - *last_sign_);
    if (quality_ != Quality::good)
        health.why = settling_since_ ? why_ + "; it is heard again and settling" : why_;
    return health;
}

}  // namespace tautgate::links
