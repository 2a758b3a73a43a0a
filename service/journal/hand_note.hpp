// What the process had in hand when it died. Before an event is decided it is noted in a mapped file, after
// it the note is cleared; nothing is synced, since the kernel keeps a mapped page over the death of a
// process. The next start reads the note and sets that event aside instead of dying of it again. A power cut
// is no death of a process: a note of another boot is not believed.
//
// The same file counts ends that were not in order, so that a station that keeps dying comes up withheld and
// explaining instead. Used by the loop's thread; the caller holds the station's lock and gives the time.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

#include "service/interlock/event.hpp"
#include "service/journal/journal_error.hpp"

namespace tautgate::journal {

// The event that was being decided.
struct InHand {
    std::string raw;                        // as it was noted
    std::optional<interlock::Event> event;  // nothing: too long for the note, or of another program version
};

class HandNote {
  public:
    static constexpr std::int64_t lately_ns = 600'000'000'000;  // ten minutes

    [[nodiscard]] static std::filesystem::path path_beside(const std::filesystem::path& journal) {
        return journal.string() + ".hand";
    }
    // `monotonic_ns` is the time since the boot `boot`. Opening marks the process as running.
    [[nodiscard]] static std::expected<HandNote, JournalError>
    open(const std::filesystem::path& journal, std::string_view boot, std::int64_t monotonic_ns);
    ~HandNote();
    HandNote(HandNote&& other) noexcept;
    HandNote& operator=(HandNote&& other) noexcept;
    HandNote(const HandNote&) = delete;
    HandNote& operator=(const HandNote&) = delete;

    // As found at opening.
    [[nodiscard]] const std::optional<InHand>& found() const noexcept { return found_; }
    // Ends without ended_in_order() in this boot within the last ten minutes, as found at opening.
    [[nodiscard]] std::uint32_t unclean_ends_lately() const noexcept { return unclean_ends_; }

    void note(const interlock::Event& event) noexcept;
    void clear() noexcept;
    void ended_in_order() noexcept;
    // People saw why the station came up withheld: the count begins anew.
    void forget_unclean_ends() noexcept;

  private:
    struct Page;
    HandNote(int file, Page* page) : file_(file), page_(page) {}

    int file_ = -1;
    Page* page_ = nullptr;
    std::optional<InHand> found_;
    std::uint32_t unclean_ends_ = 0;
};

}  // namespace tautgate::journal
