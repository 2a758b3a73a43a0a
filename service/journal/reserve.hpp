// Room on the journal's disk: how much is left, and a file that keeps some of it for the last records. When
// the disk is full the reserve is given up, so that the next start can still write why the station is
// withheld. Any thread; the caller holds the station's lock.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>

#include "service/journal/journal_error.hpp"

namespace tautgate::journal {

// Of the disk that holds the journal.
enum class SpaceLevel : std::uint8_t {
    ample,
    low,        // below 20 % or 2 GiB, whichever is less: plan to make room
    very_low,   // below 10 % or 512 MiB, whichever is less: make room today
    at_reserve  // less is left than the reserve needs: the station withholds
};

struct Space {
    std::uint64_t free_bytes = 0;  // for the service's user
    std::uint64_t all_bytes = 0;
    SpaceLevel level = SpaceLevel::at_reserve;
};

// What a station keeps.
inline constexpr std::uint64_t reserve_kept = 8ULL * 1024 * 1024;

// Pure: which level the numbers mean.
[[nodiscard]] SpaceLevel space_level(std::uint64_t free_bytes, std::uint64_t all_bytes,
                                     std::uint64_t reserve_bytes) noexcept;
[[nodiscard]] std::expected<Space, JournalError> space_beside(const std::filesystem::path& journal,
                                                              std::uint64_t reserve_bytes);

class Reserve {
  public:
    // <journal>.reserve takes `bytes` of the disk. Where it cannot, the error says so and nothing is kept.
    [[nodiscard]] static std::expected<Reserve, JournalError> keep(const std::filesystem::path& journal,
                                                                   std::uint64_t bytes);
    // Gives the room back; true if there was some to give.
    bool give_up() noexcept;
    [[nodiscard]] std::uint64_t bytes() const noexcept { return bytes_; }

  private:
    Reserve(std::filesystem::path path, std::uint64_t bytes);
    std::filesystem::path path_;
    std::uint64_t bytes_ = 0;
};

}  // namespace tautgate::journal
