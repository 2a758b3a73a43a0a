// Cuts what comes from a tool into frames and takes their ends and checksums off. Whatever comes, memory is
// bounded by the longest frame, and time by the number of bytes, not by the length of the frames that might
// begin in them; what is no frame is handed out as garbage, with the reason, and the next frame is found
// again: after the next delimiter, at the next start, or after a pause. Pure; one connection, one thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/frame_profile.hpp"
#include "protocol/stretch_sums.hpp"

namespace tautgate::protocol {

struct WholeFrame {
    std::string content;  // without start, length, checksum, end and escapes
    std::string raw;      // as it came
    bool operator==(const WholeFrame&) const = default;
};
// Bytes in a row that are no frame, or a frame whose checksum is wrong. `raw` is cut at 256 bytes, `bytes` is
// how many there were.
struct Garbage {
    std::string raw;
    std::size_t bytes = 0;
    std::string why;
    std::string remedy;
    bool operator==(const Garbage&) const = default;
};
using Cut = std::variant<WholeFrame, Garbage>;

class FrameSplitter {
  public:
    // check(profile) found nothing; the profile outlives the splitter.
    explicit FrameSplitter(const FrameProfile& profile);

    // In the order of the wire. Bytes may be cut anywhere; an empty frame (two delimiters in a row) is passed
    // over.
    [[nodiscard]] std::vector<Cut> take(std::string_view bytes);
    // Nothing came for the profile's pause, or the connection ended: a frame that has begun is garbage.
    [[nodiscard]] std::vector<Cut> give_up();
    // Whether a frame has begun, or garbage is still going on.
    [[nodiscard]] bool half() const noexcept { return half_frame() || garbage_.bytes != 0; }
    // Bytes that were looked at since the beginning, one that was looked at twice twice.
    [[nodiscard]] std::uint64_t looked_at() const noexcept { return looked_at_; }

  private:
    void scan(std::vector<Cut>& cuts, bool over);
    void skip(std::string_view bytes, std::string_view why, std::string_view remedy);
    void end_garbage(std::vector<Cut>& cuts);
    void pass(std::size_t bytes);
    void drop_done();
    [[nodiscard]] bool half_frame() const noexcept { return done_ < rest_.size(); }

    const FrameProfile* profile_;
    std::string rest_;
    std::size_t done_ = 0;             // bytes of the rest that are dealt with
    std::size_t searched_ = 0;         // bytes behind those in which no end was found
    std::optional<StretchSums> sums_;  // of the rest, where a length says which stretch is a frame
    bool lost_ = false;                // nobody knows where the next frame begins
    Garbage garbage_;                  // that is still going on
    std::uint64_t looked_at_ = 0;
};

// The checksum of these bytes; one of 8 bits in the lower half.
[[nodiscard]] std::uint16_t checksum_of(ChecksumKind kind, std::string_view bytes) noexcept;
[[nodiscard]] bool is_crc(ChecksumKind kind) noexcept;

}  // namespace tautgate::protocol
