#include "tools/benchmark/wal_pages.hpp"

#include <algorithm>
#include <cstring>
#include <fstream>
#include <iterator>
#include <memory>
#include <ranges>
#include <string_view>

#include <sqlite3.h>

namespace tautgate::benchmark {
namespace {

// The format of the log: SQLite's own documentation, "WAL-mode File Format". All numbers have their high byte
// first.
constexpr std::size_t log_head = 32;
constexpr std::size_t frame_head = 24;
constexpr std::size_t page_size_at = 8;
constexpr std::size_t salts_at = 16;
constexpr std::size_t salts_size = 8;

std::uint32_t number_at(std::string_view bytes, std::size_t at) {
    std::uint32_t number = 0;
    for (const char byte : bytes.substr(at, 4))
        number = number << 8U | static_cast<std::uint8_t>(byte);
    return number;
}

struct CloseDatabase {
    void operator()(sqlite3* db) const noexcept { sqlite3_close(db); }
};
struct EndStatement {
    void operator()(sqlite3_stmt* statement) const noexcept { sqlite3_finalize(statement); }
};

// An index belongs to the table that it is of; which is what people know by name.
constexpr const char* owners_question = "SELECT d.pageno, coalesce(s.tbl_name, d.name) FROM dbstat d LEFT "
                                        "JOIN sqlite_schema s ON s.name = d.name";

// A question to a database that others have open, too.
class Question {
  public:
    Question(const std::filesystem::path& database, const char* sql) {
        sqlite3* opened = nullptr;
        const int code = sqlite3_open_v2(database.c_str(), &opened, SQLITE_OPEN_READONLY, nullptr);
        db_.reset(opened);
        sqlite3_busy_timeout(opened, 5000);
        sqlite3_stmt* prepared = nullptr;
        if (code != SQLITE_OK || sqlite3_prepare_v2(opened, sql, -1, &prepared, nullptr) != SQLITE_OK)
            fault_ = database.string() + " cannot be asked: " + sqlite3_errmsg(opened);
        statement_.reset(prepared);
    }
    [[nodiscard]] const std::string& fault() const noexcept { return fault_; }
    [[nodiscard]] sqlite3_stmt* statement() const noexcept { return statement_.get(); }

  private:
    std::unique_ptr<sqlite3, CloseDatabase> db_;
    std::unique_ptr<sqlite3_stmt, EndStatement> statement_;
    std::string fault_;
};

constexpr const char* row_question =
    "SELECT avg(length(body)) FROM (SELECT body FROM event WHERE body LIKE '%\"ResultReceived\"%' "
    "ORDER BY number DESC LIMIT 2)";

std::expected<std::map<std::uint32_t, std::string>, std::string>
owners_of_pages(const std::filesystem::path& database) {
    const Question question(database, owners_question);
    if (!question.fault().empty())
        return std::unexpected(question.fault());
    sqlite3_stmt* const prepared = question.statement();
    std::map<std::uint32_t, std::string> owners;
    while (sqlite3_step(prepared) == SQLITE_ROW)
        owners[static_cast<std::uint32_t>(sqlite3_column_int64(prepared, 0))] =
            reinterpret_cast<const char*>(sqlite3_column_text(prepared, 1));
    // Page 1 holds the schema; what a commit writes there is the file's head with its new size.
    owners[1] = "file head";
    return owners;
}

}  // namespace

std::expected<std::vector<Frame>, std::string> frames_in(const std::filesystem::path& log) {
    std::ifstream in(log, std::ios::binary);
    const std::string bytes{std::istreambuf_iterator<char>{in}, {}};
    if (bytes.size() < log_head)
        return std::unexpected(log.string() + " is no write-ahead log");
    const std::size_t page_size = number_at(bytes, page_size_at);
    const auto salts = std::string_view(bytes).substr(salts_at, salts_size);
    std::vector<Frame> frames;
    const std::size_t step = frame_head + page_size;
    for (std::size_t at = log_head; at + step <= bytes.size(); at += step) {
        const auto head = std::string_view(bytes).substr(at, frame_head);
        if (head.substr(8, salts_size) != salts)
            break;  // left over from before it began anew
        frames.push_back({number_at(head, 0), number_at(head, 4) != 0});
    }
    return frames;
}

std::expected<PagesWritten, std::string> pages_written(const std::filesystem::path& database,
                                                       std::size_t commits) {
    auto frames = frames_in(database.string() + "-wal");
    if (!frames)
        return std::unexpected(frames.error());
    auto owners = owners_of_pages(database);
    if (!owners)
        return std::unexpected(owners.error());
    PagesWritten written;
    std::size_t pages = 0;
    for (const Frame& frame : std::views::reverse(*frames)) {
        if (frame.commits && ++written.commits > commits)
            break;
        ++pages;
        const auto owner = owners->find(frame.page);
        written.by_table[owner == owners->end() ? "unknown" : owner->second] += 1;
    }
    written.commits = std::min(written.commits, commits);
    if (written.commits == 0)
        return std::unexpected("the log of " + database.string() + " holds no commit");
    const auto count = static_cast<double>(written.commits);
    written.per_commit = static_cast<double>(pages) / count;
    for (auto& [table, all] : written.by_table)
        all /= count;
    return written;
}

std::expected<double, std::string> result_row_bytes(const std::filesystem::path& journal) {
    const Question question(journal, row_question);
    if (!question.fault().empty())
        return std::unexpected(question.fault());
    const double mean = sqlite3_step(question.statement()) == SQLITE_ROW
                            ? sqlite3_column_double(question.statement(), 0)
                            : 0.0;
    if (mean <= 0)
        return std::unexpected(journal.string() + " holds no result");
    return mean;
}

}  // namespace tautgate::benchmark
