// What becomes of a scan that counts for nothing: it is told for which step it is, and what is wrong with it.
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {
std::string told(const Story& story) {
    const auto& unused = story.bay().unused_scan;
    return unused && unused->scanned == story.state.newest ? unused->why : std::string{};
}
}  // namespace

TEST_CASE(
    "a second ticket of a kind is told for which step it is, what was scanned there, and what is open") {
    Story story;
    story.identified_unit();
    const Outcome& outcome = story.scans("F", "F2");
    REQUIRE(is<Questioned>(outcome));
    CHECK(std::get<Questioned>(outcome).detail ==
          "a ticket of kind F is for stage scan, where F1 was scanned already; stage join is open now");
    CHECK(told(story) == sentence(std::get<Questioned>(outcome)));
    CHECK(story.held_by("lift", ReasonCode::ticket_repeated));
}

TEST_CASE("a label of the serial that was scanned is told what it says otherwise") {
    Story story;
    story.identified_unit();
    const Outcome& outcome = story.scans("F", "F1", "O2", "FW");
    REQUIRE(is<Questioned>(outcome));
    CHECK(
        std::get<Questioned>(outcome).detail ==
        "a ticket of kind F is for stage scan, where F1 was scanned already: this label says type FW instead "
        "of FV and order O2 instead of O1; stage join is open now");
    CHECK(story.held_by("lift", ReasonCode::ticket_repeated));
}

TEST_CASE("a ticket that no step asks for is told which ones are asked for, and where") {
    Story story;
    story.arrives();
    CHECK(refused(story.scans("X", "X1"), RefusalCode::not_possible_now));
    CHECK(told(story) ==
          "This is not possible now: no step asks for a ticket of kind X, only for D (stage scan) "
          "and F (stage scan).");
}

TEST_CASE("a ticket before the unit is told for which step it is, until the unit comes") {
    Story story;
    CHECK(refused(story.scans("D", "D1"), RefusalCode::not_possible_now));
    CHECK(told(story) == "This is not possible now: no unit has arrived at the bay yet; a ticket of kind D "
                         "is for stage scan.");
    story.arrives();
    CHECK_FALSE(story.bay().unused_scan);
}

TEST_CASE("where plans scan a kind in stages of different names, each is told with its plan") {
    auto station = small_station();
    auto other = station.plans.front();
    other.id = "short";
    other.stages.front().name = "papers";
    station.plans.push_back(other);
    Story story{station};
    story.scans("D", "D1");
    CHECK_THAT(told(story),
               Catch::EndsWith("a ticket of kind D is for stage scan of plan plan or papers of plan short."));
}

TEST_CASE("a misread is told at the bay until a scan counts, and holds nothing by itself") {
    Story story;
    story.arrives();
    story.scans("D", "D1");
    const auto before = story.permissive("lift").reasons;
    story.happens(LabelMisread{BayId{"B1"}, "?", "the label is empty; scan again", worker});
    CHECK(told(story) == "the label is empty; scan again");
    CHECK(story.permissive("lift").reasons == before);
    story.scans("F", "F1");
    CHECK_FALSE(story.bay().unused_scan);
}

TEST_CASE("a misread while all is proven takes no release") {
    Story story;
    story.finished_unit();
    REQUIRE(story.released("leave"));
    story.happens(LabelMisread{BayId{"B1"}, "?", "the label is empty; scan again"});
    CHECK(story.released("leave"));
}

TEST_CASE("what is told of a scan ends with the question that it raised, and with the stay") {
    Story story;
    story.identified_unit();
    story.scans("F", "F2");
    story.proposes(supervisor, UnitStillHere{});
    CHECK_FALSE(story.bay().unused_scan);
    story.scans("F", "F2");
    REQUIRE(story.bay().unused_scan);
    story.departs();
    CHECK_FALSE(story.bay().unused_scan);
}
