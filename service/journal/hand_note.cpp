#include "service/journal/hand_note.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <cerrno>
#include <cstring>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <sys/mman.h>
#include <unistd.h>

#include "service/interlock/canonical.hpp"

namespace tautgate::journal {

// The file, byte for byte. Only ever read by the machine that wrote it.
struct HandNote::Page {
    static constexpr std::size_t capacity = 256 * 1024;
    static constexpr std::size_t ends_kept = 8;

    std::array<char, 8> magic;  // "tagthnd1"
    std::array<char, 64> boot;
    std::uint32_t running;
    std::uint32_t ends;  // of `ended_ns` in use, oldest first
    std::array<std::int64_t, ends_kept> ended_ns;
    std::uint64_t whole_size;          // of the noted bytes, more than capacity if they were cut
    std::atomic<std::uint64_t> noted;  // bytes of `bytes` in use; 0: nothing in hand. Written last.
    std::array<char, capacity> bytes;
};

namespace {

constexpr std::array<char, 8> magic{'t', 'a', 'g', 't', 'h', 'n', 'd', '1'};

std::array<char, 64> boot_text(std::string_view boot) {
    std::array<char, 64> text{};
    std::copy_n(boot.begin(), std::min(boot.size(), text.size()), text.begin());
    return text;
}

}  // namespace

std::expected<HandNote, JournalError> HandNote::open(const std::filesystem::path& journal,
                                                     std::string_view boot, std::int64_t monotonic_ns) {
    const std::string path = path_beside(journal).string();
    const auto refuse = [&](const std::string& doing) {
        const std::error_code why(errno, std::generic_category());
        const bool full = why == std::errc::no_space_on_device;
        return std::unexpected(JournalError{
            .fault = full ? JournalFault::disk_full : JournalFault::cannot_open,
            .path = path,
            .what = "the note of the event in hand cannot be " + doing + ": " + why.message(),
            .remedy = full
                          ? "make room on this disk, then start the station again"
                          : "see that the folder exists and that the service's user may read and write in it",
            .event = std::nullopt});
    };
    const int file = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    if (file < 0)
        return refuse("opened");
    HandNote note(file, nullptr);
    // Room is taken now: a page that cannot be written later would end the process.
    if (const int code = ::posix_fallocate(file, 0, sizeof(Page)); code != 0) {
        errno = code;
        return refuse("given room");
    }
    void* mapped = ::mmap(nullptr, sizeof(Page), PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    if (mapped == MAP_FAILED)
        return refuse("mapped");
    note.page_ = static_cast<Page*>(mapped);

    Page& page = *note.page_;
    const auto this_boot = boot_text(boot);
    if (page.magic != magic || page.boot != this_boot || page.ends > Page::ends_kept) {
        page.magic = magic;
        page.boot = this_boot;
        page.running = 0;
        page.ends = 0;
        page.noted = 0;
    }
    if (page.running != 0) {
        if (page.ends == Page::ends_kept) {
            std::shift_left(page.ended_ns.begin(), page.ended_ns.end(), 1);
            --page.ends;
        }
        page.ended_ns[page.ends++] = monotonic_ns;
        const std::uint64_t size = std::min<std::uint64_t>(page.noted, Page::capacity);
        if (size > 0) {
            InHand in_hand{.raw = std::string(page.bytes.data(), size), .event = std::nullopt};
            if (page.whole_size == size)
                if (auto event = interlock::event_from(in_hand.raw))
                    in_hand.event = std::move(*event);
            note.found_ = std::move(in_hand);
        }
    }
    const auto* const ends = page.ended_ns.begin();
    note.unclean_ends_ = static_cast<std::uint32_t>(std::count_if(
        ends, ends + page.ends, [&](std::int64_t end) { return monotonic_ns - end <= lately_ns; }));
    page.noted = 0;
    page.running = 1;
    return note;
}

HandNote::~HandNote() {
    if (page_ != nullptr)
        ::munmap(page_, sizeof(Page));
    if (file_ >= 0)
        ::close(file_);
}
HandNote::HandNote(HandNote&& other) noexcept
    : file_(std::exchange(other.file_, -1)), page_(std::exchange(other.page_, nullptr)),
      found_(std::move(other.found_)), unclean_ends_(other.unclean_ends_) {}
HandNote& HandNote::operator=(HandNote&& other) noexcept {
    std::swap(file_, other.file_);
    std::swap(page_, other.page_);
    std::swap(found_, other.found_);
    std::swap(unclean_ends_, other.unclean_ends_);
    return *this;
}

void HandNote::note(const interlock::Event& event) noexcept {
    const std::string bytes = interlock::canonical_bytes(event);
    const std::size_t size = std::min(bytes.size(), Page::capacity);
    std::memcpy(page_->bytes.data(), bytes.data(), size);
    page_->whole_size = bytes.size();
    page_->noted.store(size, std::memory_order_release);
}

void HandNote::clear() noexcept { page_->noted.store(0, std::memory_order_release); }

void HandNote::ended_in_order() noexcept {
    clear();
    page_->running = 0;
}

void HandNote::forget_unclean_ends() noexcept { page_->ends = 0; }

}  // namespace tautgate::journal
