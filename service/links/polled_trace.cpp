#include "service/links/polled_trace.hpp"

#include <span>
#include <utility>

#include <fmt/format.h>

#include "protocol/register_decode.hpp"

namespace tautgate::links {

using protocol::BlockRange;

PolledTrace::PolledTrace(const protocol::RegisterProfile& profile, std::chrono::milliseconds patience)
    : profile_(profile), patience_(patience) {}

std::string PolledTrace::expect(Key result, SteadyTime now) {
    if (!profile_.trace)
        return {};
    std::string lost;
    if (wanted_)
        lost = give_up(fmt::format("result {} came before it was read", result.counter)).lost;
    wanted_ = Wanted{.result = std::move(result), .until = now + patience_};
    return lost;
}

PolledTrace::StepOr PolledTrace::step(RegisterLine& line, SteadyTime now) {
    if (!wanted_)
        return Step{};
    if (!reading_)
        return begin(line, now);
    if (reading_->next < reading_->plan.blocks.size())
        return read_block(line);
    return finish(line);
}

std::expected<std::vector<std::uint16_t>, std::string> PolledTrace::read_head(RegisterLine& line) const {
    const BlockRange block = protocol::trace_head(profile_);
    std::vector<std::uint16_t> words(block.length);
    if (auto done = line.read(block, words); !done)
        return std::unexpected(std::move(done.error()));
    return words;
}

// A tool may show the result before its curve. None at all is said by a count of nought.
PolledTrace::StepOr PolledTrace::begin(RegisterLine& line, SteadyTime now) {
    auto words = read_head(line);
    if (!words)
        return std::unexpected(std::move(words.error()));
    const auto head = protocol::trace_head_in(profile_, *words);
    if (!head)
        return give_up(head.error());
    const std::uint64_t shown = protocol::raw_count(*profile_.counter, wanted_->result.counter);
    if (head->belongs_to != shown) {
        if (now < wanted_->until)
            return Step{};
        return give_up(fmt::format("the tool shows that of count {}", head->belongs_to));
    }
    if (head->samples == 0) {
        wanted_.reset();
        return Step{};
    }
    reading_ = Reading{.head = std::move(*words),
                       .plan = protocol::plan_trace(profile_, head->samples),
                       .next = 0,
                       .words = {}};
    return Step{};
}

PolledTrace::StepOr PolledTrace::read_block(RegisterLine& line) {
    const BlockRange block = reading_->plan.blocks[reading_->next];
    std::vector<std::uint16_t>& words = reading_->words;
    const std::size_t before = words.size();
    words.resize(before + block.length);
    if (auto done = line.read(block, std::span(words).subspan(before)); !done)
        return std::unexpected(std::move(done.error()));
    ++reading_->next;
    return Step{};
}

PolledTrace::StepOr PolledTrace::finish(RegisterLine& line) {
    constexpr int most_tries = 3;
    const auto again = read_head(line);
    if (!again)
        return std::unexpected(again.error());
    Reading read = *std::exchange(reading_, std::nullopt);
    if (*again != read.head) {
        if (++wanted_->tries < most_tries)
            return Step{};
        return give_up("it was written anew each time while it was read");
    }
    read.head.insert(read.head.end(), read.words.begin(), read.words.end());
    auto trace = protocol::decode_samples(read.plan.layout, protocol::wire_bytes(read.head), profile_.range);
    if (!trace)
        return give_up(trace.error());
    Step step;
    step.found = Found{std::exchange(wanted_, std::nullopt)->result, std::move(*trace)};
    return step;
}

PolledTrace::Step PolledTrace::give_up(const std::string& why) {
    reading_.reset();
    const auto result = std::exchange(wanted_, std::nullopt);
    return {.found = std::nullopt,
            .lost = fmt::format("the curve of result {} is not kept: {}", result->result.counter, why)};
}

}  // namespace tautgate::links
