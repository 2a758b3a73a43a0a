// Writes decided events to disk: the one writer of the journal, on a thread of its own. The loop hands events
// over without ever waiting; each is committed at once (one transaction, one sync), and what arrives while a
// commit runs forms the next one. `on_durable` is the promise that an event survives a power cut.
//
// In doubt it stops: after the first write or sync that fails it never commits again (a repeated sync may
// lie), says so once, and what was not reported durable is to be taken as lost. Recovery is a fresh start.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "service/journal/digest.hpp"
#include "service/journal/journal_error.hpp"
#include "service/journal/stored_event.hpp"

namespace tautgate::journal {

// Where the log that SQLite writes ahead goes back into the database, in frames of one page.
struct CheckpointPolicy {
    std::uint32_t idle_from = 256;   // when nothing came for a while
    std::uint32_t busy_from = 4096;  // even if something waits (16 MiB)
    std::chrono::milliseconds idle_after{200};
};

struct Statistics {
    std::uint64_t events = 0;  // committed by this writer
    std::uint64_t commits = 0;
    std::uint64_t largest_group = 0;  // events in one commit
    std::uint64_t wal_pages = 0;      // written by all commits
    std::uint64_t checkpoints = 0;
    std::uint64_t checkpoints_put_off = 0;  // a reader was in the way, or the disk refused
    std::uint32_t wal_frames = 0;           // in the log now
    std::optional<JournalError> failed;
};

class Writer {
  public:
    struct Options {
        std::filesystem::path path;
        std::string station;  // id, kept in a new journal
        // Both are called by the writer's thread; post to the loop and return. on_failure comes at most once,
        // and no on_durable after it.
        std::function<void(EventNumber up_to)> on_durable;
        std::function<void(const JournalError&)> on_failure;
        CheckpointPolicy checkpoints;
        std::string vfs;  // for tests: the name of another SQLite VFS
        // For tests: called at "before_write", "before_sync" (all rows are written, none is committed) and
        // "after_sync" of each commit.
        std::function<void(std::string_view point)> at_point;
    };

    // Creates the journal or brings it forward. The caller holds the station's lock.
    [[nodiscard]] static std::expected<std::unique_ptr<Writer>, JournalError> open(Options options);
    ~Writer();
    Writer(const Writer&) = delete;
    Writer& operator=(const Writer&) = delete;
    Writer(Writer&&) = delete;
    Writer& operator=(Writer&&) = delete;

    // Loop thread; never waits for the disk. Numbers follow each other without a hole.
    void append(Entry entry);
    // The newest event that was in the journal when it was opened.
    [[nodiscard]] EventNumber head_at_opening() const noexcept;

    // How long the oldest event that is not durable yet has waited. Nothing: none waits. Any thread.
    [[nodiscard]] std::optional<std::chrono::nanoseconds> outstanding() const noexcept;
    [[nodiscard]] Statistics statistics() const;

    // Writes what was handed over, moves the log into the database, ends the thread. Then no append.
    void close();

  private:
    class Work;
    explicit Writer(std::unique_ptr<Work> work);
    std::unique_ptr<Work> work_;
};

}  // namespace tautgate::journal
