// What holds of a trial of rules whatever happened at the station: stories are drawn from a seed, with all
// that people and machines do wrong.
#include <rapidcheck.h>

#include "tests/unit/history/tried.hpp"

using namespace tautgate;
using namespace tautgate::tried;

namespace {

// A bay in which hardly anything goes as it should.
class Unruly {
  public:
    void step(std::uint32_t chance) {
        const std::uint32_t detail = chance / 32;
        switch (chance % 32) {
        case 0: return story.arrives();
        case 1: return story.departs();
        case 2: return story.moves(detail % 2 == 0 ? "lift" : "leave");
        case 3: scan("D", detail); return;
        case 4: scan("F", detail); return;
        case 5: unit(detail); return;
        case 6: story.happens(CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest}); return;
        case 7: story.proposes(supervisor, override_of(detail)); return;
        case 8: story.seconds(quality, EventNumber{story.state.newest.value - detail % 3}); return;
        case 9: story.proposes(supervisor, UnlockFastener{JointId{joint_id(detail)}, detail % 2}); return;
        case 10: story.proposes(supervisor, LeaveIncomplete{}); return;
        case 11: set_aside(); return;
        case 12: story.hits({"T1", "P1", 0, 45, {}, Direction::loosen}); return;
        case 13: story.hits({"T2", "P2", 0, 45, {}, Direction::loosen}); return;
        case 14: story.happens(ToolLinkChanged{ToolId{"T1"}, Quality::failed, "", 1}); return;
        case 15: story.links_come_up(); return;
        case 16: story.restarts(detail % 2 == 0); return;
        case 17: check_by_hand(detail); return;
        case 18: story.happens(OperatorSignedOn{BayId{"B1"}, worker}); return;
        case 19: story.happens(OperatorSignedOff{BayId{"B1"}, worker}); return;
        case 20: whole_unit(detail); return;
        default: hit(detail); return;
        }
    }

    Story story;

  private:
    static std::string joint_id(std::uint32_t detail) {
        return detail % 3 == 0 ? "mount" : detail % 3 == 1 ? "cap" : "clip";
    }
    static OverrideJoint override_of(std::uint32_t detail) {
        return {JointId{joint_id(detail)}, "turned by hand", nm(36 + detail % 30)};
    }
    void scan(const std::string& kind, std::uint32_t detail) {
        story.scans(kind, kind + std::to_string(detail % 5), detail % 4 == 0 ? "O2" : "O1");
    }
    void unit(std::uint32_t detail) {
        if (story.equipment.present != Presence::present)
            story.arrives();
        if (story.bay().controller.link != Quality::good)
            story.links_come_up();
        scan("D", 4 * detail + 1);
        scan("F", 4 * detail + 1);
    }
    // One that goes well, as far as what was before lets it; mounts of 46 to 59 N·m.
    void whole_unit(std::uint32_t detail) {
        story.departs();
        story.links_come_up();
        story.happens(OperatorSignedOn{BayId{"B1"}, worker});
        story.arrives();
        const std::string number = "/" + std::to_string(++units_);
        story.scans("D", "D" + number);
        story.scans("F", "F" + number);
        story.hits({"T1", "P1", 46 + detail % 14});
        story.hits({"T1", "P1", 46 + detail / 16 % 14});
        story.hits(cap_ok);
        story.hits(cap_ok);
    }
    void hit(std::uint32_t detail) {
        switch (detail % 4) {
        case 0:
        case 1: story.hits({"T1", "P1", 34 + detail / 4 % 32, 2 + detail / 128 % 60}); return;
        case 2: story.hits({"T2", "P2", 17 + detail / 4 % 16, 2 + detail / 64 % 60}); return;
        default: story.hits({"T2", "P3", 7 + detail / 4 % 7, 45, 1 + detail / 32 % 2}); return;
        }
    }
    void check_by_hand(std::uint32_t detail) {
        story.happens(HandChecked{BayId{"B1"}, JointId{"mount"}, detail % 2, nm(34 + detail % 36), "by hand",
                                  "wrench 7", quality, story.state.newest});
    }
    std::uint32_t units_ = 0;

    void set_aside() {
        const Stay* stay = stay_at(story.bay());
        if (stay != nullptr && !stay->unassigned.empty())
            story.proposes(supervisor, SetResultAside{stay->unassigned.front().result});
    }
};

// The events with which stays began.
std::vector<EventNumber> stays_of(const Story& story) {
    std::vector<EventNumber> stays;
    State state;
    for (const Event& event : story.events) {
        Decision decision = decide(story.rules, std::move(state), event);
        state = std::move(decision.state);
        for (const BayState& bay : state.bays) {
            if (const Stay* stay = stay_at(bay); stay != nullptr && stay->id == event.number)
                stays.push_back(event.number);
        }
    }
    return stays;
}

Unruly ran(const std::vector<std::uint32_t>& chances) {
    Unruly unruly;
    unruly.step(chances.empty() ? 20 : 20 + 32 * chances.front());
    for (const std::uint32_t chance : chances)
        unruly.step(chance);
    return unruly;
}

auto chances() {
    constexpr int steps = 150;
    return rc::gen::resize(
        steps, rc::gen::container<std::vector<std::uint32_t>>(rc::gen::inRange<std::uint32_t>(0, 1U << 20U)));
}

config::Station narrower() {
    config::Station station = small_station();
    station.joints[0].passes[0].window.torque.max = nm(52);
    return station;
}

}  // namespace

TEST_CASE("the rules of then find no difference in any story") {
    std::size_t stays = 0;
    std::size_t results = 0;
    CHECK(rc::check("the same rules", [&] {
        const Unruly unruly = ran(*chances());
        for (const EventNumber first : stays_of(unruly.story)) {
            const auto found = on(unruly.story, first, small_station());
            RC_ASSERT(!found.differs());
            RC_ASSERT(found.without_curve.empty());
            ++stays;
            results += found.results;
        }
    }));
    CHECK(stays > 100);
    CHECK(results > 1000);
}

TEST_CASE("a narrower limit speaks only against tightenings beyond it, and against every one of them") {
    std::size_t beyond = 0;
    std::size_t withheld = 0;
    CHECK(rc::check("a narrower limit", [&] {
        const Unruly unruly = ran(*chances());
        const config::Station proposed = narrower();
        for (const EventNumber first : stays_of(unruly.story)) {
            const auto found = on(unruly.story, first, proposed);
            RC_ASSERT(!found.not_followed.has_value());
            withheld += release(found, "lift") != nullptr ? 1 : 0;
            for (const auto& each : found.tightenings) {
                RC_ASSERT(each.was.joint == "mount");
                // Two that differ by one finding only, or a good one that is good no more.
                RC_ASSERT(each.would_be.taken != Taken::ok);
                const auto code = evaluation::FindingCode::torque_high;
                RC_ASSERT(std::ranges::find(each.would_be.findings, code, &evaluation::Finding::code) !=
                              each.would_be.findings.end() ||
                          each.was.taken == Taken::rehit);
                ++beyond;
            }
        }
    }));
    CHECK(beyond > 50);
    CHECK(withheld > 0);
}
