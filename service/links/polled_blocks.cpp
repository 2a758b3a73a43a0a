#include "service/links/polled_blocks.hpp"

#include <algorithm>
#include <cstddef>
#include <utility>

#include "protocol/result_watch.hpp"

namespace tautgate::links {

using protocol::BlockRange;
using Words = std::vector<std::uint16_t>;

PolledBlocks::PolledBlocks(const protocol::RegisterProfile& profile)
    : profile_(profile), blocks_(protocol::reads_of(profile)), second_(protocol::second_read_of(profile)) {
    if (second_)
        second_at_ =
            protocol::offset_in(blocks_, {second_->table, second_->start, second_->length}).value_or(0);
}

std::expected<Words, std::string> PolledBlocks::read(RegisterLine& line, std::span<const BlockRange> blocks) {
    Words words(protocol::words_in(blocks));
    std::span<std::uint16_t> rest{words};
    for (const BlockRange& block : blocks) {
        if (auto done = line.read(block, rest.first(block.length)); !done)
            return std::unexpected(std::move(done.error()));
        rest = rest.subspan(block.length);
    }
    return words;
}

std::expected<PolledBlocks::Look, std::string>
PolledBlocks::look(RegisterLine& line, std::span<const std::uint16_t> whole) const {
    auto words = read(line, blocks_);
    if (!words)
        return std::unexpected(std::move(words.error()));
    if (std::ranges::equal(*words, whole)) {
        const auto begin = words->begin() + static_cast<std::ptrdiff_t>(second_at_);
        Words again = second_ ? Words(begin, begin + second_->length) : *words;
        return Look{std::move(*words), std::move(again)};
    }
    auto again = read(line, second_ ? std::span<const BlockRange>{&*second_, 1} : std::span{blocks_});
    if (!again)
        return std::unexpected(std::move(again.error()));
    return Look{std::move(*words), std::move(*again)};
}

std::expected<std::optional<Words>, std::string> PolledBlocks::slot(RegisterLine& line,
                                                                    std::uint64_t counter) const {
    const BlockRange block = protocol::slot_of(profile_, counter);
    auto words = read(line, {&block, 1});
    if (!words)
        return std::unexpected(std::move(words.error()));
    // The count of the slot alone would not tell of a tool that writes it first.
    auto again = read(line, {&block, 1});
    if (!again)
        return std::unexpected(std::move(again.error()));
    return *words == *again ? std::optional(std::move(*words)) : std::nullopt;
}

}  // namespace tautgate::links
