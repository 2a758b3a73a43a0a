// SQLite writes each page of a commit to its write-ahead log in two pieces. This layer over one of its
// virtual file systems (VFS) gathers what is written to the log one piece after the other, and hands it on as
// one before anything could notice that it is missing: a sync, a read, a question for the size, the end. So a
// commit is one write and one sync. All other files pass through untouched.
//
// Nothing becomes durable later than before: a commit counts only after its sync, and the sync hands on
// first. What a write would have failed with, the sync fails with. The connection that writes is the only one
// to use it; those that read take the VFS below.
#pragma once

#include <expected>
#include <string>

namespace tautgate::journal {

// The name of the layer over the VFS of that name ("": SQLite's own), registered with SQLite by the first who
// asks and from then on for good. The error says that there is no such VFS. Any thread.
[[nodiscard]] std::expected<std::string, std::string> gathering_log_writes(const std::string& vfs);

}  // namespace tautgate::journal
