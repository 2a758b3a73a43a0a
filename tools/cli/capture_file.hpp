// A capture (protocol/capture.hpp) as a file: written line by line while it goes on, so that whatever ends it
// leaves the part before readable; read whole. One thread.
#pragma once

#include <chrono>
#include <expected>
#include <fstream>
#include <string>
#include <string_view>

#include "protocol/capture.hpp"

namespace tautgate::cli {

class CaptureFile {
  public:
    using Moment = std::chrono::steady_clock::time_point;

    // What speaks against it before there is anything to keep. The error is one sentence, here and below.
    [[nodiscard]] static std::expected<void, std::string> may_create(const std::string& path);
    // A file that is there is not written over. Parts are told by their time since `began`.
    [[nodiscard]] static std::expected<CaptureFile, std::string>
    create(const std::string& path, const protocol::CaptureHead& head, Moment began);
    // Every part is in the file when this returns.
    [[nodiscard]] std::expected<void, std::string> add(protocol::CaptureSide from, std::string_view bytes);

  private:
    CaptureFile(std::string path, std::ofstream file, Moment began)
        : path_(std::move(path)), file_(std::move(file)), began_(began) {}
    [[nodiscard]] std::expected<void, std::string> write(const std::string& line);

    std::string path_;
    std::ofstream file_;
    Moment began_;
};

[[nodiscard]] std::expected<protocol::Capture, std::string> read_capture_file(const std::string& path);

}  // namespace tautgate::cli
