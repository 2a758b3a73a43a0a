// What one look at a polled tool reads: its blocks, and again what tells that they were written meanwhile.
// Belongs to one tool and its thread.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/register_plan.hpp"
#include "protocol/register_profile.hpp"
#include "service/links/register_line.hpp"

namespace tautgate::links {

class PolledBlocks {
  public:
    explicit PolledBlocks(const protocol::RegisterProfile& profile);

    struct Look {
        std::vector<std::uint16_t> words;  // of all blocks in a row
        std::vector<std::uint16_t> again;  // the second read
    };
    // The error is why the line is to be given up. Words that are `whole` already, each of them, are not read
    // a second time: nothing is being written, and a second look could tell no more.
    [[nodiscard]] std::expected<Look, std::string> look(RegisterLine& line,
                                                        std::span<const std::uint16_t> whole) const;

    // The slot of a ring with the result of this counter; nothing: it was written while it was read.
    [[nodiscard]] std::expected<std::optional<std::vector<std::uint16_t>>, std::string>
    slot(RegisterLine& line, std::uint64_t counter) const;

  private:
    [[nodiscard]] static std::expected<std::vector<std::uint16_t>, std::string>
    read(RegisterLine& line, std::span<const protocol::BlockRange> blocks);

    protocol::RegisterProfile profile_;
    std::vector<protocol::BlockRange> blocks_;
    std::optional<protocol::BlockRange> second_;  // nothing: all of them
    std::size_t second_at_ = 0;                   // where it lies in the words
};

}  // namespace tautgate::links
