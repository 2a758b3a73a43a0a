#include "tools/cli/pass_file.hpp"

#include <array>
#include <cerrno>
#include <system_error>

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <unistd.h>

namespace tautgate::cli {
namespace {

constexpr std::size_t code_bytes = 16;  // 128 bits

std::string last_error() { return std::generic_category().message(errno); }

std::expected<std::string, std::string> draw_code() {
    std::array<unsigned char, code_bytes> bytes{};
    if (::getrandom(bytes.data(), bytes.size(), 0) != static_cast<ssize_t>(bytes.size()))
        return std::unexpected("no code could be drawn: " + last_error() + "; try again");
    std::string code;
    for (const unsigned char byte : bytes)
        code += fmt::format("{:02x}", byte);
    return code;
}

// Readable by the group of the folder, which is that of the service.
bool fill(int handle, gid_t group, const std::string& code) {
    return ::fchown(handle, 0, group) == 0 && ::fchmod(handle, S_IRUSR | S_IWUSR | S_IRGRP) == 0 &&
           ::write(handle, code.data(), code.size()) == static_cast<ssize_t>(code.size()) &&
           ::fsync(handle) == 0;
}

}  // namespace

std::expected<PassFile, std::string> PassFile::write(const std::string& folder) {
    struct stat found {};
    if (::stat(folder.c_str(), &found) != 0 || !S_ISDIR(found.st_mode))
        return std::unexpected(
            fmt::format("{} is no folder that can be looked into; give the state folder of "
                        "the service with --state-folder",
                        folder));
    auto code = draw_code();
    if (!code)
        return std::unexpected(std::move(code.error()));
    std::string file = folder + "/administrator.code";
    (void)::unlink(file.c_str());
    const int handle = ::open(file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, S_IRUSR);
    if (handle < 0)
        return std::unexpected(
            fmt::format("{} could not be written: {}; run this as root", file, last_error()));
    PassFile pass(std::move(file), std::move(*code));
    const bool filled = fill(handle, found.st_gid, pass.code_);
    const std::string why = last_error();
    (void)::close(handle);
    if (!filled)
        return std::unexpected(fmt::format("{} could not be written: {}; run this as root", pass.file_, why));
    return pass;
}

PassFile::~PassFile() {
    if (!file_.empty())
        (void)::unlink(file_.c_str());  // the service has taken it already, where it used it
}

}  // namespace tautgate::cli
