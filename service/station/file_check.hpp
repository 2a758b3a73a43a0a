// The check of the whole journal while the station runs: SQLite's own of every page, the chain from its first
// event, and whether the tables that people and rules ask agree with it. It takes as long as reading the file
// takes, and is therefore done on a thread of its own that yields to everything else. It never writes.
#pragma once

#include <chrono>
#include <filesystem>
#include <functional>
#include <stop_token>
#include <string>
#include <thread>

namespace tautgate::station {

struct FileCheck {
    std::chrono::steady_clock::time_point ended;
    std::chrono::milliseconds took{0};
    std::string found;  // what is wrong, in words; empty: the file is sound
};

// Reads the journal from its first page to its last. `vfs` is empty but in tests. A check that is asked to
// stop returns soon, with a result that says nothing. Any thread.
[[nodiscard]] FileCheck check_whole_file(const std::filesystem::path& journal, const std::string& vfs,
                                         const std::stop_token& stop);

// One check at a time, in the background. Used by one thread.
class FileChecker {
  public:
    // `done` is called on the checker's thread, at most once a check, and not after the destructor began.
    FileChecker(std::filesystem::path journal, std::string vfs, std::function<void(FileCheck)> done)
        : journal_(std::move(journal)), vfs_(std::move(vfs)), done_(std::move(done)) {}

    // Waits for a check that is still running.
    void begin();
    // Asks a running check to end and waits for it.
    void stop() noexcept { thread_ = {}; }

  private:
    std::filesystem::path journal_;
    std::string vfs_;
    std::function<void(FileCheck)> done_;
    std::jthread thread_;  // last: it uses the others
};

}  // namespace tautgate::station
