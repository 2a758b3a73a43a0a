#include "service/links/tool_talk.hpp"

#include <utility>

namespace tautgate::links {

void ToolTalk::connected() {
    told_at_.reset();
    reported_.reset();
    followed_ = false;
}

std::optional<RunOrder> ToolTalk::to_tell(SteadyTime now) const {
    const bool rests_already = told_at_ && followed_ && !told_.enabled;
    if (order_.number == domain::EventNumber{} && rests_already)
        return std::nullopt;
    const bool is_new = !told_at_ || told_ != order_;
    const bool ignored = !is_new && !followed_ && now - *told_at_ >= answer_within_;
    return is_new || ignored ? std::optional(order_) : std::nullopt;
}

void ToolTalk::told(SteadyTime now) {
    if (!told_at_ || told_ != order_) {
        followed_ = false;
        first_told_at_ = now;
    }
    told_ = order_;
    told_at_ = now;
}

bool ToolTalk::follows(const RunSeen& seen) const {
    const bool as_wanted = !told_.enabled || told_.program.empty() || seen.program == told_.program;
    return seen.enabled == told_.enabled && as_wanted;
}

std::optional<interlock::ToolControlSeen> ToolTalk::hear(const RunSeen& seen, SteadyTime now) {
    if (!told_at_ || told_.number == domain::EventNumber{})
        return std::nullopt;
    const bool had_followed = std::exchange(followed_, follows(seen));
    // It may still be about to do as it was told. What it had followed and does no more is news at once.
    if (!followed_ && !had_followed && now - first_told_at_ < answer_within_)
        return std::nullopt;
    interlock::ToolControlSeen word{tool_,        told_.number, seen.enabled,
                                    seen.program, seen.epoch,   seen.counter};
    const bool counts = !told_.enabled;  // only at rest does the place of its count matter
    if (reported_ && !counts)
        word.counter = reported_->counter;
    if (reported_ == word)
        return std::nullopt;
    word.counter = seen.counter;
    reported_ = word;
    return word;
}

}  // namespace tautgate::links
