#include "config/key_file.hpp"

#include <cerrno>
#include <fstream>
#include <iterator>
#include <system_error>

#include <fcntl.h>
#include <unistd.h>

#include <fmt/format.h>

namespace tautgate::config {

namespace fs = std::filesystem;

namespace {

std::unexpected<std::string> not_made(const fs::path& file, int why) {
    const auto remedy =
        why == EEXIST ? "take it away first if the tool is to have a new one, and give that to the tool, too"
                      : "make the folder, and see that this user may write there";
    return std::unexpected(
        fmt::format("the key {} was not made: {}; {}", file.string(),
                    why == EEXIST ? "there is one already" : std::generic_category().message(why), remedy));
}

// 0, or why it is not on the disk.
int written_durably(int handle, const std::string& text) {
    const auto count = ::write(handle, text.data(), text.size());
    if (count != static_cast<ssize_t>(text.size())) {
        return count < 0 ? errno : ENOSPC;
    }
    return ::fsync(handle) == 0 ? 0 : errno;
}

}  // namespace

std::expected<protocol::SharedKey, std::string> read_key_file(const fs::path& file) {
    std::error_code failed;
    const auto status = fs::status(file, failed);
    if (failed || !fs::is_regular_file(status)) {
        return std::unexpected(fmt::format("{} is no file; make it with tautgate make-keys", file.string()));
    }
    using fs::perms;
    if ((status.permissions() & (perms::group_all | perms::others_all)) != perms::none) {
        return std::unexpected(
            fmt::format("{} may be read by others; set its mode to 600, and take a new key", file.string()));
    }
    std::ifstream in(file);
    const std::string text{std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    const auto key = in ? protocol::shared_key_from(text) : std::nullopt;
    if (!key) {
        return std::unexpected(
            fmt::format("{} holds no 64 hexadecimal digits; write a new key into it", file.string()));
    }
    return *key;
}

std::expected<void, std::string> make_key_file(const fs::path& file) {
    constexpr mode_t owner_only = 0600;
    const int handle = ::open(file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, owner_only);
    if (handle < 0) {
        return not_made(file, errno);
    }
    const int failed = written_durably(handle, protocol::fresh_shared_key() + '\n');
    ::close(handle);
    if (failed != 0) {
        ::unlink(file.c_str());  // half a key serves nobody
        return not_made(file, failed);
    }
    return {};
}

}  // namespace tautgate::config
