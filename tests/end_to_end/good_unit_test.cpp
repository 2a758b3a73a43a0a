// The main job, whole: tickets are scanned, tools tighten, the daemon judges and records, the equipment
// moves.
#include <catch2/catch.hpp>

#include <algorithm>

#include "tests/end_to_end/harness.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;

namespace {

std::size_t count_if(const json& list, const std::string& key, const json& value) {
    return static_cast<std::size_t>(
        std::ranges::count_if(list, [&](const json& entry) { return entry.at(key) == value; }));
}

}  // namespace

TEST_CASE("nothing moves at a station whose rules nobody has approved") {
    Plant plant;
    plant.start();
    REQUIRE(plant.crew().await_station(patience));
    REQUIRE(plant.floor().set_down("plan-mb1"));
    CHECK(plant.floor().controller().try_move("lift-beam") == protocol::Movement::refused);
    const auto station = plant.crew().station();
    INFO(plant.told());
    REQUIRE(station);
    CHECK(station->at("rules").is_null());
    CHECK(plant.floor().controller().violations().empty());
}

TEST_CASE("a good unit is held until its joints are proven, then raised, then released to leave") {
    Plant plant;
    plant.open_for_work();
    const bool good = plant.shift().good_unit();
    INFO(plant.told());
    REQUIRE(good);
    CHECK(plant.shift().nothing_moved_wrongly());
    CHECK(plant.floor().controller().state("lift-beam").moved_count == 1);
    CHECK(plant.floor().controller().state("carrier").moved_count == 1);
    CHECK(plant.floor().controller().state("side-track").moved_count == 0);

    // The record tells the same: each run once, each output with its grounds.
    const auto stays =
        plant.await_record("TM000871", [](const json& stay) { return stay.at("ended").is_string(); });
    REQUIRE(stays.size() == 1);
    const auto& stay = stays.front();
    CHECK(stay.at("leaves_incomplete").is_null());
    CHECK(stay.at("tickets").size() == 2);
    // 4 mounts and 8 caps in two passes, 6 bolts of the bracket in one.
    CHECK(stay.at("tightenings").size() == 4 * 2 + 8 * 2 + 6);
    CHECK(count_if(stay.at("tightenings"), "outcome", "attributed") == 30);
    CHECK(count_if(stay.at("tightenings"), "verdict", "ok") == 30);
    CHECK(count_if(stay.at("tightenings"), "joint", "axle-box-caps") == 16);
    CHECK(count_if(stay.at("outputs"), "output", "released") >= 2);
    CHECK(count_if(stay.at("outputs"), "output", "leaving_incomplete") == 0);
}

namespace {

// The demo's tools, as ones that run only while the station lets them.
void let_tools_obey(json& station) {
    for (json& tool : station.at("tools"))
        tool["control"] = {{"answer_within_ms", 500}};
    for (json& profile : station.at("profiles"))
        profile.at("layout")["control"] = {
            {"enable", {{"address", 140}}},
            {"program", 141},
            {"enabled", {{"address", 142}, {"type", "uint16"}}},
            {"selected", {{"address", 143}, {"type", "uint16"}}},
            {"programs", {{{"code", 161}, {"text", "M16-snug"}}, {{"code", 162}, {"text", "M16-final"}}}}};
}

bool may_run(const json& tool) { return tool.at("control").at("may_run").get<bool>(); }

}  // namespace

TEST_CASE("tools that obey run for what is open and rest before and after") {
    Plant plant({.change = let_tools_obey});
    plant.open_for_work();
    const auto before = plant.crew().station();
    REQUIRE(before);
    CHECK(std::ranges::none_of(before->at("tools"), may_run));
    const auto papers = plant.shift().next_papers("MB1");
    const bool brought = plant.shift().bring(papers);
    INFO(plant.told());
    REQUIRE(brought);
    // The first stage's tool, and no other.
    REQUIRE(plant.floor().tool("NR-20")->await_may_run("M20-snug", patience));
    const auto meanwhile = plant.crew().station();
    REQUIRE(meanwhile);
    CHECK(std::ranges::count_if(meanwhile->at("tools"), may_run) == 1);
    REQUIRE(plant.shift().tighten_from("motor-mounts"));
    CHECK(plant.floor().controller().await_movement("lift-beam", protocol::Movement::allowed, patience));
    const auto after = plant.crew().station();
    REQUIRE(after);
    CHECK(std::ranges::none_of(after->at("tools"), may_run));
    CHECK(plant.floor().controller().violations().empty());
}

TEST_CASE("a stopped daemon leaves the equipment withheld and ends in order") {
    Plant plant;
    plant.open_for_work();
    const auto papers = plant.shift().next_papers("MB1");
    const bool proven =
        plant.shift().bring(papers) && plant.shift().tighten_from("motor-mounts") &&
        plant.floor().controller().await_movement("lift-beam", protocol::Movement::allowed, patience);
    INFO(plant.told());
    REQUIRE(proven);
    plant.stop();
    CHECK(plant.log().find("ended in order: asked to by a signal; every output is withheld") !=
          std::string::npos);
    CHECK(plant.floor().controller().await_movement("lift-beam", protocol::Movement::refused, patience));
    CHECK(plant.floor().controller().violations().empty());
}
