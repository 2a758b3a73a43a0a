// The file by which root shows the service that it is root: a code, drawn anew, in a file of the service's
// folder that belongs to root and that the service may read. It is gone with this value. Blocking.
#pragma once

#include <expected>
#include <string>
#include <utility>

namespace tautgate::cli {

class PassFile {
  public:
    // The error is one sentence.
    [[nodiscard]] static std::expected<PassFile, std::string> write(const std::string& folder);
    ~PassFile();
    PassFile(const PassFile&) = delete;
    PassFile& operator=(const PassFile&) = delete;
    PassFile(PassFile&& other) noexcept
        : file_(std::exchange(other.file_, {})), code_(std::exchange(other.code_, {})) {}
    PassFile& operator=(PassFile&&) = delete;

    [[nodiscard]] const std::string& code() const noexcept { return code_; }

  private:
    PassFile(std::string file, std::string code) : file_(std::move(file)), code_(std::move(code)) {}
    std::string file_;
    std::string code_;
};

}  // namespace tautgate::cli
