// Results that no tool should send, or that come when they should not: kept as they came, with the reason,
// and counted for nothing that they do not prove.
#include "tests/end_to_end/input_stand.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;
using protocol::WrittenResult;

TEST_CASE("half a line is nothing: a tool that dies within it sends the whole result again") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    auto* tool = stand.tool("NR-20").line();
    tool->send_raw(R"({"result":{"counter":"1","direction":"tighten","torque":{"value":150)");
    tool->cut();
    stand.goes_on({"tool_link_lost", "joint_open"});
    tool->mend();
    stand.goes_on({"joint_open"});
    CHECK(stand.tightenings().empty());
    CHECK(stand.turns({"motor-mounts", 0, 0}).ok);
    stand.stored("NR-20");
    CHECK(stand.tightenings().size() == 1);
}

TEST_CASE("values that are no measurement are kept as they came and prove nothing") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    struct Value {
        std::string torque;  // as JSON
        std::string found;
        std::string kept;  // as received
    };
    const std::vector<Value> values{
        {R"({"value":NaN,"unit":"N.m"})", "not a number", "NaN"},
        {R"({"value":-Infinity,"unit":"N.m"})", "infinite", "-Infinity"},
        {R"({"value":-150,"unit":"N.m"})", "negative", "-150"},
        {R"({"value":1e300,"unit":"N.m"})", "too large", "1e300"},
        {R"({"value":5000,"unit":"N.m"})", "outside the sensor's range", "5000"},
        {R"({"value":150})", "unreadable", "150"},
        {R"({"value":150,"unit":"stone"})", "unreadable", "150"},
        {R"({"value":"tight","unit":"N.m"})", "unreadable", "tight"},
        {R"(150)", "unreadable", "150"},
        {R"([150])", "unreadable", ""},
    };
    auto* tool = stand.tool("NR-20").line();
    const auto& fasteners = plant.floor().joint("motor-mounts")->fasteners;
    const simulation::Where at{"motor-mounts", 0, 0};
    for (const Value& value : values) {
        INFO(value.torque);
        stand.clear();
        stand.identified();
        stand.loosens(at);  // no run of the tool comes before it is sure whose it is
        tool->lose_one();   // its counter serves for the line that follows
        tool->send_raw(R"({"result":{"counter":")" + std::to_string(tool->status().newest) +
                       R"(","program":"M20-snug","direction":"tighten","torque":)" + value.torque +
                       R"(,"angle":{"value":12,"unit":"deg"},"verdict":"ok"}})" + "\n");
        stand.goes_on({"loosening_due", "joint_not_ok", "joint_open"});
        const auto not_ok = reason_of(stand, "joint_not_ok");
        CHECK(not_ok.at("fastener") == fasteners[at.fastener].name);
        CHECK(says(not_ok.at("sentence"),
                   "the torque cannot be used (" + value.found + "; allowed 130 N·m to 170 N·m)"));
        CHECK(not_ok.at("remedy") == "check the tool's sensor.");
        const auto tightenings = stand.tightenings();
        REQUIRE_FALSE(tightenings.empty());
        const auto& tightening = tightenings.back();
        CHECK(tightening.at("verdict") == "not_decidable");
        CHECK(tightening.at("torque").is_null());
        CHECK(tightening.at("torque_received") == (value.kept.empty() ? json(nullptr) : json(value.kept)));
        // Done again with a good value it counts.
        stand.loosens(at);
        CHECK(stand.turns(at).ok);
        stand.goes_on({"joint_open"});
    }
}

TEST_CASE("a polled tool that shows no number proves nothing") {
    Plant plant;
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    CHECK(plant.shift().tighten("motor-mounts"));
    auto* tool = stand.tool("NR-16").registers();
    WrittenResult result;
    result.program = "M16-snug";
    result.torque_min = {"70", "N.m"};
    result.torque_max = {"90", "N.m"};
    result.angle_min = {"3", "deg"};
    result.angle_max = {"25", "deg"};
    result.torque = {"nan", "N.m"};
    result.angle = {"12", "deg"};
    result.verdict = protocol::ToolVerdict::ok;
    static_cast<void>(tool->report(result));
    stand.goes_on({"loosening_due", "joint_not_ok", "joint_open"});
    CHECK(says(reason_of(stand, "joint_not_ok").at("sentence"), "the torque cannot be used (not a number"));
    const auto tightenings = stand.tightenings();
    REQUIRE_FALSE(tightenings.empty());
    CHECK(tightenings.back().at("verdict") == "not_decidable");
}

TEST_CASE("a result with no unit present is kept with the reason and counts for no unit that comes") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    static_cast<void>(stand.tool("NR-20").report(good_snug()));
    stand.stored("NR-20");
    CHECK(stand.await_event("ResultReceived", "no_stay"));
    stand.goes_on({"no_unit"});
    stand.identified();
    stand.goes_on({"joint_open"});
    CHECK(stand.tightenings().empty());
}

TEST_CASE("a result for a unit that has left is not moved to the next one") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    CHECK(stand.turns({"motor-mounts", 0, 0}).ok);
    stand.stored("NR-20");
    const auto first = stand.papers();
    stand.tool("NR-20").cut();
    CHECK(stand.turns({"motor-mounts", 1, 0}).ok);  // nobody hears of it
    stand.clear();
    stand.identified();
    stand.tool("NR-20").mend();
    stand.stored("NR-20");
    // It may have been made on the first: the second is held until people say whose it is.
    stand.goes_on({"result_unassigned", "joint_open"});
    CHECK(says(reason_of(stand, "result_unassigned").at("sentence"),
               "it cannot be said in which unit's stay it was made"));
    const auto tightenings = stand.tightenings();
    REQUIRE_FALSE(tightenings.empty());
    CHECK(tightenings.back().at("outcome") == "unassigned");
    const auto before = plant.crew().unit(first.motor);
    REQUIRE(before);
    CHECK(before->at("stays").back().at("tightenings").size() == 1);
}

TEST_CASE("results sent twice or out of order count once each, in their order") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    auto* tool = stand.tool("NR-20").line();
    tool->send_twice(1);
    CHECK(stand.turns({"motor-mounts", 0, 0}).ok);
    stand.stored("NR-20");
    stand.goes_on({"joint_open"});
    CHECK(stand.tightenings().size() == 1);

    WrittenResult second = good_snug();
    second.counter = tool->status().newest + 1;
    second.stamp = "second";
    WrittenResult third = second;
    ++third.counter;
    third.stamp = "third";
    tool->lose_one();
    tool->lose_one();
    tool->send_raw(to_line(third));
    tool->send_raw(to_line(second));
    const bool stored =
        tool->await([&](const auto& status) { return status.acknowledged == third.counter; }, patience);
    CHECK(stored);
    stand.goes_on({"joint_open"});
    const auto tightenings = stand.tightenings();
    REQUIRE(tightenings.size() == 3);
    CHECK(tightenings[1].at("counter") == std::to_string(second.counter));
    CHECK(tightenings[1].at("fastener") == "rear right");
    CHECK(tightenings[2].at("counter") == std::to_string(third.counter));
    CHECK(tightenings[2].at("fastener") == "front right");

    // Once more, much later.
    tool->send_raw(to_line(second));
    tool->send_raw(to_line(third));
    CHECK(stand.turns({"motor-mounts", 3, 0}).ok);
    stand.stored("NR-20");
    CHECK(stand.tightenings().size() == 4);
    stand.goes_on({"joint_open"});
}
