#include "service/journal/log_writes.hpp"

#include <algorithm>
#include <cstddef>
#include <map>
#include <memory>
#include <mutex>
#include <new>
#include <string_view>
#include <utility>

#include <sqlite3.h>

namespace tautgate::journal {
namespace {

// Of a commit that is larger, the front is handed on already. SQLite's own VFS keeps only the lower 17 bits
// of the size of a write (os_unix.c, seekAndWriteFd).
constexpr std::size_t most_gathered = std::size_t{64} * 1024;

// The log's file as SQLite sees it. The file of the VFS below lies behind it, in the room that SQLite gave.
struct LogFile {
    sqlite3_file seen;
    sqlite3_file* below;
    std::string gathered;
    sqlite3_int64 begin;  // where `gathered` belongs
    bool gathers;
    int failed;  // what the first write that failed answered: from then on nothing more reaches the disk

    [[nodiscard]] static LogFile& of(sqlite3_file* file) { return *reinterpret_cast<LogFile*>(file); }

    [[nodiscard]] int hand_on() {
        if (gathered.empty() || failed != SQLITE_OK)
            return failed;
        // A commit that failed must not come alive by a second attempt.
        failed = below->pMethods->xWrite(below, gathered.data(), static_cast<int>(gathered.size()), begin);
        gathered.clear();
        return failed;
    }
    [[nodiscard]] int write(std::string_view bytes, sqlite3_int64 at) {
        if (!gathers)
            return below->pMethods->xWrite(below, bytes.data(), static_cast<int>(bytes.size()), at);
        const bool follows = !gathered.empty() && at == begin + static_cast<sqlite3_int64>(gathered.size());
        if (!follows || gathered.size() + bytes.size() > most_gathered)
            if (const int code = hand_on(); code != SQLITE_OK)
                return code;
        if (gathered.empty())
            begin = at;
        gathered.append(bytes);
        return SQLITE_OK;
    }
};

// Behind a LogFile, aligned for whatever the VFS below keeps there.
constexpr std::size_t room_in_front =
    (sizeof(LogFile) + alignof(std::max_align_t) - 1) / alignof(std::max_align_t) * alignof(std::max_align_t);

sqlite3_file* below(sqlite3_file* file) { return LogFile::of(file).below; }

// Hands on first, then lets the file below do it.
template <class Call>
int in_order(sqlite3_file* file, Call call) {
    const int code = LogFile::of(file).hand_on();
    return code == SQLITE_OK ? call(below(file)) : code;
}

// A log is neither locked nor mapped; the methods of the first version are all it needs.
constexpr sqlite3_io_methods log_methods{
    .iVersion = 1,
    .xClose =
        [](sqlite3_file* file) {
            // What was not handed on belongs to no commit that succeeded. Writing it now could make one of a
            // commit that failed.
            const int closed = below(file)->pMethods->xClose(below(file));
            LogFile::of(file).~LogFile();
            return closed;
        },
    .xRead =
        [](sqlite3_file* file, void* to, int size, sqlite3_int64 at) {
            return in_order(file, [&](sqlite3_file* it) { return it->pMethods->xRead(it, to, size, at); });
        },
    .xWrite =
        [](sqlite3_file* file, const void* bytes, int size, sqlite3_int64 at) {
            return LogFile::of(file).write({static_cast<const char*>(bytes), static_cast<std::size_t>(size)},
                                           at);
        },
    .xTruncate =
        [](sqlite3_file* file, sqlite3_int64 size) {
            return in_order(file, [&](sqlite3_file* it) { return it->pMethods->xTruncate(it, size); });
        },
    .xSync =
        [](sqlite3_file* file, int flags) {
            return in_order(file, [&](sqlite3_file* it) { return it->pMethods->xSync(it, flags); });
        },
    .xFileSize =
        [](sqlite3_file* file, sqlite3_int64* size) {
            return in_order(file, [&](sqlite3_file* it) { return it->pMethods->xFileSize(it, size); });
        },
    .xLock = [](sqlite3_file* file, int lock) { return below(file)->pMethods->xLock(below(file), lock); },
    .xUnlock = [](sqlite3_file* file, int lock) { return below(file)->pMethods->xUnlock(below(file), lock); },
    .xCheckReservedLock =
        [](sqlite3_file* file, int* held) {
            return below(file)->pMethods->xCheckReservedLock(below(file), held);
        },
    .xFileControl = [](sqlite3_file* file, int what,
                       void* value) { return below(file)->pMethods->xFileControl(below(file), what, value); },
    .xSectorSize = [](sqlite3_file* file) { return below(file)->pMethods->xSectorSize(below(file)); },
    .xDeviceCharacteristics =
        [](sqlite3_file* file) { return below(file)->pMethods->xDeviceCharacteristics(below(file)); },
    .xShmMap = nullptr,
    .xShmLock = nullptr,
    .xShmBarrier = nullptr,
    .xShmUnmap = nullptr,
    .xFetch = nullptr,
    .xUnfetch = nullptr};

sqlite3_vfs& base_of(sqlite3_vfs* layer) { return *static_cast<sqlite3_vfs*>(layer->pAppData); }

int open_log(sqlite3_vfs& base, sqlite3_filename name, sqlite3_file* file, int flags, int* opened) {
    auto* const real = reinterpret_cast<sqlite3_file*>(reinterpret_cast<std::byte*>(file) + room_in_front);
    real->pMethods = nullptr;
    const int code = base.xOpen(&base, name, real, flags, opened);
    if (code != SQLITE_OK) {
        if (real->pMethods != nullptr)
            real->pMethods->xClose(real);
        file->pMethods = nullptr;  // there is nothing to close
        return code;
    }
    // Without this promise of the disk's, SQLite fills the log up to the next sector after each commit, and
    // writes a part of that after the sync.
    const int promises = real->pMethods->xDeviceCharacteristics(real);
    new (file) LogFile{.seen = {&log_methods},
                       .below = real,
                       .gathered = {},
                       .begin = 0,
                       .gathers = (promises & SQLITE_IOCAP_POWERSAFE_OVERWRITE) != 0,
                       .failed = SQLITE_OK};
    return SQLITE_OK;
}

// Each asks the VFS below, by its own pointer: what that keeps of its own hangs on it.
sqlite3_vfs layer_over(sqlite3_vfs& base, const char* name) {
    sqlite3_vfs layer = base;
    layer.iVersion = std::min(base.iVersion, 2);
    layer.szOsFile = static_cast<int>(room_in_front) + base.szOsFile;
    layer.pNext = nullptr;
    layer.zName = name;
    layer.pAppData = &base;
    layer.xOpen = [](sqlite3_vfs* self, sqlite3_filename file_name, sqlite3_file* file, int flags,
                     int* opened) {
        sqlite3_vfs& it = base_of(self);
        return (flags & SQLITE_OPEN_WAL) != 0 ? open_log(it, file_name, file, flags, opened)
                                              : it.xOpen(&it, file_name, file, flags, opened);
    };
    layer.xDelete = [](sqlite3_vfs* self, const char* file, int sync) {
        return base_of(self).xDelete(&base_of(self), file, sync);
    };
    layer.xAccess = [](sqlite3_vfs* self, const char* file, int flags, int* result) {
        return base_of(self).xAccess(&base_of(self), file, flags, result);
    };
    layer.xFullPathname = [](sqlite3_vfs* self, const char* file, int size, char* full) {
        return base_of(self).xFullPathname(&base_of(self), file, size, full);
    };
    layer.xDlOpen = nullptr;  // nobody loads extensions
    layer.xDlError = nullptr;
    layer.xDlSym = nullptr;
    layer.xDlClose = nullptr;
    layer.xRandomness = [](sqlite3_vfs* self, int size, char* bytes) {
        return base_of(self).xRandomness(&base_of(self), size, bytes);
    };
    layer.xSleep = [](sqlite3_vfs* self, int micros) { return base_of(self).xSleep(&base_of(self), micros); };
    layer.xCurrentTime = [](sqlite3_vfs* self, double* now) {
        return base_of(self).xCurrentTime(&base_of(self), now);
    };
    layer.xGetLastError = [](sqlite3_vfs* self, int size, char* text) {
        return base_of(self).xGetLastError(&base_of(self), size, text);
    };
    layer.xCurrentTimeInt64 = [](sqlite3_vfs* self, sqlite3_int64* now) {
        return base_of(self).xCurrentTimeInt64(&base_of(self), now);
    };
    return layer;
}

struct Registered {
    std::string name;
    sqlite3_vfs vfs{};
};

}  // namespace

std::expected<std::string, std::string> gathering_log_writes(const std::string& vfs) {
    // SQLite's own list of them is the process's, too, and keeps pointers.
    static std::mutex mutex;
    static std::map<std::string, std::unique_ptr<Registered>> layers;
    const std::scoped_lock lock(mutex);
    auto& known = layers[vfs];
    if (known)
        return known->name;
    sqlite3_vfs* const base = sqlite3_vfs_find(vfs.empty() ? nullptr : vfs.c_str());
    if (base == nullptr)
        return std::unexpected("SQLite has no VFS '" + vfs + "'");
    auto made = std::make_unique<Registered>();
    made->name = std::string(base->zName) + " with gathered log writes";
    made->vfs = layer_over(*base, made->name.c_str());
    if (sqlite3_vfs_register(&made->vfs, 0) != SQLITE_OK)
        return std::unexpected("SQLite did not take the layer over the VFS '" + vfs + "'");
    known = std::move(made);
    return known->name;
}

}  // namespace tautgate::journal
