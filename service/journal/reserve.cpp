#include "service/journal/reserve.hpp"

#include <algorithm>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <unistd.h>

namespace tautgate::journal {
namespace {

constexpr std::uint64_t mib = 1024 * 1024;

JournalError error(const std::filesystem::path& path, const std::string& doing, const std::error_code& why) {
    const bool full = why == std::errc::no_space_on_device;
    return {.fault = full ? JournalFault::disk_full : JournalFault::cannot_open,
            .path = path.string(),
            .what = doing + ": " + why.message(),
            .remedy = full
                          ? "make room on this disk"
                          : "see that the folder exists and that the service's user may read and write in it",
            .event = std::nullopt};
}

}  // namespace

SpaceLevel space_level(std::uint64_t free_bytes, std::uint64_t all_bytes,
                       std::uint64_t reserve_bytes) noexcept {
    if (free_bytes < reserve_bytes)
        return SpaceLevel::at_reserve;
    if (free_bytes < std::min(all_bytes / 10, 512 * mib))
        return SpaceLevel::very_low;
    if (free_bytes < std::min(all_bytes / 5, 2048 * mib))
        return SpaceLevel::low;
    return SpaceLevel::ample;
}

std::expected<Space, JournalError> space_beside(const std::filesystem::path& journal,
                                                std::uint64_t reserve_bytes) {
    const auto folder = journal.has_parent_path() ? journal.parent_path() : std::filesystem::path(".");
    std::error_code why;
    const auto space = std::filesystem::space(folder, why);
    if (why)
        return std::unexpected(error(folder, "the room on this disk cannot be asked for", why));
    return Space{.free_bytes = space.available,
                 .all_bytes = space.capacity,
                 .level = space_level(space.available, space.capacity, reserve_bytes)};
}

Reserve::Reserve(std::filesystem::path path, std::uint64_t bytes) : path_(std::move(path)), bytes_(bytes) {}

std::expected<Reserve, JournalError> Reserve::keep(const std::filesystem::path& journal,
                                                   std::uint64_t bytes) {
    const std::filesystem::path path = journal.string() + ".reserve";
    const int file = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    if (file < 0)
        return std::unexpected(error(path, "the reserve cannot be opened", {errno, std::generic_category()}));
    const int code = bytes == 0 ? 0 : ::posix_fallocate(file, 0, static_cast<off_t>(bytes));
    ::close(file);
    if (code != 0) {
        std::error_code ignored;  // the half-made file only takes room
        std::filesystem::remove(path, ignored);
        return std::unexpected(error(path, "the reserve cannot be kept", {code, std::generic_category()}));
    }
    return Reserve(path, bytes);
}

bool Reserve::give_up() noexcept {
    std::error_code why;
    const bool given = std::filesystem::remove(path_, why);
    bytes_ = 0;
    return given && !why;
}

}  // namespace tautgate::journal
