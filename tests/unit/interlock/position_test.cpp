// At which fastener a tightening was: said by the tool, by the arm that holds it, or by a person beforehand.
// Where nobody knows, or two could be meant, it counts for none.
#include <catch2/catch.hpp>

#include "service/interlock/transition.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

// Of the plan only `clip` is T2's.
config::Station placed(config::Placement placement) {
    config::Station station = small_station();
    station.plans.front().stages[1].steps.pop_back();
    station.joints.back().placement = placement;
    return station;
}

const Hit at_clip{"T2", "P3", 10};

class Placed : public Story {
  public:
    explicit Placed(config::Station station) : Story(std::move(station)) {
        identified_unit();
        hits(mount_ok);
        hits(mount_ok);
    }
    const Outcome& selects(std::uint32_t fastener, const std::string& id = "clip") {
        return happens(FastenerSelected{BayId{"B1"}, JointId{id}, fastener, worker, state.newest});
    }
    // Seen at some moment since the last look, a tenth of a second ago.
    const Outcome& arm(std::optional<std::uint32_t> position) {
        now_ns += 1'000'000'000;
        return happens(ArmMoved{ToolId{"T2"}, position, {now_ns - 100'000'000, now_ns, boot}});
    }
    std::uint32_t fastener() const { return std::get<Attributed>(record.outcome).fastener; }
};

Placed selected() { return Placed(placed(config::Placement::selected)); }
Placed by_arm() { return Placed(placed(config::Placement::by_arm)); }

}  // namespace

// ---- selected by a person -----------------------------------------------------------------------------

TEST_CASE("a tightening is of the fastener that was selected before it, once") {
    Placed story = selected();
    CHECK(unassigned(story.hits(at_clip), UnassignedWhy::position_unknown));
    CHECK(story.held_by("leave", ReasonCode::result_unassigned));
    CHECK(is<Applied>(story.selects(1)));
    story.hits(at_clip);
    CHECK(story.fastener() == 1);
    CHECK_FALSE(story.stay().selection);
    CHECK(unassigned(story.hits(at_clip), UnassignedWhy::position_unknown));
    story.selects(1);
    story.selects(0);  // the newest word counts
    story.hits(at_clip);
    CHECK(story.fastener() == 0);
}

TEST_CASE("a tightening that may have been made before the selection is of no fastener") {
    Placed story = selected();
    const ResultReceived early = story.made(at_clip);
    story.selects(0);
    CHECK(unassigned(story.happens(early), UnassignedWhy::position_unknown));
    CHECK(story.stay().selection);
    ResultReceived across = story.made(at_clip);
    across.made.from_ns = story.stay().selection->at.monotonic_ns - 1;
    CHECK(unassigned(story.happens(across), UnassignedWhy::position_unknown));
    ResultReceived after = story.made(at_clip);
    after.made.from_ns = story.stay().selection->at.monotonic_ns;
    story.happens(after);
    CHECK(story.fastener() == 0);
}

TEST_CASE("a second hit leaves the selection to the tightening that is meant") {
    Placed story = selected();
    story.selects(0);
    story.hits(at_clip);
    story.selects(1);
    Hit again = at_clip;
    again.angle_deg = 1;
    CHECK(is<Rehit>(story.hits(again)));
    story.hits(at_clip);
    CHECK(story.fastener() == 1);
}

TEST_CASE("a loosening is of the selected fastener; without one it takes the whole joint's proof") {
    Placed story = selected();
    for (const std::uint32_t fastener : {0U, 1U}) {
        story.selects(fastener);
        story.hits(at_clip);
    }
    Hit loosened = at_clip;
    loosened.direction = Direction::loosen;
    story.selects(1);
    story.hits(loosened);
    CHECK(std::get<Loosened>(story.record.outcome).fastener == 1U);
    CHECK_FALSE(story.stay().selection);
    CHECK(story.joint("clip").fasteners[0].passes[0].proof);
    story.hits(loosened);
    CHECK_FALSE(std::get<Loosened>(story.record.outcome).fastener);
    CHECK_FALSE(story.joint("clip").fasteners[0].passes[0].proof);
}

TEST_CASE("the station says which fastener is selected, or that one is to be") {
    Placed story = selected();
    const auto next = [&] { return remedy(*story.reason("leave", ReasonCode::joint_open)); };
    CHECK(next() == "Tighten any of them, selected first.");
    story.selects(1);
    CHECK(next() == "Tighten 2.");
}

TEST_CASE("two joints that one tool tightens are told apart by what is selected") {
    config::Station station = placed(config::Placement::selected);
    config::Joint other = station.joints.back();
    other.id = other.name = "clip-2";
    station.joints.push_back(other);
    station.plans.front().stages.back().steps.emplace_back(config::TightenStep{"clip-2"});
    Placed story(station);
    CHECK(unassigned(story.hits(at_clip), UnassignedWhy::position_unknown));
    story.selects(0, "clip-2");
    story.hits(at_clip);
    CHECK(std::get<Attributed>(story.record.outcome).joint.text == "clip-2");
}

TEST_CASE("selected joints of one program are told apart though one of another program is open beside them") {
    config::Station station = placed(config::Placement::selected);
    for (const auto& [id, program] : {std::pair{"clip-2", "P3"}, std::pair{"clip-3", "P4"}}) {
        config::Joint other = station.joints.back();
        other.id = other.name = id;
        other.passes.front().program = program;
        other.placement = other.id == "clip-3" ? config::Placement::counted : config::Placement::selected;
        station.joints.push_back(other);
        station.plans.front().stages.back().steps.emplace_back(config::TightenStep{id});
    }
    Placed story(station);
    CHECK(unassigned(story.hits(at_clip), UnassignedWhy::position_unknown));
    story.selects(0, "clip-2");
    story.hits(at_clip);
    REQUIRE(is<Attributed>(story.record.outcome));
    CHECK(std::get<Attributed>(story.record.outcome).joint.text == "clip-2");
}

TEST_CASE("a tightening that a selected joint and another one could claim is nobody's") {
    config::Station station = placed(config::Placement::selected);
    config::Joint other = station.joints.back();
    other.id = other.name = "clip-2";
    other.placement = config::Placement::counted;
    station.joints.push_back(other);
    station.plans.front().stages.back().steps.emplace_back(config::TightenStep{"clip-2"});
    Placed story(station);
    story.selects(0);
    CHECK(unassigned(story.hits(at_clip), UnassignedWhy::several_joints));
}

TEST_CASE("a selection is refused where it means nothing") {
    Placed story = selected();
    CHECK(refused(story.selects(2), RefusalCode::no_such_thing));
    CHECK(refused(story.selects(0, "mount"), RefusalCode::not_possible_now));
    CHECK(refused(story.selects(0, "nothing"), RefusalCode::no_such_joint));
    const auto by = [&](const std::string& bay, PersonNumber person, EventNumber seen) {
        return story.happens(FastenerSelected{BayId{bay}, JointId{"clip"}, 0, person, seen});
    };
    CHECK(refused(by("B9", worker, story.state.newest), RefusalCode::no_such_thing));
    CHECK(refused(by("B1", PersonNumber{99}, story.state.newest), RefusalCode::unknown_person));
    CHECK(refused(by("B1", worker, EventNumber{1}), RefusalCode::seen_too_old));
    story.happens(PersonSuspended{worker, admin});
    CHECK(refused(by("B1", worker, story.state.newest), RefusalCode::suspended));
    CHECK_FALSE(story.stay().selection);
    story.departs();
    CHECK(refused(by("B1", supervisor, story.state.newest), RefusalCode::no_stay));
}

TEST_CASE("a selection ends with every doubt about the unit") {
    Placed story = selected();
    story.selects(0);
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::stale, "", 1});
    CHECK_FALSE(story.stay().selection);
    CHECK(refused(story.selects(0), RefusalCode::not_possible_now));
    Placed restarted = selected();
    restarted.selects(0);
    restarted.restarts(true);
    CHECK_FALSE(restarted.stay().selection);
}

// ---- told by the arm ----------------------------------------------------------------------------------

TEST_CASE("a tightening is of the fastener at which the arm stood all the time") {
    Placed story = by_arm();
    CHECK(unassigned(story.hits(at_clip), UnassignedWhy::position_unknown));
    story.arm(2);
    story.hits(at_clip);
    CHECK(story.fastener() == 1);
    story.arm(std::nullopt);
    CHECK(unassigned(story.hits(at_clip), UnassignedWhy::position_unknown));
    story.arm(3);  // the joint has two
    CHECK(unassigned(story.hits(at_clip), UnassignedWhy::position_unknown));
    story.arm(1);
    story.hits(at_clip);
    CHECK(story.fastener() == 0);
}

TEST_CASE("a result that comes late is of where the arm stood when it was made, not of where it is") {
    Placed story = by_arm();
    story.arm(1);
    const ResultReceived at_one = story.made(at_clip);
    story.arm(2);
    story.happens(at_one);
    CHECK(story.fastener() == 0);
    ResultReceived across = story.made(at_clip);
    across.made.from_ns = story.state.tools[1].arm.back().changed.from_ns - 1;
    CHECK(unassigned(story.happens(across), UnassignedWhy::position_unknown));
}

TEST_CASE("a loosening is of the fastener at which the arm stands") {
    Placed story = by_arm();
    for (const std::uint32_t position : {1U, 2U}) {
        story.arm(position);
        story.hits(at_clip);
    }
    Hit loosened = at_clip;
    loosened.direction = Direction::loosen;
    story.hits(loosened);
    CHECK(std::get<Loosened>(story.record.outcome).fastener == 1U);
    CHECK(story.joint("clip").fasteners[0].passes[0].proof);
}

TEST_CASE("where an arm stood is forgotten at a restart, and only the newest places are kept") {
    Placed story = by_arm();
    for (std::uint32_t i = 0; i < 40; ++i)
        story.arm(1 + i % 2);
    CHECK(story.state.tools[1].arm.size() == 16);
    story.restarts(true);
    CHECK(story.state.tools[1].arm.empty());
    CHECK(refused(story.happens(ArmMoved{ToolId{"T9"}, 1, {}}), RefusalCode::no_such_thing));
}

TEST_CASE(
    "the position of an arm is known from the first look that saw it to the last, and of this boot only") {
    ToolState tool;
    tool.arm = {{1, {10, 20, "a"}}, {std::nullopt, {50, 60, "a"}}, {2, {80, 90, "a"}}};
    CHECK(arm_position(tool, {20, 50, "a"}) == 1U);
    CHECK_FALSE(arm_position(tool, {19, 50, "a"}));
    CHECK_FALSE(arm_position(tool, {20, 51, "a"}));
    CHECK_FALSE(arm_position(tool, {60, 80, "a"}));
    CHECK(arm_position(tool, {90, 900, "a"}) == 2U);
    CHECK_FALSE(arm_position(tool, {20, 50, "b"}));
    CHECK_FALSE(arm_position(tool, {900, 950, "b"}));
}
