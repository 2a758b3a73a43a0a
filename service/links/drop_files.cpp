#include "service/links/drop_files.hpp"

#include <algorithm>
#include <cerrno>
#include <csignal>
#include <memory>

#include <dirent.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

namespace tautgate::links {

namespace {

// Whoever may look into the folder around them may read them; only the service writes.
constexpr mode_t folder_mode = 0750;
constexpr mode_t file_mode = 0640;

std::error_code last_file_error() { return {errno, std::generic_category()}; }

OrError<OpenFile> opened(int number) {
    if (number < 0)
        return std::unexpected(last_file_error());
    return OpenFile(number);
}

// As far as the folder around it is shared. The service's mask keeps everything else from everybody.
std::error_code share_as(const OpenFile& around, const OpenFile& made, mode_t mode) {
    constexpr mode_t to_look_into = 0050;
    struct stat folder {};
    struct stat own {};
    if (::fstat(around.number(), &folder) != 0 || ::fstat(made.number(), &own) != 0)
        return last_file_error();
    const bool is_shared = (folder.st_mode & to_look_into) == to_look_into;
    const mode_t group_stays = own.st_mode & S_ISGID;  // of a folder: so that what is in it is that group's
    if (::fchmod(made.number(), (is_shared ? mode : mode & S_IRWXU) | group_stays) != 0)
        return last_file_error();
    return {};
}

std::int64_t as_ns(const timespec& time) {
    constexpr std::int64_t second_ns = 1'000'000'000;
    return std::int64_t{time.tv_sec} * second_ns + time.tv_nsec;
}

FileLook look_of(const struct stat& found) {
    const auto kind = S_ISREG(found.st_mode)   ? FileKind::regular
                      : S_ISLNK(found.st_mode) ? FileKind::link
                                               : FileKind::other;
    return {.kind = kind,
            .id = {.device = found.st_dev, .inode = found.st_ino},
            .size = static_cast<std::uint64_t>(found.st_size),
            .modified_ns = as_ns(found.st_mtim),
            .changed_ns = as_ns(found.st_ctim)};
}

// Asked first, then done: where the system cannot do both at once, only somebody who moves files about in
// the station's own folders could come in between.
std::error_code move_without_guard(const OpenFile& from, const std::string& name, const OpenFile& to,
                                   const std::string& new_name) {
    if (look_at(to, new_name))
        return std::make_error_code(std::errc::file_exists);
    if (::renameat(from.number(), name.c_str(), to.number(), new_name.c_str()) != 0)
        return last_file_error();
    return {};
}

std::error_code write_all(const OpenFile& file, std::string_view bytes) {
    while (!bytes.empty()) {
        const ssize_t count = ::write(file.number(), bytes.data(), bytes.size());
        if (count < 0 && errno != EINTR)
            return last_file_error();
        bytes.remove_prefix(static_cast<std::size_t>(std::max<ssize_t>(count, 0)));
    }
    return ::fsync(file.number()) == 0 ? std::error_code() : last_file_error();
}

}  // namespace

OpenFile::~OpenFile() {
    if (number_ >= 0)
        ::close(number_);
}

OrError<OpenFile> open_folder(const std::string& path) {
    return opened(::open(path.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
}

OrError<OpenFile> open_folder_within(const OpenFile& folder, const std::string& name) {
    const bool made = ::mkdirat(folder.number(), name.c_str(), folder_mode) == 0;
    if (!made && errno != EEXIST)
        return std::unexpected(last_file_error());
    auto within =
        opened(::openat(folder.number(), name.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC));
    if (within && made)
        if (const auto error = share_as(folder, *within, folder_mode))
            return std::unexpected(error);
    return within;
}

OrError<std::vector<std::string>> names_in(const OpenFile& folder) {
    // A handle of its own, since reading moves it.
    const int number = ::openat(folder.number(), ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (number < 0)
        return std::unexpected(last_file_error());
    const auto close = [](DIR* listing) { ::closedir(listing); };
    const std::unique_ptr<DIR, decltype(close)> listing(::fdopendir(number), close);
    if (!listing) {
        const auto error = last_file_error();
        ::close(number);
        return std::unexpected(error);
    }
    std::vector<std::string> names;
    errno = 0;
    // NOLINTNEXTLINE(concurrency-mt-unsafe): the listing is this function's own
    while (const dirent* entry = ::readdir(listing.get())) {
        const std::string_view name = entry->d_name;
        if (name != "." && name != "..")
            names.emplace_back(name);
        errno = 0;
    }
    if (errno != 0)
        return std::unexpected(last_file_error());
    std::ranges::sort(names);
    return names;
}

OrError<FileLook> look_at(const OpenFile& file) {
    struct stat found {};
    if (::fstat(file.number(), &found) != 0)
        return std::unexpected(last_file_error());
    return look_of(found);
}

OrError<FileLook> look_at(const OpenFile& folder, const std::string& name) {
    struct stat found {};
    if (::fstatat(folder.number(), name.c_str(), &found, AT_SYMLINK_NOFOLLOW) != 0)
        return std::unexpected(last_file_error());
    return look_of(found);
}

OrError<OpenFile> open_to_read(const OpenFile& folder, const std::string& name) {
    // Not blocking: a pipe that took the file's place must not hold the thread.
    return opened(
        ::openat(folder.number(), name.c_str(), O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY | O_CLOEXEC));
}

Writers writers_of(const OpenFile& file) {
    // A lease to read is given only while nobody writes. It is given back at once; should somebody want to
    // write in between, the system tells by a signal, which is made one that does nothing. Of another user's
    // file it is given only to whoever has CAP_LEASE (fcntl(2)).
    if (::fcntl(file.number(), F_SETSIG, SIGURG) != 0)
        return Writers::unknown;
    if (::fcntl(file.number(), F_SETLEASE, F_RDLCK) != 0)
        return errno == EAGAIN ? Writers::some : Writers::unknown;
    (void)::fcntl(file.number(), F_SETLEASE, F_UNLCK);
    return Writers::none;
}

OrError<std::string> read_up_to(const OpenFile& file, std::size_t most) {
    std::string bytes(most, '\0');
    std::size_t length = 0;
    while (length < most) {
        const ssize_t count =
            ::pread(file.number(), bytes.data() + length, most - length, static_cast<off_t>(length));
        if (count == 0)
            break;
        if (count < 0 && errno != EINTR)
            return std::unexpected(last_file_error());
        length += static_cast<std::size_t>(std::max<ssize_t>(count, 0));
    }
    bytes.resize(length);
    return bytes;
}

std::error_code move_file(const OpenFile& from, const std::string& name, const OpenFile& to,
                          const std::string& new_name) {
    if (::renameat2(from.number(), name.c_str(), to.number(), new_name.c_str(), RENAME_NOREPLACE) == 0)
        return {};
    // Not every file system can refuse a name that is taken.
    if (errno == EINVAL || errno == ENOSYS)
        return move_without_guard(from, name, to, new_name);
    return last_file_error();
}

std::error_code sync_folder(const OpenFile& folder) {
    // Some network file systems do not know how to sync a folder; what they move is moved on the server.
    if (::fsync(folder.number()) == 0 || errno == EINVAL)
        return {};
    return last_file_error();
}

std::error_code write_whole(const OpenFile& folder, const std::string& name, std::string_view bytes) {
    if (look_at(folder, name))
        return std::make_error_code(std::errc::file_exists);
    const std::string draft = "." + name + ".new";
    const OpenFile file(::openat(folder.number(), draft.c_str(),
                                 O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC,
                                 file_mode));
    if (file.number() < 0)
        return last_file_error();
    if (const auto error = share_as(folder, file, file_mode))
        return error;
    if (const auto error = write_all(file, bytes))
        return error;
    if (const auto error = move_file(folder, draft, folder, name))
        return error;
    return sync_folder(folder);
}

}  // namespace tautgate::links
