// What the newest commits wrote into SQLite's write-ahead log: frames, and to which table their pages belong.
// Reads the log as it lies on the disk, so that it counts what was really written.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <filesystem>
#include <map>
#include <string>
#include <vector>

namespace tautgate::benchmark {

struct Frame {
    std::uint32_t page = 0;
    bool commits = false;  // the last one of its transaction
};

// The frames since the log last began anew, oldest first. The log's own salts tell which those are.
[[nodiscard]] std::expected<std::vector<Frame>, std::string> frames_in(const std::filesystem::path& log);

struct PagesWritten {
    std::size_t commits = 0;
    double per_commit = 0;
    std::map<std::string, double> by_table;  // pages a commit; also "file head", and "unknown"
};
// Of the newest `commits` commits, or as many as there are. The database is opened for reading.
[[nodiscard]] std::expected<PagesWritten, std::string> pages_written(const std::filesystem::path& database,
                                                                     std::size_t commits);

// Mean size of the newest events' bodies that hold a result.
[[nodiscard]] std::expected<double, std::string> result_row_bytes(const std::filesystem::path& journal);

}  // namespace tautgate::benchmark
