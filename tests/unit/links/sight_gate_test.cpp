// A result that is read after the program stood still is told after that nobody saw the unit.
#include <catch2/catch.hpp>

#include <variant>
#include <vector>

#include "service/links/sight_gate.hpp"

using namespace tautgate;
using namespace tautgate::links;
using interlock::ControllerLinkChanged;
using interlock::Quality;
using interlock::ResultReceived;
using std::chrono::milliseconds;

namespace {

config::Station station_with_tools() {
    config::Station station;
    config::Tool own;
    own.id = "T1";
    own.bay = "B1";
    config::Tool shared;
    shared.id = "T2";
    shared.bay = "B1";
    shared.also_at = {"B2"};
    station.tools = {own, shared};
    return station;
}

struct SightBench {
    SightGate::Sight sight;
    std::vector<interlock::Payload> told;
    std::vector<std::string> lost;
    SightGate gate{station_with_tools(),
                   {.sight = [this](const domain::BayId&) { return sight; },
                    .lose_sight = [this](const domain::BayId& bay) { lost.push_back(bay.text); }},
                   [this](interlock::Payload payload) { told.push_back(std::move(payload)); }};

    void link(const std::string& bay, Quality quality) {
        gate.take(ControllerLinkChanged{.bay = {bay}, .quality = quality, .why = ""});
        told.clear();
    }
    // The bays that are told as not seen before the result.
    [[nodiscard]] std::vector<std::string> unseen_before_result(const std::string& tool) {
        told.clear();
        ResultReceived result;
        result.tool = {tool};
        gate.take(result);
        REQUIRE_FALSE(told.empty());
        CHECK(std::holds_alternative<ResultReceived>(told.back()));
        std::vector<std::string> bays;
        for (const auto& payload : told)
            if (const auto* changed = std::get_if<ControllerLinkChanged>(&payload)) {
                CHECK(changed->quality == Quality::stale);
                bays.push_back(changed->bay.text);
            }
        return bays;
    }
};
using Bays = std::vector<std::string>;

}  // namespace

TEST_CASE("a bay that was seen too long ago is told so before a result, once until it is seen again") {
    SightBench bench;
    bench.link("B1", Quality::good);
    CHECK(bench.unseen_before_result("T1").empty());
    bench.sight = {.age = milliseconds(6000), .too_old = true};
    CHECK(bench.unseen_before_result("T1") == Bays{"B1"});
    CHECK(std::get<ControllerLinkChanged>(bench.told.front()).why ==
          "nobody looked for 6000 ms, since the service stood still");
    CHECK(bench.lost == Bays{"B1"});
    CHECK(bench.unseen_before_result("T1").empty());
    CHECK(bench.lost == Bays{"B1"});
    bench.link("B1", Quality::good);
    CHECK(bench.unseen_before_result("T1") == Bays{"B1"});
    CHECK(bench.lost == Bays{"B1", "B1"});
}

TEST_CASE(
    "a bay whose link is known to be lost is told no more, and a shared tool asks for each of its bays") {
    SightBench bench;
    bench.sight = {.age = milliseconds(6000), .too_old = true};
    CHECK(bench.unseen_before_result("T2").empty());  // nothing was told of either yet
    bench.link("B1", Quality::stale);
    bench.link("B2", Quality::good);
    CHECK(bench.unseen_before_result("T2") == Bays{"B2"});
    CHECK(bench.unseen_before_result("unknown").empty());
}
