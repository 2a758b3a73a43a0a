#include "protocol/pulse_gauge.hpp"

#include <utility>

#include <fmt/format.h>

namespace tautgate::protocol {

// ---- the level ----------------------------------------------------------------------------------------

std::optional<SettledLevel> Debouncer::look(PulseTime at, bool active) {
    const PulseTime before = looked_.value_or(at);
    looked_ = at;
    if (!candidate_ || candidate_->active != active)
        candidate_ = SettledLevel{active, at, before};
    const bool news = !settled_ || settled_->active != active;
    if (!news)
        held_ = at;
    if (!news || at - candidate_->since < debounce_)
        return std::nullopt;
    settled_ = candidate_;
    held_ = at;
    return settled_;
}

void Debouncer::forget() noexcept {
    settled_.reset();
    candidate_.reset();
    looked_.reset();
}

// ---- as text --------------------------------------------------------------------------------------------

std::string pulse_text(PulseTime length, std::optional<PulseTime> limit) {
    constexpr int of_a_nanosecond = 6;
    const auto with = [](PulseTime time, int digits) {
        return fmt::format("{:.{}f} ms", std::chrono::duration<double, std::milli>(time).count(), digits);
    };
    int digits = 1;
    while (limit && *limit != length && digits < of_a_nanosecond &&
           with(length, digits) == with(*limit, digits))
        ++digits;
    return with(length, digits);
}

// ---- the pulse ----------------------------------------------------------------------------------------

std::optional<PulseNews> PulseGauge::look(PulseTime at, bool active) {
    std::optional<PulseNews> news;
    if (looked_ && at - *looked_ > limits_.shortest)
        news = give_up(at - *looked_);
    looked_ = at;
    if (const auto level = level_.look(at, active)) {
        auto ended = settle(*level);
        return ended ? ended : news;
    }
    if (pulse_ && !told_still_on_ && active && at - pulse_->since > limits_.longest) {
        told_still_on_ = true;
        return StillOn{at - pulse_->since};
    }
    return news;
}

std::optional<PulseNews> PulseGauge::end() {
    looked_.reset();
    return give_up(PulseTime::zero());
}

std::optional<PulseNews> PulseGauge::give_up(PulseTime unwatched) {
    level_.forget();
    const bool cut = std::exchange(pulse_, std::nullopt).has_value();
    told_still_on_ = false;
    return cut ? std::optional<PulseNews>(CutOff{unwatched}) : std::nullopt;
}

// `before` of the very first level is its own look: nobody saw it begin.
std::optional<PulseNews> PulseGauge::settle(const SettledLevel& level) {
    if (level.active) {
        const bool seen_to_begin = level.before < level.since;
        pulse_ = seen_to_begin ? std::optional(level) : std::nullopt;
        return std::nullopt;
    }
    if (!pulse_)
        return std::nullopt;
    PulseNews news = measured(level.since);
    pulse_.reset();
    told_still_on_ = false;
    return news;
}

PulseNews PulseGauge::measured(PulseTime end) const {
    const PulseTime length = end - pulse_->since;
    if (length < limits_.shortest)
        return TooShort{length};
    if (length > limits_.longest)
        return TooLong{length};
    return GoodPulse{pulse_->before, pulse_->since, length};
}

}  // namespace tautgate::protocol
