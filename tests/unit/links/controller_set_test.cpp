// What the controllers of one bay say, put together, on a clock that the test moves.
#include <catch2/catch.hpp>

#include <iterator>
#include <optional>
#include <vector>

#include "service/links/controller_set.hpp"
#include "tests/unit/links/kinds.hpp"

using namespace tautgate;
using namespace tautgate::links;
using domain::PermissiveId;
using domain::Token;
using interlock::ControllerLinkChanged;
using interlock::ControllerReported;
using interlock::Presence;
using interlock::Quality;
using std::chrono::milliseconds;

namespace {

constexpr std::size_t first_plc = 0;   // the main one
constexpr std::size_t second_plc = 1;  // the further one
constexpr Token set_token{0x1234};
constexpr Token other_token{0x5678};
constexpr milliseconds sight_within{2000};

// A bay whose hoist and carrier are moved by a controller each.
struct SetBay {
    ControllerSet set{{"J1"}, {{"its main controller", {}}, {"controller carrier-plc", sight_within}}};
    SteadyTime now{std::chrono::hours(1)};
    std::vector<ControllerReported> says{report("raise"), report("carry")};
    std::vector<interlock::Payload> got;
    ControllerSet::Released released;

    [[nodiscard]] static ControllerReported report(const std::string& permissive) {
        return {.bay = {"J1"},
                .present = Presence::absent,
                .arrivals = 7,
                .departures = 7,
                .starts = 1,
                .moved = {{{permissive}, 3}},
                .echoed = {},
                .fault = false,
                .fresh = {},
                .on_wire_released = {},
                .moved_wrongly = {}};
    }
    void hear(ControllerSet::Told told) { std::ranges::move(told, std::back_inserter(got)); }
    void say(std::size_t who) { hear(set.take(who, says[who], released, now)); }
    void change(std::size_t who, Quality quality, std::uint32_t changes = 1) {
        hear(set.take(who,
                      {.bay = {"J1"}, .quality = quality, .why = "the cable was pulled", .changes = changes},
                      now));
    }
    // It has what was sent until now, and says nothing new.
    void answer(std::size_t who) { hear(set.alive(who, now, now)); }
    void pass(milliseconds time) {
        now += time;
        hear(set.look(now));
    }
    void come_up() {
        for (const std::size_t who : {first_plc, second_plc}) {
            say(who);
            change(who, Quality::good);
        }
        got.clear();
    }
    // Seen by both, with its token taken by both.
    void set_down() {
        for (const std::size_t who : {first_plc, second_plc}) {
            says[who].present = Presence::present;
            ++says[who].arrivals;
            says[who].echoed = set_token;
            say(who);
            pass(milliseconds(10));
            answer(second_plc);
        }
        got.clear();
    }
    void leave(std::size_t who) {
        says[who].present = Presence::absent;
        ++says[who].departures;
        say(who);
    }
    void move(std::size_t who) {
        ++says[who].moved.front().count;
        say(who);
    }
    template <class Kind>
    [[nodiscard]] std::vector<Kind> all() const {
        return testing::all_of<Kind>(got);
    }
    [[nodiscard]] ControllerReported newest() const {
        const auto reports = all<ControllerReported>();
        REQUIRE_FALSE(reports.empty());
        return reports.back();
    }
    [[nodiscard]] std::optional<Quality> newest_link() const {
        const auto changes = all<ControllerLinkChanged>();
        return changes.empty() ? std::nullopt : std::optional(changes.back().quality);
    }
};

}  // namespace

// ---- the link -------------------------------------------------------------------------------------------

TEST_CASE("the bay's link is good only once all its controllers are") {
    SetBay bay;
    bay.say(first_plc);
    bay.say(second_plc);
    bay.change(first_plc, Quality::good);
    CHECK(bay.newest_link() != Quality::good);
    bay.change(second_plc, Quality::good);
    CHECK(bay.newest_link() == Quality::good);
}

TEST_CASE("the loss of any controller is the bay's, and is told with its name") {
    const auto [who, name] = GENERATE(table<std::size_t, std::string>(
        {{first_plc, "its main controller"}, {second_plc, "controller carrier-plc"}}));
    SetBay bay;
    bay.come_up();
    bay.change(who, Quality::stale);
    REQUIRE(bay.all<ControllerLinkChanged>().size() == 1);
    CHECK(bay.newest_link() == Quality::stale);
    CHECK(bay.all<ControllerLinkChanged>().front().why == name + ": the cable was pulled");
    bay.change(first_plc == who ? second_plc : first_plc, Quality::failed);
    CHECK(bay.newest_link() == Quality::failed);
    bay.change(who, Quality::good);
    CHECK(bay.newest_link() == Quality::failed);
}

TEST_CASE("what is known of the bay is told anew when its link came up") {
    SetBay bay;
    bay.come_up();
    bay.change(second_plc, Quality::stale);
    CHECK(bay.all<ControllerReported>().empty());
    bay.change(second_plc, Quality::good);
    REQUIRE(bay.got.size() == 3);
    CHECK(std::holds_alternative<ControllerLinkChanged>(bay.got[1]));
    CHECK(std::holds_alternative<ControllerReported>(bay.got[2]));
}

TEST_CASE("a line that was lost and came back unseen is told, and the bay with it") {
    SetBay bay;
    bay.come_up();
    bay.change(second_plc, Quality::good, 2);
    REQUIRE(bay.all<ControllerLinkChanged>().size() == 1);
    CHECK(bay.all<ControllerLinkChanged>().front().changes == 2);
    CHECK(bay.all<ControllerReported>().size() == 1);
}

// ---- one report of all ----------------------------------------------------------------------------------

TEST_CASE("nothing is told of the bay before each controller was heard") {
    SetBay bay;
    bay.say(first_plc);
    CHECK(bay.got.empty());
    bay.say(second_plc);
    CHECK(bay.all<ControllerReported>().size() == 1);
}

TEST_CASE("the main controller tells of the unit, and all of them of their movements and faults") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.says[second_plc].arrivals = 900;
    bay.says[second_plc].departures = 800;
    bay.says[second_plc].fault = true;
    bay.says[second_plc].moved_wrongly = {{"carry"}};
    bay.says[first_plc].moved_wrongly = {{"raise"}};
    bay.say(second_plc);
    bay.say(first_plc);
    const auto told = bay.newest();
    CHECK(told.arrivals == 8);
    CHECK(told.departures == 7);
    CHECK(told.present == Presence::present);
    CHECK(told.moved == std::vector<interlock::Moved>{{{"raise"}, 3}, {{"carry"}, 3}});
    CHECK(told.fault);
    CHECK(told.moved_wrongly == std::vector<PermissiveId>{{"raise"}, {"carry"}});
}

TEST_CASE("what was told is not told again") {
    SetBay bay;
    bay.come_up();
    bay.say(second_plc);
    bay.answer(second_plc);
    bay.pass(milliseconds(5000));
    CHECK(bay.got.empty());
}

TEST_CASE("a start of any controller is seen as a start") {
    const auto who = GENERATE(first_plc, second_plc);
    SetBay bay;
    bay.come_up();
    bay.says[first_plc].fault = true;  // so that it is told
    bay.say(first_plc);
    const auto before = bay.newest().starts;
    ++bay.says[who].starts;
    bay.say(who);
    CHECK(bay.newest().starts != before);
}

TEST_CASE("starts of one controller do not make up for a count of another that went back") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.says[first_plc].fault = true;
    bay.say(first_plc);
    const auto before = bay.newest().starts;
    bay.says[second_plc].starts = 0;
    bay.say(second_plc);
    bay.says[first_plc].starts = 2;
    bay.say(first_plc);
    CHECK(bay.newest().starts != before);
}

// ---- the token ------------------------------------------------------------------------------------------

TEST_CASE("a token counts as taken once every controller has it") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.says[first_plc].fault = true;  // so that it is told
    bay.say(first_plc);
    CHECK(bay.newest().echoed == set_token);
    const auto who = GENERATE(first_plc, second_plc);
    SECTION("one has none yet") {
        bay.says[who].echoed = {};
        bay.say(who);
        CHECK(bay.newest().echoed == Token{});
    }
    SECTION("one has another") {
        bay.says[who].echoed = other_token;
        bay.say(who);
        CHECK(bay.newest().echoed == Token{});
    }
}

TEST_CASE("a trial of the wiring is echoed by those at which it is tried") {
    constexpr Token challenge{0xFF000001};
    SetBay bay;
    bay.come_up();
    bay.says[first_plc].echoed = set_token;  // of the unit that was there last
    bay.says[second_plc].echoed = challenge;
    bay.say(first_plc);
    bay.say(second_plc);
    SECTION("at one of them") {
        bay.set.tries_wiring({false, true});
        bay.pass(milliseconds(1));
        CHECK(bay.newest().echoed == challenge);
    }
    SECTION("at both: not before both echo it") {
        bay.set.tries_wiring({true, true});
        bay.says[second_plc].fault = true;
        bay.say(second_plc);
        CHECK(bay.newest().echoed == Token{});
        bay.says[first_plc].echoed = challenge;
        bay.say(first_plc);
        CHECK(bay.newest().echoed == challenge);
    }
}

TEST_CASE("a further controller that does not see the unit has not taken its token") {
    const auto sees = GENERATE(Presence::absent, Presence::unknown);
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.says[second_plc].present = sees;
    bay.say(second_plc);
    CHECK(bay.newest().echoed == Token{});
    CHECK(bay.newest().present == Presence::present);
    bay.pass(sight_within * 2);
    CHECK(bay.newest().echoed == Token{});
}

TEST_CASE(
    "a further controller that counted an arrival by itself has not taken the token, and was started anew") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.says[first_plc].fault = true;
    bay.say(first_plc);
    const auto before = bay.newest().starts;
    // Another unit came into its sight: it asked for a token, and took the one that is shown.
    ++bay.says[second_plc].arrivals;
    ++bay.says[second_plc].departures;
    bay.say(second_plc);
    CHECK(bay.newest().echoed == Token{});
    CHECK(bay.newest().starts == before);
    bay.pass(sight_within);
    CHECK(bay.newest().starts == before);
    bay.pass(milliseconds(1));
    CHECK(bay.newest().starts != before);
    CHECK(bay.newest().echoed == set_token);
}

TEST_CASE("an arrival that both count within the time agreed is no start") {
    const auto [first, second] =
        GENERATE(table<std::size_t, std::size_t>({{first_plc, second_plc}, {second_plc, first_plc}}));
    SetBay bay;
    bay.come_up();
    bay.says[first_plc].fault = true;
    bay.say(first_plc);
    const auto before = bay.newest().starts;
    for (const std::size_t who : {first, second}) {
        bay.says[who].present = Presence::present;
        bay.says[who].echoed = set_token;
        ++bay.says[who].arrivals;
        bay.say(who);
        bay.answer(second_plc);
        if (who == first)
            CHECK(bay.newest().echoed == Token{});
        bay.pass(sight_within / 2);
        bay.answer(second_plc);
    }
    bay.pass(sight_within * 2);
    CHECK(bay.newest().starts == before);
    CHECK(bay.newest().echoed == set_token);
    CHECK(bay.newest().arrivals == 8);
}

TEST_CASE("a bay is not empty for long while a further controller sees something there") {
    SetBay bay;
    bay.come_up();
    bay.says[second_plc].present = Presence::present;
    bay.say(second_plc);
    bay.pass(sight_within);
    CHECK(bay.all<ControllerReported>().empty());
    bay.pass(milliseconds(1));
    CHECK(bay.newest().present == Presence::unknown);
    bay.says[second_plc].present = Presence::absent;
    bay.say(second_plc);
    CHECK(bay.newest().present == Presence::absent);
}

TEST_CASE("a controller that is not heard is not held against its sight of the unit") {
    SetBay bay;
    bay.come_up();
    bay.change(second_plc, Quality::stale);
    bay.says[first_plc].present = Presence::present;
    ++bay.says[first_plc].arrivals;
    bay.say(first_plc);
    const auto before = bay.newest().starts;
    bay.pass(sight_within * 3);
    CHECK(bay.newest().echoed == Token{});
    CHECK(bay.newest().starts == before);
    // Its news of the same unit come with its link.
    bay.says[second_plc].present = Presence::present;
    ++bay.says[second_plc].arrivals;
    bay.say(second_plc);
    bay.change(second_plc, Quality::good);
    bay.pass(sight_within * 3);
    CHECK(bay.newest().starts == before);
    CHECK(bay.newest().present == Presence::present);
}

// ---- one movement, two controllers ----------------------------------------------------------------------

TEST_CASE("a departure waits until the other controllers have answered a block sent after it") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.released = {{"carry"}};
    bay.answer(second_plc);
    bay.now += milliseconds(5);
    bay.leave(first_plc);
    CHECK(bay.got.empty());
    bay.now += milliseconds(20);
    bay.released.clear();
    SECTION("and comes after the movement that explains it") {
        bay.move(second_plc);
        bay.answer(second_plc);
        const auto told = bay.all<ControllerReported>();
        REQUIRE(told.size() == 2);
        CHECK(told[0].moved.back().count == 4);
        CHECK(told[0].departures == 7);
        CHECK(told[1].departures == 8);
        CHECK(told[1].present == Presence::absent);
    }
    SECTION("with what was released as it came") {
        bay.answer(second_plc);
        CHECK(bay.newest().departures == 8);
        CHECK(bay.newest().on_wire_released == std::vector<PermissiveId>{{"carry"}});
    }
}

TEST_CASE("an answer to a block that went out before the departure is none to that") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    const auto before = bay.now;
    bay.now += milliseconds(5);
    bay.leave(first_plc);
    bay.hear(bay.set.alive(second_plc, before, bay.now));
    CHECK(bay.got.empty());
}

TEST_CASE("a departure waits for no controller that is lost") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.now += milliseconds(5);
    SECTION("before it") {
        bay.change(second_plc, Quality::stale);
        bay.leave(first_plc);
        CHECK(bay.newest().departures == 8);
    }
    SECTION("meanwhile") {
        bay.leave(first_plc);
        CHECK(bay.got.empty());
        bay.change(second_plc, Quality::stale);
        REQUIRE(std::holds_alternative<ControllerLinkChanged>(bay.got.front()));
        CHECK(bay.newest().departures == 8);
    }
}

TEST_CASE("a movement that is told first is not held up") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.move(second_plc);
    CHECK(bay.newest().moved.back().count == 4);
    CHECK(bay.newest().departures == 7);
}

TEST_CASE("all that the main controller says while its news wait is told, in its order") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.now += milliseconds(5);
    bay.says[first_plc].moved_wrongly = {{"raise"}};
    bay.move(first_plc);  // this one is no news of a unit, and is told at once
    bay.leave(first_plc);
    // The next unit comes before the carrier's controller has answered: with it the fault is gone.
    bay.says[first_plc].moved_wrongly.clear();
    bay.says[first_plc].present = Presence::present;
    ++bay.says[first_plc].arrivals;
    bay.says[first_plc].echoed = {};
    bay.say(first_plc);
    bay.now += milliseconds(5);
    bay.says[second_plc].moved_wrongly = {{"carry"}};
    bay.move(second_plc);
    bay.answer(second_plc);
    const auto told = bay.all<ControllerReported>();
    REQUIRE(told.size() == 4);
    CHECK(told[0].moved_wrongly == std::vector<PermissiveId>{{"raise"}});
    CHECK(told[1].moved_wrongly == std::vector<PermissiveId>{{"raise"}, {"carry"}});
    CHECK(told[2].departures == 8);
    CHECK(told[2].arrivals == 8);
    CHECK(told[2].moved_wrongly == std::vector<PermissiveId>{{"raise"}, {"carry"}});
    CHECK(told[3].arrivals == 9);
    CHECK(told[3].moved_wrongly == std::vector<PermissiveId>{{"carry"}});
}

TEST_CASE("nothing of the main controller overtakes its own news that wait") {
    SetBay bay;
    bay.come_up();
    bay.set_down();
    bay.now += milliseconds(5);
    bay.leave(first_plc);
    // It was started with the counts of before, as one that keeps them badly.
    --bay.says[first_plc].departures;
    ++bay.says[first_plc].starts;
    bay.say(first_plc);
    CHECK(bay.got.empty());
    bay.answer(second_plc);
    const auto told = bay.all<ControllerReported>();
    REQUIRE(told.size() == 2);
    CHECK(told[0].departures == 8);
    CHECK(told[1].departures == 7);
}
