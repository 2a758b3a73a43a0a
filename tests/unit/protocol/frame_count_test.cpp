#include <limits>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/frame_count.hpp"

using namespace tautgate::protocol;

namespace {

FrameCounter frame_counting(std::uint64_t lowest, std::uint64_t highest) {
    return {.field = {.place = AtIndex{0}}, .lowest = lowest, .highest = highest};
}

FrameCount known_at(std::uint64_t counter, std::string mark = {}) {
    return FrameCount(FrameCount::Known{"e", counter, std::move(mark)});
}

}  // namespace

TEST_CASE("the count of a tool goes on beyond its highest number") {
    CHECK(known_at(65535).unroll(frame_counting(0, 65535), 0, "e") == 65536);
    CHECK(known_at(65535).unroll(frame_counting(1, 65535), 1, "e") == 65536);
    CHECK(known_at(65536).unroll(frame_counting(0, 65535), 1, "e") == 65537);
    CHECK(known_at(9999).unroll(frame_counting(1, 9999), 3, "e") == 10002);
    const auto highest = std::numeric_limits<std::uint64_t>::max();
    CHECK(known_at(41).unroll(frame_counting(0, highest), 42, "e") == 42);
}

TEST_CASE("what lies shortly before the newest is sent again, anything else behind it is the number itself") {
    const auto ring = frame_counting(0, 65535);
    CHECK(known_at(65540).unroll(ring, 65535, "e") == 65535);
    CHECK(known_at(65540).unroll(ring, 4, "e") == 65540);
    CHECK(known_at(65540).unroll(ring, 65524, "e") == 65524);
    // 17 before: a count that starts anew is for the interlock to find.
    CHECK(known_at(131092).unroll(ring, 3, "e") == 3);
    CHECK(known_at(5).unroll(ring, 65535, "e") == 65535);  // there was no such result
}

TEST_CASE("without anything known, and in another epoch, the number is the number") {
    CHECK(FrameCount().unroll(frame_counting(0, 65535), 7, "e") == 7);
    CHECK(known_at(65535).unroll(frame_counting(0, 65535), 0, "f") == 0);
    CHECK(known_at(70000).unroll(frame_counting(1, 65535), 0, "e") == 0);         // no result yet
    CHECK(known_at(70000).unroll(frame_counting(1, 9999), 12000, "e") == 12000);  // no such count
}

TEST_CASE("counted one by one, no ring is too small to be followed") {
    const bool holds = rc::check("the count goes on", [] {
        const auto lowest = *rc::gen::inRange<std::uint64_t>(0, 2);
        const auto size = *rc::gen::inRange<std::uint64_t>(2, 100);
        const auto counter = frame_counting(lowest, lowest + size - 1);
        FrameCount count;
        std::uint64_t raw = lowest;
        for (std::uint64_t number = lowest; number < 5 * size; ++number) {
            RC_ASSERT(count.unroll(counter, raw, "e") == number);
            count.heard("e", number);
            RC_ASSERT(count.unroll(counter, raw, "e") == number);
            raw = raw == counter.highest ? lowest : raw + 1;
        }
    });
    CHECK(holds);
}

TEST_CASE("a number that is not newer changes nothing, and another epoch begins anew") {
    FrameCount count = known_at(10);
    count.heard("e", 9);
    CHECK(count.known()->counter == 10);
    count.heard("e", 11, "m");
    CHECK(*count.known() == FrameCount::Known{"e", 11, "m"});
    count.heard("f", 1);
    CHECK(*count.known() == FrameCount::Known{"f", 1, {}});
}

TEST_CASE("a tool that does not count is given one number more with each other stamp") {
    FrameCount count;
    CHECK(count.by_mark("10:15:00") == 1);
    count.heard("e", 1, "10:15:00");
    CHECK(count.by_mark("10:15:00") == 1);
    CHECK(count.by_mark("10:15:01") == 2);
    CHECK(count.epoch_by_mark("10:15:01") == "e");
}

TEST_CASE("after a while unheard only the last stamp shows that nothing was made meanwhile") {
    FrameCount count = known_at(7, "10:15:00");
    count.unwatched("f");
    CHECK(count.by_mark("10:15:00") == 7);
    CHECK(count.epoch_by_mark("10:15:00") == "e");
    CHECK(count.by_mark("10:20:00") == 1);
    CHECK(count.epoch_by_mark("10:20:00") == "f");
    count.heard("f", 1, "10:20:00");
    CHECK(count.by_mark("10:21:00") == 2);
    CHECK(count.epoch_by_mark("10:21:00") == "f");
    FrameCount fresh;
    fresh.unwatched("f");
    CHECK(fresh.by_mark("x") == 1);
    CHECK(fresh.epoch_by_mark("x") == "f");
}
