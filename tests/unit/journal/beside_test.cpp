#include <catch2/catch.hpp>

#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "service/journal/hand_note.hpp"
#include "service/journal/reserve.hpp"
#include "service/journal/station_lock.hpp"
#include "tests/unit/journal/samples.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;
using namespace tautgate::journal;

namespace {

constexpr std::int64_t second_ns = 1'000'000'000;

interlock::Event some_event() {
    return {.number = EventNumber{41},
            .at = {.utc_us = 5, .monotonic_ns = 6, .boot = "boot-a"},
            .payload = interlock::LabelMisread{.bay = {"bay-1"}, .raw = "?", .why = "no label"}};
}

// A process that dies between noting an event and clearing the note.
void die_with_in_hand(const std::filesystem::path& journal, std::string_view boot, std::int64_t at_ns) {
    const pid_t child = ::fork();
    if (child == 0) {
        auto note = HandNote::open(journal, boot, at_ns);
        note->note(some_event());
        ::_exit(9);
    }
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    REQUIRE(WEXITSTATUS(status) == 9);
}

}  // namespace

TEST_CASE("a second process of the same station is refused while the first lives, and admitted after") {
    const scratch::Folder folder;
    {
        const auto first = StationLock::take(folder.journal());
        REQUIRE(first.has_value());
        const auto second = StationLock::take(folder.journal());
        REQUIRE_FALSE(second.has_value());
        CHECK(second.error().fault == JournalFault::in_use);
        CHECK(to_text(second.error()) ==
              folder.journal().string() +
                  ".lock: another process runs this station; end that one first, or give "
                  "this station a journal of its own");
    }
    CHECK(StationLock::take(folder.journal()).has_value());
}

TEST_CASE("a folder that this user may not write is told so, and not as one that is not there") {
    const scratch::Folder folder;
    const bool is_root = ::geteuid() == 0;  // whom no rights stop
    constexpr uid_t nobody = 65'534;
    const auto above = folder.journal().parent_path();
    REQUIRE(::chmod(above.c_str(), 0555) == 0);
    if (is_root)
        REQUIRE(::seteuid(nobody) == 0);
    const auto lock = StationLock::take(folder.journal());
    if (is_root)
        REQUIRE(::seteuid(0) == 0);
    REQUIRE(::chmod(above.c_str(), 0755) == 0);
    REQUIRE_FALSE(lock.has_value());
    CHECK(lock.error().what.find("may not be written by user ") != std::string::npos);
    CHECK(lock.error().what.find("No such file") == std::string::npos);
}

TEST_CASE("an event that was in hand when the process died is found by the next start, once") {
    const scratch::Folder folder;
    die_with_in_hand(folder.journal(), "boot-a", second_ns);
    {
        const auto note = HandNote::open(folder.journal(), "boot-a", 2 * second_ns);
        REQUIRE(note.has_value());
        REQUIRE(note->found().has_value());
        CHECK(note->found()->event == some_event());
        CHECK_FALSE(note->found()->raw.empty());
    }
    const auto again = HandNote::open(folder.journal(), "boot-a", 3 * second_ns);
    CHECK_FALSE(again->found().has_value());
}

TEST_CASE("a note of another boot is not believed") {
    const scratch::Folder folder;
    die_with_in_hand(folder.journal(), "boot-a", second_ns);
    const auto note = HandNote::open(folder.journal(), "boot-b", second_ns);
    REQUIRE(note.has_value());
    CHECK_FALSE(note->found().has_value());
    CHECK(note->unclean_ends_lately() == 0);
}

TEST_CASE("an event that was decided before the end is not in hand") {
    const scratch::Folder folder;
    {
        auto note = HandNote::open(folder.journal(), "boot-a", second_ns);
        note->note(some_event());
        note->clear();
    }
    const auto note = HandNote::open(folder.journal(), "boot-a", second_ns);
    CHECK_FALSE(note->found().has_value());
    CHECK(note->unclean_ends_lately() == 1);
}

TEST_CASE("an event too long for the note is found by its beginning") {
    const scratch::Folder folder;
    {
        auto note = HandNote::open(folder.journal(), "boot-a", second_ns);
        interlock::Event event = some_event();
        event.payload = interlock::SnapshotTaken{std::string(600'000, 's')};
        note->note(event);
    }
    const auto note = HandNote::open(folder.journal(), "boot-a", second_ns);
    REQUIRE(note->found().has_value());
    CHECK(note->found()->raw.size() == 256 * 1024);
    CHECK_FALSE(note->found()->event.has_value());
}

TEST_CASE("only ends that were not in order, of this boot and of the last ten minutes, are counted") {
    const scratch::Folder folder;
    const auto start = [&](std::int64_t at_s, bool in_order) {
        auto note = HandNote::open(folder.journal(), "boot-a", at_s * second_ns);
        const std::uint32_t counted = note->unclean_ends_lately();
        if (in_order)
            note->ended_in_order();
        return counted;
    };
    CHECK(start(0, false) == 0);
    CHECK(start(10, true) == 1);
    CHECK(start(20, false) == 1);
    CHECK(start(30, false) == 2);
    CHECK(start(40, false) == 3);
    CHECK(start(629, false) == 3);  // the end seen at 10 s is too old; 30, 40 and this one count
    CHECK(start(5000, false) == 1);
    for (int i = 0; i < 20; ++i)
        CHECK(start(5001 + i, false) <= 8);
}

TEST_CASE("people who saw why the station stays withheld begin the count anew") {
    const scratch::Folder folder;
    { const auto note = HandNote::open(folder.journal(), "boot-a", 0); }
    {
        auto note = HandNote::open(folder.journal(), "boot-a", 1);
        CHECK(note->unclean_ends_lately() == 1);
        note->forget_unclean_ends();
        note->ended_in_order();
    }
    CHECK(HandNote::open(folder.journal(), "boot-a", 2)->unclean_ends_lately() == 0);
}

TEST_CASE("the reserve takes room and gives it back once") {
    const scratch::Folder folder;
    auto reserve = Reserve::keep(folder.journal(), 1 << 20);
    REQUIRE(reserve.has_value());
    const auto path = folder.journal().string() + ".reserve";
    CHECK(std::filesystem::file_size(path) == 1 << 20);
    CHECK(reserve->give_up());
    CHECK_FALSE(std::filesystem::exists(path));
    CHECK_FALSE(reserve->give_up());
    CHECK_FALSE(Reserve::keep(folder.path() / "nowhere" / "j", 1).has_value());
}

TEST_CASE("filling up warns long before the reserve is reached") {
    constexpr std::uint64_t gib = 1024ULL * 1024 * 1024;
    CHECK(space_level(50 * gib, 100 * gib, gib / 8) == SpaceLevel::ample);
    CHECK(space_level(2 * gib, 100 * gib, gib / 8) == SpaceLevel::ample);
    CHECK(space_level(2 * gib - 1, 100 * gib, gib / 8) == SpaceLevel::low);
    CHECK(space_level(gib / 2 - 1, 100 * gib, gib / 8) == SpaceLevel::very_low);
    CHECK(space_level(gib / 8 - 1, 100 * gib, gib / 8) == SpaceLevel::at_reserve);
    // On a small disk the share counts.
    CHECK(space_level(gib / 5 - 1, gib, gib / 32) == SpaceLevel::low);
    CHECK(space_level(gib / 10 - 1, gib, gib / 32) == SpaceLevel::very_low);
    const scratch::Folder folder;
    const auto space = space_beside(folder.journal(), 0);
    REQUIRE(space.has_value());
    CHECK(space->free_bytes > 0);
    CHECK(space->all_bytes >= space->free_bytes);
}
