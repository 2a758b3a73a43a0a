#include "config/whole_file.hpp"

#include <array>
#include <cerrno>
#include <fstream>
#include <iterator>
#include <system_error>

#include <fmt/format.h>
#include <pwd.h>
#include <unistd.h>

namespace tautgate::config {

namespace fs = std::filesystem;

namespace {

std::unexpected<std::string> not_allowed() {
    return std::unexpected(fmt::format(
        "user {} may not read it; see to the rights of the file and of the folders above it", this_user()));
}

}  // namespace

std::string this_user() {
    constexpr std::size_t longest_entry = 16'384;
    std::array<char, longest_entry> text{};
    passwd entry{};
    passwd* found = nullptr;
    if (getpwuid_r(geteuid(), &entry, text.data(), text.size(), &found) == 0 && found != nullptr)
        return found->pw_name;
    return fmt::format("number {}", geteuid());
}

std::expected<std::string, std::string> whole_file(const fs::path& path, std::uintmax_t most_bytes) {
    std::error_code fault;
    const auto status = fs::status(path, fault);
    if (status.type() == fs::file_type::not_found)
        return std::unexpected("there is no such file");
    if (fault == std::errc::permission_denied)
        return not_allowed();
    if (status.type() == fs::file_type::directory)
        return std::unexpected("this is a folder, and no file");
    if (fault || status.type() != fs::file_type::regular)
        return std::unexpected(fault ? fault.message() : "this is no regular file");
    const auto size = fs::file_size(path, fault);
    if (!fault && size > most_bytes)
        return std::unexpected(fmt::format("it has {} bytes, and {} at most are read", size, most_bytes));
    errno = 0;
    std::ifstream in(path, std::ios::binary);
    if (!in.is_open() && errno == EACCES)
        return not_allowed();
    std::string text{std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    if (!in.is_open() || in.bad())
        return std::unexpected("the file cannot be opened or read");
    return text;
}

}  // namespace tautgate::config
