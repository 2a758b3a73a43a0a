#include "config/whole_file.hpp"

#include <fstream>
#include <iterator>
#include <system_error>

#include <fmt/format.h>

namespace tautgate::config {

namespace fs = std::filesystem;

std::expected<std::string, std::string> whole_file(const fs::path& path, std::uintmax_t most_bytes) {
    std::error_code fault;
    const auto status = fs::status(path, fault);
    if (status.type() == fs::file_type::not_found)
        return std::unexpected("there is no such file");
    if (fault || status.type() != fs::file_type::regular)
        return std::unexpected(fault ? fault.message() : "this is no regular file");
    const auto size = fs::file_size(path, fault);
    if (!fault && size > most_bytes)
        return std::unexpected(fmt::format("it has {} bytes, and {} at most are read", size, most_bytes));
    std::ifstream in(path, std::ios::binary);
    std::string text{std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    if (!in.is_open() || in.bad())
        return std::unexpected("the file cannot be opened or read");
    return text;
}

}  // namespace tautgate::config
