#include "service/journal/station_lock.hpp"

#include <cerrno>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <unistd.h>

#include "config/whole_file.hpp"

namespace tautgate::journal {

std::expected<StationLock, JournalError> StationLock::take(const std::filesystem::path& journal) {
    const std::string path = journal.string() + ".lock";
    const auto refuse = [&](JournalFault fault, std::string what, std::string remedy) {
        return std::unexpected(JournalError{.fault = fault,
                                            .path = path,
                                            .what = std::move(what),
                                            .remedy = std::move(remedy),
                                            .event = std::nullopt});
    };
    int file = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    // Where nothing can be written the lock of an earlier run still tells whether another process holds it.
    const int unwritable = file < 0 && (errno == EACCES || errno == EROFS) ? errno : 0;
    if (unwritable != 0)
        file = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
    if (file < 0 && unwritable != 0 && errno == ENOENT)
        return refuse(
            JournalFault::cannot_open,
            fmt::format("the station's lock cannot be made, as its folder may not be written by user "
                        "{}: {}",
                        config::this_user(), std::generic_category().message(unwritable)),
            "let that user write in the folder, or run the service as the user whose folder it is");
    if (file < 0) {
        const std::error_code why(errno, std::generic_category());
        const bool read_only = why == std::errc::permission_denied || why == std::errc::read_only_file_system;
        return refuse(read_only ? JournalFault::read_only : JournalFault::cannot_open,
                      "the station's lock cannot be opened: " + why.message(),
                      "see that the folder exists and that the service's user may read and write in it");
    }
    StationLock lock(file);
    if (::flock(file, LOCK_EX | LOCK_NB) != 0) {
        const std::error_code why(errno, std::generic_category());
        if (why == std::errc::operation_would_block)
            return refuse(JournalFault::in_use, "another process runs this station",
                          "end that one first, or give this station a journal of its own");
        return refuse(JournalFault::cannot_open, "the station's lock cannot be taken: " + why.message(),
                      "put the journal on a local disk");
    }
    return lock;
}

StationLock::~StationLock() {
    if (file_ >= 0)
        ::close(file_);
}
StationLock::StationLock(StationLock&& other) noexcept : file_(std::exchange(other.file_, -1)) {}
StationLock& StationLock::operator=(StationLock&& other) noexcept {
    std::swap(file_, other.file_);
    return *this;
}

}  // namespace tautgate::journal
