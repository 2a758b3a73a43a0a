#include "tests/faults/power_cut_vfs.hpp"

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <fcntl.h>
#include <fstream>
#include <iterator>
#include <map>
#include <mutex>
#include <new>
#include <random>
#include <stdexcept>
#include <system_error>
#include <unistd.h>
#include <utility>
#include <vector>

#include <sqlite3.h>

namespace tautgate::faults {
namespace {

struct Write {
    std::uint64_t at = 0;
    std::string bytes;
    bool truncates = false;  // to `at`
};

// One file, whoever has it open.
struct Content {
    std::string path;
    std::string now;             // as the programs see it
    std::vector<Write> pending;  // since the last sync
};

std::string read_file(const std::string& path) {
    std::ifstream file(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(file), {}};
}

void put_into(const Write& write, std::string& to) {
    if (write.truncates) {
        to.resize(write.at);
        return;
    }
    if (to.size() < write.at + write.bytes.size())
        to.resize(write.at + write.bytes.size());
    to.replace(write.at, write.bytes.size(), write.bytes);
}

void carry_one(const Write& write, int file) {
    if (write.truncates) {
        if (::ftruncate(file, static_cast<off_t>(write.at)) != 0)
            throw std::system_error(errno, std::generic_category(), "the real file cannot be cut");
        return;
    }
    for (std::size_t done = 0; done < write.bytes.size();) {
        const ssize_t more = ::pwrite(file, write.bytes.data() + done, write.bytes.size() - done,
                                      static_cast<off_t>(write.at + done));
        if (more < 0)
            throw std::system_error(errno, std::generic_category(), "the real file cannot be written");
        done += static_cast<std::size_t>(more);
    }
}

// Carries the writes to the real file, in place and one by one: a process that dies on the way leaves what a
// power cut within a sync leaves.
void carry(const std::vector<Write>& writes, const std::string& path) {
    if (writes.empty())
        return;
    const int file = ::open(path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    if (file < 0)
        throw std::system_error(errno, std::generic_category(), path);
    for (const Write& write : writes)
        carry_one(write, file);
    ::close(file);
}

// Any sectors of any writes, in any order.
std::vector<Write> torn(const std::vector<Write>& pending, std::mt19937_64& chance) {
    std::vector<Write> sectors;
    for (const Write& write : pending) {
        if (write.truncates) {
            sectors.push_back(write);
            continue;
        }
        for (std::size_t at = 0; at < write.bytes.size();) {
            const std::size_t size =
                std::min<std::size_t>(512 - (write.at + at) % 512, write.bytes.size() - at);
            sectors.push_back({write.at + at, write.bytes.substr(at, size), false});
            at += size;
        }
    }
    std::erase_if(sectors, [&](const Write&) { return chance() % 2 == 0; });
    if (chance() % 2 == 0)
        std::ranges::shuffle(sectors, chance);
    return sectors;
}

}  // namespace

struct PowerCutDisk::State {
    mutable std::mutex mutex;
    sqlite3_vfs vfs{};
    sqlite3_vfs* real = nullptr;
    std::string name;
    std::map<std::string, std::shared_ptr<Content>> files;
    bool off = false;
    bool ignores_syncs = false;
    std::uint64_t tear_seed = 0;
    std::uint64_t operations = 0;
    std::uint64_t syncs = 0;
    std::uint64_t cut_before = 0;  // the operation of this number
    std::uint64_t limit = 0;
    Failure failure = Failure::none;
    bool refuses_one = false;

    // True: the power is on and the operation may go on.
    bool begin_operation() {
        if (!off && cut_before != 0 && operations + 1 == cut_before)
            fail_power();
        if (!off)
            ++operations;
        return !off;
    }
    void fail_power() {
        off = true;
        std::mt19937_64 chance(tear_seed);
        if (tear_seed != 0)
            for (auto& [path, content] : files)
                carry(torn(content->pending, chance), path);
        files.clear();
    }
    bool has_room(const Content& content, std::uint64_t end) const {
        std::uint64_t used = 0;
        for (const auto& [path, each] : files)
            used +=
                each.get() == &content ? std::max<std::uint64_t>(end, each->now.size()) : each->now.size();
        return limit == 0 || used <= limit;
    }
};

namespace {

using State = PowerCutDisk::State;

// SQLite keeps this in memory of its own; the real file follows directly behind.
struct File {
    sqlite3_file base;
    State* disk;
    std::shared_ptr<Content>* content;  // nothing: a file that needs no promise, kept by the real VFS alone
    [[nodiscard]] sqlite3_file* real() { return reinterpret_cast<sqlite3_file*>(this + 1); }
};

File& own(sqlite3_file* file) { return *reinterpret_cast<File*>(file); }
const sqlite3_io_methods& real_methods(sqlite3_file* file) { return *own(file).real()->pMethods; }

int close_file(sqlite3_file* file) {
    File& mine = own(file);
    delete mine.content;
    mine.content = nullptr;
    return mine.real()->pMethods != nullptr ? real_methods(file).xClose(mine.real()) : SQLITE_OK;
}

int read_file_at(sqlite3_file* file, void* out, int size, sqlite3_int64 at) {
    File& mine = own(file);
    const std::scoped_lock lock(mine.disk->mutex);
    if (mine.disk->off)
        return SQLITE_IOERR_READ;
    const std::string& now = (*mine.content)->now;
    const auto wanted = static_cast<std::size_t>(size);
    const std::size_t from = std::min(static_cast<std::size_t>(at), now.size());
    const std::size_t there = std::min(wanted, now.size() - from);
    std::memcpy(out, now.data() + from, there);
    std::memset(static_cast<char*>(out) + there, 0, wanted - there);
    return there == wanted ? SQLITE_OK : SQLITE_IOERR_SHORT_READ;
}

int write_file_at(sqlite3_file* file, const void* bytes, int size, sqlite3_int64 at) {
    File& mine = own(file);
    const std::scoped_lock lock(mine.disk->mutex);
    if (!mine.disk->begin_operation())
        return SQLITE_IOERR_WRITE;
    if (mine.disk->failure == Failure::full || std::exchange(mine.disk->refuses_one, false))
        return SQLITE_FULL;
    if (mine.disk->failure == Failure::write)
        return SQLITE_IOERR_WRITE;
    Content& content = **mine.content;
    Write write{static_cast<std::uint64_t>(at),
                std::string(static_cast<const char*>(bytes), static_cast<std::size_t>(size)), false};
    if (!mine.disk->has_room(content, write.at + write.bytes.size()))
        return SQLITE_FULL;
    put_into(write, content.now);
    content.pending.push_back(std::move(write));
    return SQLITE_OK;
}

int truncate_file(sqlite3_file* file, sqlite3_int64 size) {
    File& mine = own(file);
    const std::scoped_lock lock(mine.disk->mutex);
    if (!mine.disk->begin_operation())
        return SQLITE_IOERR_TRUNCATE;
    Write write{static_cast<std::uint64_t>(size), {}, true};
    put_into(write, (*mine.content)->now);
    (*mine.content)->pending.push_back(std::move(write));
    return SQLITE_OK;
}

int sync_file(sqlite3_file* file, int) {
    File& mine = own(file);
    const std::scoped_lock lock(mine.disk->mutex);
    if (!mine.disk->begin_operation())
        return SQLITE_IOERR_FSYNC;
    if (mine.disk->failure == Failure::sync)
        return SQLITE_IOERR_FSYNC;
    if (mine.disk->ignores_syncs)
        return SQLITE_OK;
    ++mine.disk->syncs;
    Content& content = **mine.content;
    carry(content.pending, content.path);
    content.pending.clear();
    return SQLITE_OK;
}

int size_of_file(sqlite3_file* file, sqlite3_int64* size) {
    File& mine = own(file);
    const std::scoped_lock lock(mine.disk->mutex);
    if (mine.disk->off)
        return SQLITE_IOERR_FSTAT;
    *size = static_cast<sqlite3_int64>((*mine.content)->now.size());
    return SQLITE_OK;
}

int lock_file(sqlite3_file* file, int level) { return real_methods(file).xLock(own(file).real(), level); }
int unlock_file(sqlite3_file* file, int level) { return real_methods(file).xUnlock(own(file).real(), level); }
int check_reserved(sqlite3_file* file, int* out) {
    return real_methods(file).xCheckReservedLock(own(file).real(), out);
}
// Hints about sizes would reach the real file past the promise; all others pass.
int file_control(sqlite3_file* file, int what, void* argument) {
    if (what == SQLITE_FCNTL_SIZE_HINT || what == SQLITE_FCNTL_CHUNK_SIZE)
        return SQLITE_OK;
    return real_methods(file).xFileControl(own(file).real(), what, argument);
}
int sector_size(sqlite3_file*) { return 512; }
// As SQLite's own VFS does: a write that a cut tears harms no byte beside it.
int characteristics(sqlite3_file*) { return SQLITE_IOCAP_POWERSAFE_OVERWRITE; }
int shm_map(sqlite3_file* file, int page, int size, int extend, void volatile** out) {
    return real_methods(file).xShmMap(own(file).real(), page, size, extend, out);
}
int shm_lock(sqlite3_file* file, int offset, int count, int flags) {
    return real_methods(file).xShmLock(own(file).real(), offset, count, flags);
}
void shm_barrier(sqlite3_file* file) { real_methods(file).xShmBarrier(own(file).real()); }
int shm_unmap(sqlite3_file* file, int remove) {
    return real_methods(file).xShmUnmap(own(file).real(), remove);
}

const sqlite3_io_methods methods{
    2,         close_file,  read_file_at,   write_file_at, truncate_file, sync_file,       size_of_file,
    lock_file, unlock_file, check_reserved, file_control,  sector_size,   characteristics, shm_map,
    shm_lock,  shm_barrier, shm_unmap,      nullptr,       nullptr};

State& disk_of(sqlite3_vfs* vfs) { return *static_cast<State*>(vfs->pAppData); }

int open_file(sqlite3_vfs* vfs, const char* path, sqlite3_file* file, int flags, int* out_flags) {
    State& disk = disk_of(vfs);
    const std::scoped_lock lock(disk.mutex);
    File& mine = own(file);
    mine.base.pMethods = nullptr;
    mine.disk = &disk;
    mine.content = nullptr;
    mine.real()->pMethods = nullptr;
    if (disk.off || path == nullptr)
        return SQLITE_CANTOPEN;
    const int code = disk.real->xOpen(disk.real, path, mine.real(), flags, out_flags);
    if (code != SQLITE_OK)
        return code;
    auto& content = disk.files[path];
    if (content == nullptr)
        content = std::make_shared<Content>(Content{.path = path, .now = read_file(path), .pending = {}});
    mine.content = new std::shared_ptr<Content>(content);
    mine.base.pMethods = &methods;
    return SQLITE_OK;
}

int delete_file(sqlite3_vfs* vfs, const char* path, int sync_folder) {
    State& disk = disk_of(vfs);
    const std::scoped_lock lock(disk.mutex);
    if (disk.off)
        return SQLITE_IOERR_DELETE;
    disk.files.erase(path);
    return disk.real->xDelete(disk.real, path, sync_folder);
}

int access_file(sqlite3_vfs* vfs, const char* path, int flags, int* out) {
    State& disk = disk_of(vfs);
    return disk.real->xAccess(disk.real, path, flags, out);
}
int full_path(sqlite3_vfs* vfs, const char* path, int size, char* out) {
    State& disk = disk_of(vfs);
    return disk.real->xFullPathname(disk.real, path, size, out);
}

}  // namespace

PowerCutDisk::PowerCutDisk(std::shared_ptr<State> state) : state_(std::move(state)) {}

PowerCutDisk& PowerCutDisk::register_as(const std::string& name) {
    auto state = std::make_shared<State>();
    state->real = sqlite3_vfs_find(nullptr);
    state->name = name;
    state->vfs = *state->real;
    state->vfs.szOsFile = static_cast<int>(sizeof(File)) + state->real->szOsFile;
    state->vfs.zName = state->name.c_str();
    state->vfs.pNext = nullptr;
    state->vfs.pAppData = state.get();
    state->vfs.xOpen = open_file;
    state->vfs.xDelete = delete_file;
    state->vfs.xAccess = access_file;
    state->vfs.xFullPathname = full_path;
    if (sqlite3_vfs_register(&state->vfs, 0) != SQLITE_OK)
        throw std::runtime_error("SQLite does not take the VFS " + name);
    // SQLite keeps the pointer until the process ends.
    return *new PowerCutDisk(std::move(state));
}

void PowerCutDisk::cut_before(std::uint64_t operation) {
    const std::scoped_lock lock(state_->mutex);
    state_->cut_before = operation == 0 ? 0 : state_->operations + operation;
}
void PowerCutDisk::cut() {
    const std::scoped_lock lock(state_->mutex);
    if (!state_->off)
        state_->fail_power();
}
void PowerCutDisk::power_on() {
    const std::scoped_lock lock(state_->mutex);
    state_->files.clear();
    state_->off = false;
    state_->cut_before = 0;
    state_->operations = 0;
    state_->syncs = 0;
}
void PowerCutDisk::tear(std::uint64_t seed) {
    const std::scoped_lock lock(state_->mutex);
    state_->tear_seed = seed;
}
void PowerCutDisk::ignore_syncs(bool ignore) {
    const std::scoped_lock lock(state_->mutex);
    state_->ignores_syncs = ignore;
}
void PowerCutDisk::limit_bytes(std::uint64_t bytes) {
    const std::scoped_lock lock(state_->mutex);
    state_->limit = bytes;
}
void PowerCutDisk::fail(Failure how) {
    const std::scoped_lock lock(state_->mutex);
    state_->failure = how;
}
void PowerCutDisk::refuse_one_write() {
    const std::scoped_lock lock(state_->mutex);
    state_->refuses_one = true;
}
bool PowerCutDisk::is_cut() const {
    const std::scoped_lock lock(state_->mutex);
    return state_->off;
}
std::uint64_t PowerCutDisk::operations() const {
    const std::scoped_lock lock(state_->mutex);
    return state_->operations;
}
std::uint64_t PowerCutDisk::syncs() const {
    const std::scoped_lock lock(state_->mutex);
    return state_->syncs;
}

}  // namespace tautgate::faults
