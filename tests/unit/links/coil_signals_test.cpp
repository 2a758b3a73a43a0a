// What the station makes of coils and inputs, on a clock of the test's own.
#include <catch2/catch.hpp>

#include "service/links/coil_signals.hpp"
#include "tests/unit/links/coil_station.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using interlock::ControllerReported;
using interlock::Presence;
using std::chrono::milliseconds;

namespace {

constexpr milliseconds look_every{20};

// Equipment that follows, until a test says otherwise, and the station's looks at it.
struct Watch {
    explicit Watch(const std::optional<KnownOfBay>& known = {},
                   const config::Station& station = coil_station(1))
        : signals(controller_frame(station, station.bays.front()), known) {
        REQUIRE(signals.reads() ==
                std::vector<protocol::BlockRange>{{protocol::RegisterTable::discrete_inputs, 16, 7}});
    }
    // One exchange: looks, then writes.
    FeedbackSeen look() {
        now += look_every;
        if (heart_beats)
            heartbeat = !heartbeat;
        if (echo_follows)
            echo = alive;
        auto seen = signals.take(
            std::vector<std::uint16_t>{echo, heartbeat, present, moved, acting, false, false}, on, now);
        if (seen.report)
            reports.push_back(*seen.report);
        alive = signals.alive(++beat, ended, now);
        signals.writes(on, now);
        signals.sent();
        return seen;
    }
    FeedbackSeen looks(int times) {
        FeedbackSeen seen;
        for (int i = 0; i < times; ++i)
            seen = look();
        return seen;
    }
    Watch& settled() {
        looks(10);
        return *this;
    }
    [[nodiscard]] const ControllerReported& last() const {
        REQUIRE_FALSE(reports.empty());
        return reports.back();
    }
    [[nodiscard]] bool open() const { return signals.guards().front().open; }

    CoilSignals signals;
    Instant now{std::chrono::hours(1)};
    std::uint16_t beat = 0;
    bool alive = false;
    bool echo = false;
    bool heartbeat = false;
    bool present = false;
    bool moved = false;
    bool acting = false;
    bool ended = false;
    bool echo_follows = true;
    bool heart_beats = true;
    std::vector<bool> on{false, false};
    std::vector<ControllerReported> reports;
};

KnownOfBay known_with(bool present) {
    return {.counts = {.arrivals = 7,
                       .departures = 6,
                       .starts = 3,
                       .moved = {{{"lift-beam"}, 5}, {{"carrier"}, 9}}},
            .present = present};
}

}  // namespace

TEST_CASE("an echo that stands still is no sign of life, whichever level it stands at") {
    Watch watch;
    watch.echo_follows = false;
    watch.echo = GENERATE(false, true);
    for (int i = 0; i < 50; ++i)
        REQUIRE_FALSE(watch.look().alive_as_of);
    CHECK(watch.look().why_not == "the controller's echo of the alive coil stands still");
}

TEST_CASE("equipment whose heartbeat stands still is not alive, though its echo follows") {
    Watch watch;
    watch.settled();
    REQUIRE(watch.look().alive_as_of);
    watch.heart_beats = false;
    watch.looks(20);
    CHECK(watch.look().why_not == "the controller's heartbeat stands still");
}

TEST_CASE("the alive coil waits for its echo, and stands still at the end") {
    Watch watch;
    watch.settled();
    watch.echo_follows = false;
    watch.look();
    const bool stood = watch.alive;
    for (int i = 0; i < 10; ++i) {
        watch.look();
        REQUIRE(watch.alive == stood);
    }
    watch.echo_follows = true;
    watch.look();
    CHECK(watch.alive != stood);
    watch.ended = true;
    const bool last = watch.alive;
    for (int i = 0; i < 10; ++i) {
        watch.look();
        REQUIRE(watch.alive == last);
    }
}

TEST_CASE("the alive coil is not switched over twice with one beat of the loop") {
    Watch watch;
    watch.settled();
    watch.look();
    const bool stood = watch.alive;
    --watch.beat;
    watch.look();
    CHECK(watch.alive == stood);
    watch.look();
    CHECK(watch.alive != stood);
}

TEST_CASE("edges are counted, once each") {
    Watch watch;
    watch.settled();
    CHECK(watch.last().present == Presence::absent);
    CHECK(watch.last().arrivals == 0);
    CHECK(watch.last().starts == 1);
    watch.present = true;
    watch.looks(5);
    CHECK(watch.last().present == Presence::present);
    CHECK(watch.last().arrivals == 1);
    watch.moved = true;
    watch.looks(5);
    watch.moved = false;
    watch.looks(5);
    CHECK(watch.last().moved.front().count == 1);
    CHECK(watch.last().moved.back().count == 0);
    watch.present = false;
    watch.looks(5);
    CHECK(watch.last().departures == 1);
    CHECK(watch.last().starts == 1);
}

TEST_CASE("a level that is there at the first look is no edge") {
    Watch watch;
    watch.present = true;
    watch.moved = true;
    watch.settled();
    CHECK(watch.last().present == Presence::present);
    CHECK(watch.last().arrivals == 0);
    CHECK(watch.last().moved.front().count == 0);
}

TEST_CASE("after a restart the counts go on from the record, and only what must have been is counted") {
    const bool was_there = GENERATE(false, true);
    const bool is_there = GENERATE(false, true);
    Watch watch{known_with(was_there)};
    watch.present = is_there;
    watch.settled();
    CHECK(watch.last().arrivals == (is_there && !was_there ? 8 : 7));
    CHECK(watch.last().departures == (was_there && !is_there ? 7 : 6));
    CHECK(watch.last().starts == 4);
    CHECK(watch.last().moved == std::vector<interlock::Moved>{{{"lift-beam"}, 5}, {{"carrier"}, 9}});
}

TEST_CASE("while the equipment is not alive nothing is known, and afterwards one start more is told") {
    Watch watch;
    watch.present = true;
    watch.settled();
    const auto before = watch.last();
    watch.heart_beats = false;
    watch.looks(20);
    CHECK(watch.last().present == Presence::unknown);
    CHECK_FALSE(watch.open());
    watch.heart_beats = true;
    watch.settled();
    CHECK(watch.last().present == Presence::present);
    CHECK(watch.last().arrivals == before.arrivals);
    CHECK(watch.last().departures == before.departures);
    CHECK(watch.last().starts == before.starts + 1);
}

TEST_CASE("a connection that was lost is a gap as well") {
    Watch watch;
    watch.present = true;
    watch.settled();
    const auto lost = watch.signals.lost(watch.now);
    REQUIRE(lost.report);
    CHECK(lost.report->present == Presence::unknown);
    watch.present = false;
    watch.settled();
    CHECK(watch.last().present == Presence::absent);
    CHECK(watch.last().departures == 1);
    CHECK(watch.last().starts == 2);
}

TEST_CASE(
    "a coil may be on only while the unit is seen, no movement shows, and the count is taken into account") {
    Watch watch;
    watch.settled();
    CHECK_FALSE(watch.open());
    watch.present = true;
    watch.looks(2);
    CHECK(watch.signals.guards() == std::vector<PointGuard>{{true, 0}, {true, 0}});
    watch.moved = true;
    watch.look();
    CHECK(watch.signals.guards() == std::vector<PointGuard>{{false, 1}, {true, 0}});
    watch.moved = false;
    watch.looks(2);
    CHECK(watch.signals.guards() == std::vector<PointGuard>{{true, 1}, {true, 0}});
    watch.present = false;
    watch.look();
    CHECK(watch.signals.guards() == std::vector<PointGuard>{{false, 1}, {false, 0}});
}

TEST_CASE("a bounce takes the coil back at once, and is not counted") {
    auto station = coil_station(1);
    station.bays.front().controller.coils->debounce = milliseconds(50);
    Watch watch{{}, station};
    watch.present = true;
    watch.settled();
    REQUIRE(watch.open());
    watch.moved = true;
    watch.look();
    CHECK_FALSE(watch.open());
    watch.moved = false;
    watch.looks(5);
    CHECK(watch.open());
    CHECK(watch.last().moved.front().count == 0);
}

TEST_CASE("a movement is told with whether its coil was on shortly before it was first seen") {
    auto station = coil_station(1);
    station.bays.front().controller.coils->debounce = milliseconds(50);
    Watch watch{{}, station};
    watch.present = true;
    watch.settled();
    const bool released = GENERATE(true, false);
    watch.on.front() = released;
    watch.looks(3);
    watch.moved = true;
    watch.look();  // the link takes the coil back by this
    watch.on.front() = false;
    watch.looks(2);
    REQUIRE(watch.last().moved.front().count == 0);
    watch.look();
    REQUIRE(watch.last().moved.front().count == 1);
    CHECK(watch.last().on_wire_released == (released ? std::vector<domain::PermissiveId>{{"lift-beam"}}
                                                     : std::vector<domain::PermissiveId>{}));
}

TEST_CASE("a movement long after its coil went off is told as one that nothing released") {
    Watch watch;
    watch.present = true;
    watch.settled();
    watch.on.front() = true;
    watch.looks(3);
    watch.on.front() = false;
    watch.looks(5);
    watch.moved = true;
    watch.looks(2);
    REQUIRE(watch.last().moved.front().count == 1);
    CHECK(watch.last().on_wire_released.empty());
}

TEST_CASE("a coil on which the equipment does not act is a gap: nobody knows which unit stands there") {
    Watch watch;
    watch.present = true;
    watch.settled();
    const auto starts = watch.last().starts;
    watch.on = {true, false};
    constexpr int patience = 2 * 300 / 20;
    watch.looks(patience + 1);
    CHECK(watch.last().starts == starts);
    watch.look();
    CHECK(watch.last().starts == starts + 1);
    CHECK(watch.last().present == Presence::present);
    // Once for so long a time, and again if it goes on.
    watch.looks(patience + 1);
    CHECK(watch.last().starts == starts + 1);
    watch.look();
    CHECK(watch.last().starts == starts + 2);
    watch.on = {false, false};
    watch.looks(3 * patience);
    CHECK(watch.last().starts == starts + 2);
}

TEST_CASE("equipment that acts no more though its coil is on is a gap, unless the movement is seen") {
    const bool moves = GENERATE(false, true);
    Watch watch;
    watch.present = true;
    watch.settled();
    const auto starts = watch.last().starts;
    watch.on = {true, false};
    watch.looks(2);
    watch.acting = true;
    watch.looks(50);
    CHECK(watch.last().starts == starts);
    watch.acting = false;
    watch.moved = moves;
    watch.on = {!moves, false};  // a movement that is seen takes the coil back
    watch.looks(40);
    CHECK(watch.last().starts == starts + (moves ? 0 : 1));
}

TEST_CASE("a coil that goes off after the equipment had ceased to act on it is a gap, whyever it goes off") {
    const bool acted = GENERATE(true, false);
    Watch watch;
    watch.present = true;
    watch.settled();
    const auto starts = watch.last().starts;
    watch.on = {true, false};
    watch.acting = acted;
    watch.looks(5);
    watch.acting = false;
    watch.look();
    watch.on = {false, false};  // a tool's link, say
    watch.look();
    // One that it had not taken yet was given for a moment only.
    CHECK(watch.last().starts == starts + (acted ? 1 : 0));
    watch.looks(50);
    CHECK(watch.last().starts == starts + (acted ? 1 : 0));
    CHECK(watch.last().present == Presence::present);
}

TEST_CASE(
    "a coil that goes off is no gap where the equipment acted on it until then, or the unit was seen to go") {
    const bool goes = GENERATE(false, true);
    Watch watch;
    watch.present = true;
    watch.settled();
    const auto starts = watch.last().starts;
    watch.on = {true, false};
    watch.acting = true;
    watch.looks(5);
    watch.present = !goes;
    watch.acting = !goes;
    if (goes)
        watch.look();
    watch.on = {false, false};
    watch.look();
    watch.acting = false;
    watch.looks(50);
    CHECK(watch.last().starts == starts);
}

TEST_CASE("two looks so far apart that a unit may have been exchanged between them are a gap") {
    const auto [between, is_gap] =
        GENERATE(table<milliseconds, bool>({{milliseconds(1490), false}, {milliseconds(1510), true}}));
    auto station = coil_station(1);
    station.bays.front().controller.echo_timeout = std::chrono::seconds(10);
    Watch watch({}, station);
    watch.present = true;
    watch.settled();
    const auto starts = watch.last().starts;
    watch.now += between - look_every;
    watch.look();
    CHECK(watch.last().starts == starts + (is_gap ? 1 : 0));
    CHECK(watch.last().present == Presence::present);
    watch.looks(50);
    CHECK(watch.last().starts == starts + (is_gap ? 1 : 0));
}

TEST_CASE("a coil on which the equipment acts is no gap, nor one of equipment that cannot tell") {
    auto station = coil_station(1);
    const bool tells = GENERATE(true, false);
    if (!tells)
        station.bays.front().controller.coils->permissives.front().acting.reset();
    Watch watch({}, station);
    watch.present = true;
    watch.settled();
    const auto starts = watch.last().starts;
    watch.on = {true, false};
    watch.acting = tells;
    watch.looks(100);
    CHECK(watch.open());
    CHECK(watch.last().starts == starts);
}

TEST_CASE("equipment that acts on a release that was not given is worse than a silent one") {
    Watch watch;
    watch.present = true;
    watch.settled();
    watch.on.front() = true;
    watch.acting = true;
    REQUIRE_FALSE(watch.looks(5).acts_alone);
    watch.on.front() = false;
    CHECK_FALSE(watch.looks(2).acts_alone);
    const auto alone = watch.looks(3);
    CHECK(alone.acts_alone);
    CHECK(alone.why_not == "the controller acts on a release of lift-beam that the station did not give");
}

TEST_CASE("sensors of a module stand for those that the equipment does not have") {
    auto station = coil_station(1);
    auto& plan = *station.bays.front().controller.coils;
    plan.present.reset();
    plan.permissives.front().moved.reset();
    config::IoInput unit;
    unit.use = config::PresentInput{};
    config::IoInput raised;
    raised.use = config::MovedInput{"lift-beam"};
    Watch watch{{}, station};
    watch.settled();
    CHECK_FALSE(watch.open());
    const auto tell = [&](const config::IoInput& input, std::optional<bool> level) {
        watch.signals.sensed(input, level, watch.now);
        watch.look();
    };
    tell(unit, false);
    tell(raised, false);
    CHECK(watch.last().present == Presence::absent);
    tell(unit, true);
    CHECK(watch.last().present == Presence::present);
    CHECK(watch.last().arrivals == 1);
    CHECK(watch.open());
    tell(raised, true);
    CHECK(watch.last().moved.front().count == 1);
    tell(raised, false);
    tell(unit, std::nullopt);
    CHECK(watch.last().present == Presence::unknown);
    CHECK_FALSE(watch.open());
    tell(unit, true);
    CHECK(watch.last().arrivals == 1);
    CHECK(watch.last().starts == 2);
}

TEST_CASE(
    "a unit that was not seen for so long that another may stand there is a gap, though no absence settled") {
    const auto [away, is_gap] =
        GENERATE(table<milliseconds, bool>({{milliseconds(1400), false}, {milliseconds(1600), true}}));
    auto station = coil_station(1);
    station.bays.front().controller.coils->debounce = std::chrono::seconds(3);
    Watch watch{{}, station};
    watch.present = true;
    watch.looks(200);
    REQUIRE(watch.last().present == Presence::present);
    const auto starts = watch.last().starts;
    watch.present = false;
    watch.looks(static_cast<int>(away / look_every));
    watch.present = true;
    watch.looks(2);
    CHECK(watch.last().departures == 0);
    CHECK(watch.last().starts == starts + (is_gap ? 1 : 0));
}
