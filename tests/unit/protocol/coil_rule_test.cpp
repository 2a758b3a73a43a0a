// The rule of simple equipment: what a coil alone may let happen, and what it may not.
#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/coil_rule.hpp"

using namespace tautgate::protocol;

namespace {

constexpr CoilSettings coil_settings{.beat_limit_ms = 500, .heartbeat_ms = 200, .moved_ms = 1000};
constexpr std::uint64_t coil_scan_ms = 20;

// Equipment with one permissive, scanned every 20 ms; the station switches its alive coil over every fifth.
struct CoilRig {
    CoilLine line;
    CoilPointState point;
    CoilInputs inputs;
    bool alive = false;
    bool station_lives = true;
    std::uint64_t now_ms = 5000;
    unsigned scans = 0;

    static constexpr unsigned scans_per_beat = 5;

    CoilRig& scan(unsigned times = 1) {
        for (unsigned i = 0; i < times; ++i) {
            now_ms += coil_scan_ms;
            if (station_lives && ++scans % scans_per_beat == 0)
                alive = !alive;
            line = coil_line_step(line, coil_settings, alive, now_ms);
            point = coil_point_step(point, coil_settings, line, inputs, now_ms);
        }
        return *this;
    }
    CoilRig& release(bool on) {
        inputs.release = on;
        return scan();
    }
    // Until the alive coil was switched over so many times.
    CoilRig& beats(unsigned times) { return scan(times * scans_per_beat); }
    CoilRig& present(bool is) {
        inputs.present = is;
        return scan();
    }
    CoilRig& moves(bool is = true) {
        inputs.moved = is;
        return scan();
    }
    [[nodiscard]] bool moving() const { return may_move(line, point); }
    static CoilRig released() {
        CoilRig rig;
        rig.scan(10).present(true).release(true).beats(2);
        REQUIRE(rig.moving());
        return rig;
    }
};

}  // namespace

TEST_CASE("a coil that comes on for a unit that stands there lets it move") {
    CoilRig rig;
    rig.scan(10);
    CHECK_FALSE(rig.moving());
    CHECK_FALSE(rig.present(true).moving());
    CHECK(rig.release(true).beats(2).moving());
    CHECK_FALSE(rig.release(false).moving());
}

TEST_CASE(
    "a release counts from the second change of the alive coil on, and goes off in the scan that sees it") {
    CoilRig rig;
    rig.scan(10).present(true);
    rig.inputs.release = true;
    unsigned switched = 0;
    while (switched < 2) {
        CHECK_FALSE(rig.moving());
        rig.scan();
        switched += rig.line.switched ? 1 : 0;
    }
    CHECK(rig.moving());
    CHECK_FALSE(rig.release(false).moving());
    CHECK_FALSE(rig.release(true).beats(1).moving());
    CHECK(rig.beats(1).moving());
}

TEST_CASE(
    "one wrong write of a release coil lets nothing move, whenever it comes and the next one mends it") {
    for (unsigned begins = 0; begins < CoilRig::scans_per_beat; ++begins) {
        CoilRig rig;
        rig.scan(10 + begins).present(true);
        rig.inputs.release = true;
        // The station writes it off again before it switches its alive coil over the next time but one.
        for (unsigned i = 0; i < CoilRig::scans_per_beat; ++i)
            CHECK_FALSE(rig.scan().moving());
        rig.inputs.release = false;
        for (unsigned i = 0; i < 20; ++i)
            CHECK_FALSE(rig.scan().moving());
    }
}

TEST_CASE("a coil whose alive coil stands still drops the release, and it does not come back with it") {
    auto rig = CoilRig::released();
    rig.station_lives = false;
    const std::uint64_t switched = rig.line.switched_ms;
    while (rig.moving())
        rig.scan();
    CHECK(rig.now_ms - switched == coil_settings.beat_limit_ms);
    rig.station_lives = true;
    CHECK_FALSE(rig.scan(50).moving());
    CHECK(rig.line.good);
    CHECK_FALSE(rig.release(false).moving());
    CHECK(rig.release(true).beats(2).moving());
}

TEST_CASE("a stand-still that ends within one scan is one all the same") {
    auto rig = CoilRig::released();
    rig.now_ms += coil_settings.beat_limit_ms;
    rig.alive = !rig.alive;
    rig.scan();
    CHECK(rig.line.good);
    CHECK_FALSE(rig.moving());
}

TEST_CASE("a release coil that is stuck on releases nothing") {
    CoilRig rig;
    rig.inputs.release = true;
    rig.scan(10).present(true);
    CHECK_FALSE(rig.scan(100).moving());
}

TEST_CASE("an alive coil that is stuck on releases nothing") {
    CoilRig rig;
    rig.station_lives = false;
    rig.alive = true;
    rig.scan(10).present(true).release(true);
    CHECK_FALSE(rig.scan(100).moving());
    CHECK_FALSE(rig.line.good);
}

TEST_CASE("a movement uses its release up, and the coil must be off before the next") {
    auto rig = CoilRig::released();
    CHECK_FALSE(rig.moves().moving());
    CHECK_FALSE(rig.moves(false).scan(100).moving());
    CHECK(rig.release(false).release(true).beats(2).moving());
}

TEST_CASE("a coil that is still on when another unit comes does not release that one") {
    auto rig = CoilRig::released();
    rig.present(false);
    CHECK_FALSE(rig.moving());
    CHECK_FALSE(rig.present(true).scan(20).moving());
    CHECK(rig.release(false).release(true).beats(2).moving());
}

TEST_CASE("after a start of the program the coil must be seen off and the alive coil switched over") {
    auto rig = CoilRig::released();
    rig.line = {};
    rig.point = {};
    CHECK_FALSE(rig.scan(50).moving());
    CHECK(rig.release(false).release(true).beats(2).moving());
}

TEST_CASE("moved is shown until the release was seen off for its time, and longer while the line is down") {
    auto rig = CoilRig::released();
    rig.moves().moves(false);
    CHECK(rig.scan(200).point.shows_moved);
    rig.release(false).scan(10);
    CHECK(rig.point.shows_moved);
    rig.station_lives = false;
    CHECK(rig.scan(300).point.shows_moved);
    rig.station_lives = true;
    while (!rig.line.good)
        rig.scan();
    const std::uint64_t good_since = rig.now_ms;
    while (rig.point.shows_moved)
        rig.scan();
    CHECK(rig.now_ms - good_since == coil_settings.moved_ms - coil_scan_ms);
}

TEST_CASE("the heartbeat is switched over at its pace, whether the station lives or not") {
    CoilRig rig;
    rig.station_lives = GENERATE(true, false);
    rig.scan();
    unsigned switched = 0;
    for (bool last = rig.line.heartbeat; rig.now_ms < 7020; last = rig.line.heartbeat)
        switched += rig.scan().line.heartbeat != last ? 1 : 0;
    CHECK(switched == 10);
}

TEST_CASE("whatever the coils and inputs do, a movement is let happen only by a coil that came on for it") {
    const bool holds = rc::check("coil rule", [] {
        CoilRig rig;
        bool seen_off = false;  // since the unit came, the last movement and the last stand-still
        std::uint64_t switched_at = 0;
        bool switched_once = false;
        unsigned on_switches = 0;  // changes of the alive coil at which the release was on since then
        const auto count = *rc::gen::inRange(1, 200);
        for (int i = 0; i < count; ++i) {
            const CoilInputs before = rig.inputs;
            const bool was_alive = rig.alive;
            rig.inputs.release = *rc::gen::weightedElement<bool>({{4, before.release}, {1, !before.release}});
            rig.inputs.present = *rc::gen::weightedElement<bool>({{8, before.present}, {1, !before.present}});
            rig.inputs.moved = *rc::gen::weightedElement<bool>({{8, before.moved}, {1, !before.moved}});
            rig.alive = *rc::gen::weightedElement<bool>({{2, was_alive}, {1, !was_alive}});
            rig.station_lives = false;
            rig.now_ms += *rc::gen::element<std::uint64_t>(0, 0, 0, 100, 480, 500);
            rig.scan();
            const bool first = i == 0;
            const bool late = rig.now_ms - switched_at >= coil_settings.beat_limit_ms;
            const bool switches = !first && rig.alive != was_alive;
            if (first || !switched_once || late || rig.inputs.present != before.present ||
                (rig.inputs.moved && !before.moved))
                seen_off = false;
            if (switches) {
                switched_once = true;
                switched_at = rig.now_ms;
            } else if (late) {
                switched_once = false;
            }
            seen_off = seen_off || (switched_once && rig.inputs.present && !rig.inputs.release);
            if (!seen_off || !rig.inputs.release)
                on_switches = 0;
            else if (switches)
                ++on_switches;
            RC_ASSERT(rig.moving() == (switched_once && seen_off && on_switches >= 2 && rig.inputs.present &&
                                       rig.inputs.release));
        }
    });
    CHECK(holds);
}
