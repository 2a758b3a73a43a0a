#include "tools/cli/capture_file.hpp"

#include <cerrno>
#include <filesystem>
#include <ios>
#include <system_error>
#include <utility>

#include <fmt/format.h>
#include <unistd.h>

#include "config/whole_file.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace {

std::unexpected<std::string> cannot_write(const std::string& path) {
    return std::unexpected(fmt::format("cannot write to {}: {}; choose a folder in which you may write",
                                       plain(path), std::generic_category().message(errno)));
}

}  // namespace

std::expected<void, std::string> CaptureFile::may_create(const std::string& path) {
    std::error_code unknown;  // then opening tells
    if (std::filesystem::exists(path, unknown))
        return std::unexpected(
            fmt::format("{} is there already and is not written over; name another file, or remove this one",
                        plain(path)));
    const auto folder = std::filesystem::path(path).parent_path();
    errno = 0;
    if (::access(folder.empty() ? "." : folder.c_str(), W_OK | X_OK) != 0)
        return cannot_write(path);
    return {};
}

std::expected<CaptureFile, std::string> CaptureFile::create(const std::string& path,
                                                            const protocol::CaptureHead& head, Moment began) {
    if (auto may = may_create(path); !may)
        return std::unexpected(std::move(may.error()));
    errno = 0;
    CaptureFile capture(path, std::ofstream(path, std::ios::binary), began);
    if (!capture.file_)
        return cannot_write(path);
    if (auto written = capture.write(to_line(head)); !written)
        return std::unexpected(std::move(written.error()));
    return capture;
}

std::expected<void, std::string> CaptureFile::add(protocol::CaptureSide from, std::string_view bytes) {
    using std::chrono::microseconds;
    const auto at =
        std::chrono::duration_cast<microseconds>(std::chrono::steady_clock::now() - began_).count();
    return write(to_line(protocol::CapturedBytes{from, at, std::string(bytes)}));
}

std::expected<void, std::string> CaptureFile::write(const std::string& line) {
    errno = 0;
    file_.write(line.data(), static_cast<std::streamsize>(line.size()));
    file_.flush();
    if (file_)
        return {};
    return std::unexpected(
        fmt::format("{} could not be written on: {}; it is whole up to here, see that its disk is not full",
                    plain(path_), std::generic_category().message(errno)));
}

std::expected<protocol::Capture, std::string> read_capture_file(const std::string& path) {
    constexpr std::uintmax_t most_bytes = std::uintmax_t{1024} * 1024 * 1024;
    const auto text = config::whole_file(path, most_bytes);
    if (!text)
        return std::unexpected(
            fmt::format("cannot read {}: {}; check its name and rights", plain(path), text.error()));
    auto capture = protocol::read_capture(*text);
    if (!capture)
        return std::unexpected(fmt::format("{}:{}: {}; {}", plain(path), capture.error().line,
                                           capture.error().what, capture.error().remedy));
    return std::move(*capture);
}

}  // namespace tautgate::cli
