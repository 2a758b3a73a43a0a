#include "config/reach.hpp"

#include <filesystem>
#include <system_error>

#include <fmt/format.h>
#include <netdb.h>

namespace tautgate::config {

std::string_view what_else_it_is(const std::string& device) {
    std::error_code unknown;  // then opening it has said why not
    const auto kind = std::filesystem::status(device, unknown).type();
    if (kind == std::filesystem::file_type::directory)
        return "a folder";
    return kind == std::filesystem::file_type::regular ? "a file" : "";
}

std::string no_serial_line(const std::string& device, std::string_view kind) {
    return fmt::format("{} is {} and no serial line; name the device of one (tautgate ports lists them)",
                       device, kind);
}

std::optional<std::string> why_no_address(const std::string& host) {
    addrinfo* found = nullptr;
    const int error = getaddrinfo(host.c_str(), nullptr, nullptr, &found);
    if (error != 0)
        return gai_strerror(error);
    freeaddrinfo(found);
    return std::nullopt;
}

std::string unknown_name(std::string_view why) {
    return fmt::format("this computer knows no address of that name ({}); check how it is written, or give "
                       "the address in numbers",
                       why);
}

std::string no_answer_within(std::chrono::milliseconds time) {
    return fmt::format("no answer within {} s", std::chrono::duration<double>(time).count());
}

}  // namespace tautgate::config
