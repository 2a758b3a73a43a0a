// The checksum of any stretch of bytes that came, at one small cost however long the stretch is: what is kept
// of each byte is the sum of everything up to it. Garbage in which a long frame could begin at every byte
// would otherwise cost its length for each of them, and the loop with it. Internal to this folder. Pure; one
// connection, one thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string_view>
#include <vector>

#include "protocol/frame_profile.hpp"

namespace tautgate::protocol {

class StretchSums {
  public:
    explicit StretchSums(ChecksumKind kind);

    void append(std::string_view bytes);
    // The first bytes are of no interest any more; what is behind them counts from 0 again.
    void drop(std::size_t bytes);
    // checksum_of the bytes from `from` to before `to`, at most frame_limit of them.
    [[nodiscard]] std::uint16_t of(std::size_t from, std::size_t to) const;

  private:
    ChecksumKind kind_;
    std::vector<std::uint16_t> up_to_{0};  // one more than there are bytes
};

}  // namespace tautgate::protocol
