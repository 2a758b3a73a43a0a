// A joint of class A in three passes at the built daemon: snug, final and, when it has relaxed, the check,
// each at the fastener that the operator selected before.
#include "service/journal/recovery.hpp"
#include "tests/end_to_end/input_stand.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;

namespace {

using Codes = std::vector<std::string>;

bool is_held(InputStand& stand, const Codes& codes) {
    return stand.await([&] { return stand.codes("lift-beam") == codes; });
}

void checks(InputStand& stand, std::size_t fastener) {
    stand.selects("motor-mounts", fastener == 0 ? "front left" : "rear right");
    CHECK(stand.turns({"motor-mounts", fastener, 2}).ok);
    stand.stored("NR-20");
}

}  // namespace

TEST_CASE("a joint is released when it is checked after it has relaxed, over a restart of the service") {
    constexpr std::chrono::seconds relaxing{20};
    Plant plant{checking_later(relaxing)};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    stand.tightens_selected();
    REQUIRE(is_held(stand, {"check_waits"}));
    checks(stand, 0);  // too early
    REQUIRE(is_held(stand, {"joint_not_ok", "check_waits"}));
    CHECK(says(stand.reasons("lift-beam").front().dump(), "before the joint had relaxed"));
    CHECK(stand.events("CheckDue").empty());
    plant.stop();
    stand.starts_again();
    stand.links_are_good();
    stand.scans(stand.papers().motor_label());
    REQUIRE(is_held(stand, {"joint_not_ok", "check_waits"}));
    REQUIRE(simulation::ask_until([&] { return !stand.events("CheckDue").empty(); }, relaxing + patience));
    REQUIRE(is_held(stand, {"joint_not_ok", "joint_open"}));
    const json waited = stand.bay().at("occupant").at("joints").front().at("check_wait");
    CHECK(waited.at("pass") == "check");
    CHECK(waited.at("over").is_string());
    checks(stand, 0);
    checks(stand, 1);
    CHECK(stand.await_released("lift-beam"));
    plant.stop();
    // What the daemon decided is what its record leads to.
    const auto reader = journal::Reader::open(plant.journal());
    REQUIRE(reader.has_value());
    const auto recovered = journal::recover(**reader, journal::read_stored_rules);
    REQUIRE(recovered.has_value());
    CHECK(recovered->replayed > 0);
    CHECK_FALSE(recovered->differs_at);
}

TEST_CASE("what nobody selected a fastener for counts for none, and people file it") {
    Plant plant{checking_later(std::chrono::seconds(1))};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    CHECK(stand.turns({"motor-mounts", 0, 0}).ok);
    stand.stored("NR-20");
    REQUIRE(is_held(stand, {"result_unassigned", "joint_open"}));
    CHECK(says(stand.reasons("lift-beam").front().dump(), "its position is not known"));
    stand.decides({{"assign_result",
                    {{"result", stand.tightenings().back().at("event")},
                     {"joint", "motor-mounts"},
                     {"fastener", "front left"}}}});
    CHECK(is_held(stand, {"joint_open"}));
}
