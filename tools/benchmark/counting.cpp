// Counts what a process asks of the memory and of the disk, by standing in front of the C library
// (LD_PRELOAD). Passes every call on unchanged. Without the file to count in, it only passes on.
#include <array>
#include <atomic>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <cstring>

#include <dlfcn.h>
#include <fcntl.h>
#include <sys/mman.h>
#include <unistd.h>

#include "tools/benchmark/counters.hpp"

namespace {

using tautgate::benchmark::Counters;

Counters& counters() {
    // The first call may come before anything of this library is set up; nothing here allocates.
    static Counters unseen{};
    static std::atomic<Counters*> seen{nullptr};
    static std::atomic<bool> looked{false};
    if (!looked.exchange(true)) {
        // Nothing changes the environment after the start.
        const char* const file =
            std::getenv(tautgate::benchmark::counters_variable);  // NOLINT(concurrency-mt-unsafe)
        const int handle = file != nullptr ? ::open(file, O_RDWR | O_CLOEXEC) : -1;
        if (handle >= 0) {
            void* const mapped =
                ::mmap(nullptr, sizeof(Counters), PROT_READ | PROT_WRITE, MAP_SHARED, handle, 0);
            ::close(handle);
            if (mapped != MAP_FAILED)
                seen = static_cast<Counters*>(mapped);
        }
    }
    Counters* const there = seen;
    return there != nullptr ? *there : unseen;
}

void count_allocation(std::size_t bytes) {
    Counters& counted = counters();
    counted.allocations.fetch_add(1, std::memory_order_relaxed);
    counted.allocated_bytes.fetch_add(bytes, std::memory_order_relaxed);
}

void count_write(ssize_t written) {
    Counters& counted = counters();
    counted.file_writes.fetch_add(1, std::memory_order_relaxed);
    if (written > 0)
        counted.written_bytes.fetch_add(static_cast<std::uint64_t>(written), std::memory_order_relaxed);
}

// dlsym() itself may allocate while the real calloc is being looked for: it gets this room, which is never
// freed.
alignas(std::max_align_t) std::array<char, 16384> early_room{};
std::atomic<std::size_t> early_used{0};

bool is_early(const void* block) {
    const auto* const bytes = static_cast<const char*>(block);
    return bytes >= early_room.data() && bytes < early_room.data() + early_room.size();
}

void* early(std::size_t bytes) {
    const std::size_t whole = (bytes + alignof(std::max_align_t) - 1) & ~(alignof(std::max_align_t) - 1);
    const std::size_t at = early_used.fetch_add(whole);
    return at + whole <= early_room.size() ? early_room.data() + at : nullptr;
}

template <class Function>
Function next(const char* name) {
    void* const found = ::dlsym(RTLD_NEXT, name);
    if (found == nullptr)
        std::abort();
    return std::bit_cast<Function>(found);
}

using Malloc = void* (*)(std::size_t);
using Calloc = void* (*)(std::size_t, std::size_t);
using Realloc = void* (*)(void*, std::size_t);
using Free = void (*)(void*);
using Aligned = void* (*)(std::size_t, std::size_t);
using PosixAligned = int (*)(void**, std::size_t, std::size_t);
using Sync = int (*)(int);
using Write = ssize_t (*)(int, const void*, std::size_t);
using PWrite = ssize_t (*)(int, const void*, std::size_t, off_t);

struct Real {
    Malloc malloc;
    Calloc calloc;
    Realloc realloc;
    Free free;
    Aligned aligned_alloc;
    PosixAligned posix_memalign;
    Sync fdatasync;
    Sync fsync;
    Write write;
    PWrite pwrite;
    PWrite pwrite64;
};

Real real_ones{};
std::atomic<int> stage{0};  // 1: being looked for; 2: known

// Nothing: they are being looked for by this very call (or, at the start, by another).
const Real* real() {
    if (stage.load(std::memory_order_acquire) == 2)
        return &real_ones;
    int fresh = 0;
    if (!stage.compare_exchange_strong(fresh, 1))
        return nullptr;
    real_ones = {next<Malloc>("malloc"),         next<Calloc>("calloc"),
                 next<Realloc>("realloc"),       next<Free>("free"),
                 next<Aligned>("aligned_alloc"), next<PosixAligned>("posix_memalign"),
                 next<Sync>("fdatasync"),        next<Sync>("fsync"),
                 next<Write>("write"),           next<PWrite>("pwrite"),
                 next<PWrite>("pwrite64")};
    stage.store(2, std::memory_order_release);
    return &real_ones;
}

// Before the program has a second thread, so that no thread ever finds the others' look-up half done.
__attribute__((constructor)) void look_up() { static_cast<void>(real()); }

}  // namespace

extern "C" {

void* malloc(std::size_t bytes) {
    const Real* const to = real();
    if (to == nullptr)
        return early(bytes);
    count_allocation(bytes);
    return to->malloc(bytes);
}

void* calloc(std::size_t count, std::size_t bytes) {
    const Real* const to = real();
    if (to == nullptr)
        return early(count * bytes);  // still zero
    count_allocation(count * bytes);
    return to->calloc(count, bytes);
}

void* realloc(void* block, std::size_t bytes) {
    const Real* const to = real();
    if (to == nullptr || is_early(block)) {
        void* const fresh = to == nullptr ? early(bytes) : to->malloc(bytes);
        if (fresh != nullptr && block != nullptr) {
            const auto left =
                static_cast<std::size_t>(early_room.data() + early_room.size() - static_cast<char*>(block));
            std::memcpy(fresh, block, bytes < left ? bytes : left);
        }
        return fresh;
    }
    count_allocation(bytes);
    return to->realloc(block, bytes);
}

void free(void* block) {
    if (is_early(block))
        return;
    if (const Real* const to = real(); to != nullptr)
        to->free(block);
}

void* aligned_alloc(std::size_t alignment, std::size_t bytes) {
    const Real* const to = real();
    count_allocation(bytes);
    return to != nullptr ? to->aligned_alloc(alignment, bytes) : nullptr;
}

int posix_memalign(void** block, std::size_t alignment, std::size_t bytes) {
    const Real* const to = real();
    count_allocation(bytes);
    return to != nullptr ? to->posix_memalign(block, alignment, bytes) : 12;  // ENOMEM
}

int fdatasync(int file) {
    counters().syncs.fetch_add(1, std::memory_order_relaxed);
    return real()->fdatasync(file);
}

int fsync(int file) {
    counters().syncs.fetch_add(1, std::memory_order_relaxed);
    return real()->fsync(file);
}

ssize_t write(int file, const void* bytes, std::size_t count) {
    const ssize_t written = real()->write(file, bytes, count);
    count_write(written);
    return written;
}

ssize_t pwrite(int file, const void* bytes, std::size_t count, off_t at) {
    const ssize_t written = real()->pwrite(file, bytes, count, at);
    count_write(written);
    return written;
}

ssize_t pwrite64(int file, const void* bytes, std::size_t count, off_t at) {
    const ssize_t written = real()->pwrite64(file, bytes, count, at);
    count_write(written);
    return written;
}
}
