// A bay whose equipment knows coils only: no token comes back, and that alone holds nothing; everything else
// holds as ever.
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

config::Station station_by_coils() {
    config::Station station = small_station();
    station.bays.front().controller.coils = config::CoilPlan{};
    for (config::Permissive& one : station.permissives)
        one.one_shot = true;
    return station;
}

// The unit is finished, and the equipment never tells of a token.
struct ByCoils : Story {
    explicit ByCoils(config::Station station) : Story(std::move(station)) {
        finished_unit();
        equipment.echoed = {};
        report();
    }
    [[nodiscard]] const std::vector<Reason>& reasons() const { return permissive("leave").reasons; }
    [[nodiscard]] bool holds_for(ReasonCode code) const {
        return std::ranges::find(reasons(), code, &Reason::code) != reasons().end();
    }
};

}  // namespace

TEST_CASE("a token that coils cannot bring back holds nothing there, and everything where registers could") {
    const ByCoils coils{station_by_coils()};
    CHECK(coils.reasons().empty());
    CHECK(coils.released("leave"));
    const ByCoils registers{small_station()};
    CHECK(registers.holds_for(ReasonCode::token_not_taken));
    CHECK_FALSE(registers.released("leave"));
}

TEST_CASE("a unit that was out of sight must be confirmed, and is told why") {
    ByCoils story{station_by_coils()};
    ++story.equipment.starts;
    story.report();
    REQUIRE(story.holds_for(ReasonCode::presence_unconfirmed));
    const auto& reasons = story.reasons();
    const auto reason = std::ranges::find(reasons, ReasonCode::presence_unconfirmed, &Reason::code);
    CHECK(reason->facts ==
          std::vector<Fact>{{"why", "the unit was out of sight, and the equipment does not count"}});
    story.scans("D", "D1");
    CHECK(story.released("leave"));
}

TEST_CASE("a line that was lost is told as such, by coils as by registers") {
    const bool by_coils = GENERATE(true, false);
    ByCoils story{by_coils ? station_by_coils() : small_station()};
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::stale, "", 1});
    const auto& reasons = story.reasons();
    const auto reason = std::ranges::find(reasons, ReasonCode::presence_unconfirmed, &Reason::code);
    REQUIRE(reason != reasons.end());
    CHECK(reason->facts == std::vector<Fact>{{"why", "the link to the equipment was lost"}});
}

TEST_CASE("a movement uses the release up, and only a recorded decision gives it again") {
    ByCoils story{station_by_coils()};
    REQUIRE(story.released("lift"));
    story.moves("lift");
    CHECK_FALSE(story.released("lift"));
    ++story.equipment.starts;
    story.report();
    story.scans("D", "D1");
    CHECK_FALSE(story.released("lift"));
    story.proposes(supervisor, RearmPermissive{PermissiveId{"lift"}});
    CHECK(story.released("lift"));
}

TEST_CASE("the wiring of equipment by coils is not tried, since it would take the test for a release") {
    config::Station station = station_by_coils();
    station.wiring_tests.roles = {config::Role::quality_engineer};
    Story story{std::move(station)};
    const Outcome& outcome =
        story.happens(WiringTestBegan{BayId{"B1"}, std::nullopt, quality, Token{0xFF00BEEF}});
    const auto* refused = std::get_if<Refused>(&outcome);
    REQUIRE(refused != nullptr);
    CHECK(refused->code == RefusalCode::not_possible_now);
    CHECK(refused->detail ==
          "the bay's equipment is released by coils, and would take the test for a release");
    CHECK_FALSE(story.bay().wiring_test);
    CHECK(story.on_wire("leave") == OnWire::withheld);
}
