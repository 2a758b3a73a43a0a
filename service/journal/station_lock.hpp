// One station, one process: the lock that a starting service takes before it writes anything anywhere. It is
// the file <journal>.lock, held through the kernel, so that it ends with the process however that ends.
// Used by main(); in doubt (the lock cannot be taken) nothing is written.
#pragma once

#include <expected>
#include <filesystem>

#include "service/journal/journal_error.hpp"

namespace tautgate::journal {

class StationLock {
  public:
    [[nodiscard]] static std::expected<StationLock, JournalError> take(const std::filesystem::path& journal);
    ~StationLock();
    StationLock(StationLock&& other) noexcept;
    StationLock& operator=(StationLock&& other) noexcept;
    StationLock(const StationLock&) = delete;
    StationLock& operator=(const StationLock&) = delete;

  private:
    explicit StationLock(int file) : file_(file) {}
    int file_ = -1;
};

}  // namespace tautgate::journal
