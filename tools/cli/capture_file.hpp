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
    // A file that is there is not written over. The error is one sentence, here and below.
    [[nodiscard]] static std::expected<CaptureFile, std::string> create(const std::string& path,
                                                                        const protocol::CaptureHead& head);
    // Every part is in the file when this returns.
    [[nodiscard]] std::expected<void, std::string> add(protocol::CaptureSide from, std::string_view bytes);

  private:
    CaptureFile(std::string path, std::ofstream file) : path_(std::move(path)), file_(std::move(file)) {}
    [[nodiscard]] std::expected<void, std::string> write(const std::string& line);

    std::string path_;
    std::ofstream file_;
    std::chrono::steady_clock::time_point began_ = std::chrono::steady_clock::now();
};

[[nodiscard]] std::expected<protocol::Capture, std::string> read_capture_file(const std::string& path);

}  // namespace tautgate::cli
