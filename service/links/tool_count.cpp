#include "service/links/tool_count.hpp"

#include <algorithm>
#include <utility>

namespace tautgate::links {

ToolCount::Step ToolCount::take(ArrivedResult result, SteadyTime now) {
    Step step;
    const std::uint64_t counter = result.reading.counter;
    if (counter <= expected_) {
        step.pass_on.push_back(std::move(result));
        if (counter == expected_) {
            ++expected_;
            give_up_at_ = now + resend_time_;  // the tool is at it
            pass_held(step, false);
        }
        return step;
    }
    if (held_.empty()) {
        step.ask_from = expected_;
        give_up_at_ = now + resend_time_;
    }
    // Sending again goes in order: what comes a second time, or comes from between, has nothing before it.
    const bool nothing_before = !held_.empty() && counter <= held_.rbegin()->first;
    const auto [first, last] = held_.equal_range(counter);
    const bool known = std::any_of(first, last, [&](const auto& held) {
        return held.second.reading.received.raw == result.reading.received.raw;
    });
    if (!known)
        held_.emplace(counter, std::move(result));
    if (nothing_before)
        pass_held(step, true);
    return step;
}

ToolCount::Step ToolCount::look(SteadyTime now) {
    Step step;
    if (!held_.empty() && now >= give_up_at_)
        pass_held(step, true);
    return step;
}

void ToolCount::pass_held(Step& step, bool over_gaps) {
    while (!held_.empty() && (over_gaps || held_.begin()->first <= expected_)) {
        auto first = held_.extract(held_.begin());
        expected_ = first.key() + 1;
        step.pass_on.push_back(std::move(first.mapped()));
    }
}

}  // namespace tautgate::links
