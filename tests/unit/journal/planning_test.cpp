// What the tables say of orders and of what units are joined from, after stories that the core decided.
#include <catch2/catch.hpp>

#include "service/journal/projection.hpp"
#include "service/journal/reader.hpp"
#include "tests/unit/interlock/ordering.hpp"
#include "tests/unit/journal/opened.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;
using namespace tautgate::journal;
using namespace tautgate::story;

namespace {

// The events of a story, decided once more and journaled as the station does it.
void journal_all(const Story& story, const std::filesystem::path& path) {
    scratch::Reports reports;
    auto writer = Writer::open(reports.options(path));
    REQUIRE(writer.has_value());
    interlock::State state;
    StayWatch watch(state);
    for (const interlock::Event& event : story.events) {
        auto decision = interlock::decide(story.rules, std::move(state), event);
        auto entry = entry_of(watch, event, decision.state, std::move(decision.record), "test");
        entry.stored.rules = {};  // whose text nobody asks for here
        (*writer)->append(std::move(entry));
        state = std::move(decision.state);
    }
    REQUIRE(reports.settled(story.events.size()));
    (*writer)->close();
    REQUIRE_FALSE(reports.failure().has_value());
}

// "F1 in D1" or "F1 was in D1 (replaced)", in the order of the rows.
std::vector<std::string> told(const std::vector<PartRow>& rows) {
    std::vector<std::string> lines;
    for (const PartRow& row : rows)
        lines.push_back(row.serial + (row.until ? " was in " : " in ") + row.unit +
                        (row.until ? " (" + row.ended_as + ")" : ""));
    return lines;
}
using Lines = std::vector<std::string>;

class Journaled {
  public:
    explicit Journaled(const Story& story) {
        journal_all(story, folder_.journal());
        reader_ = scratch::reader_of(folder_.journal());
    }
    [[nodiscard]] Lines parts_of(const std::string& unit) { return told(*reader_->parts_of({unit})); }
    [[nodiscard]] Lines units_with(const std::string& serial) { return told(*reader_->units_with({serial})); }
    [[nodiscard]] Reader& reader() { return *reader_; }
    // Where these tables are not what the chain makes of them; names, secrets and rules are not stored here.
    [[nodiscard]] Lines disagreements() {
        Lines found = *reader_->audit();
        std::erase_if(found, [](const std::string& sentence) {
            return !sentence.starts_with("table genealogy") && !sentence.starts_with("table works_order") &&
                   !sentence.starts_with("table stay") && !sentence.starts_with("table ticket");
        });
        return found;
    }

  private:
    scratch::Folder folder_;
    std::unique_ptr<Reader> reader_;
};

void leaves(Story& story) {
    story.moves("leave");
    story.departs();
}

}  // namespace

TEST_CASE("a unit that left is joined from its sub-assembly, and the sub-assembly names its unit") {
    Story story;
    story.finished_unit();
    const EventNumber stay = story.stay().id;
    leaves(story);
    Journaled journaled(story);
    CHECK(journaled.parts_of("D1") == Lines{"F1 in D1"});
    CHECK(journaled.units_with("F1") == Lines{"F1 in D1"});
    CHECK(journaled.units_with("D1").empty());
    const auto joined = journaled.reader().joined({"F1"});
    REQUIRE(joined.has_value());
    REQUIRE(joined->has_value());
    CHECK((*joined)->unit == domain::Serial{"D1"});
    CHECK((*joined)->stay == stay);
    CHECK(journaled.disagreements().empty());
}

TEST_CASE("while the unit is still in the bay its sub-assembly is in no unit that left") {
    Story story;
    story.identified_unit();
    Journaled journaled(story);
    CHECK(journaled.parts_of("D1") == Lines{"F1 in D1"});
    CHECK_FALSE(journaled.reader().joined({"F1"})->has_value());
}

TEST_CASE("a corrected ticket ends what the wrong one said") {
    Story story;
    story.identified_unit();
    story.two_decide(CorrectTicket{"F", Serial{"F2"}, "O1", "FV", "", 0});
    Journaled journaled(story);
    CHECK(journaled.parts_of("D1") == Lines{"F1 was in D1 (corrected)", "F2 in D1"});
}

TEST_CASE("a corrected unit takes its sub-assemblies along") {
    Story story;
    story.identified_unit();
    story.two_decide(CorrectTicket{"D", Serial{"D2"}, "O1", "DV", "", 0});
    Journaled journaled(story);
    CHECK(journaled.units_with("F1") == Lines{"F1 was in D1 (corrected)", "F1 in D2"});
}

TEST_CASE("rework that puts another sub-assembly in replaces the one before, unless it was a wrong scan") {
    Story story;
    story.finished_unit();
    leaves(story);
    story.arrives();
    story.scans("D", "D1", "O1", "DV", 1);
    story.scans("F", "F2");
    SECTION("another") {
        Journaled journaled(story);
        CHECK(journaled.parts_of("D1") == Lines{"F1 was in D1 (replaced)", "F2 in D1"});
        CHECK_FALSE(journaled.reader().joined({"F1"})->has_value());
    }
    SECTION("a wrong scan") {
        story.two_decide(CorrectTicket{"F", Serial{"F1"}, "O1", "FV", "", 1});
        Journaled journaled(story);
        CHECK(journaled.parts_of("D1") == Lines{"F1 in D1", "F2 was in D1 (corrected)"});
        CHECK(journaled.disagreements().empty());
    }
}

TEST_CASE("a sub-assembly that people took out of a unit is in the other one from then on") {
    Story story;
    story.finished_unit();
    const EventNumber stay = story.stay().id;
    leaves(story);
    story.arrives();
    story.scans("D", "D2", "O1");
    TicketScanned used{BayId{"B1"}, "F", Serial{"F1"}, "O1", "FV", "", 1};
    used.joined = JoinedBefore{Serial{"D1"}, stay, 0};
    story.happens(used);
    SECTION("before they decide it is in both") {
        Journaled journaled(story);
        CHECK(journaled.units_with("F1") == Lines{"F1 in D1", "F1 in D2"});
    }
    story.proposes(supervisor, AcceptReuse{Serial{"F1"}});
    SECTION("then") {
        Journaled journaled(story);
        CHECK(journaled.units_with("F1") == Lines{"F1 was in D1 (taken_out)", "F1 in D2"});
    }
    SECTION("a ticket that turns out to be another leaves it where it was") {
        story.two_decide(CorrectTicket{"F", Serial{"F3"}, "O1", "FV", "", 0});
        Journaled journaled(story);
        CHECK(journaled.units_with("F1") == Lines{"F1 in D1", "F1 was in D2 (corrected)"});
        CHECK(journaled.disagreements().empty());
    }
}

TEST_CASE("the journal knows which orders are closed, and why, and not those that are open") {
    Story story;
    take_orders(story);
    story.happens(from_folder({added("O1", "V"), added("O2", "W", {{"F", "FW", "F7"}}), added("O3", "V")}));
    story.happens(from_folder({cancelled("O2"), changed("O3", "W")}));
    story.finished_unit();
    leaves(story);
    const EventNumber left = story.state.closed_orders.back().with;
    Journaled journaled(story);
    const auto closed = journaled.reader().closed_orders({"O1", "O2", "O3", "O4"});
    REQUIRE(closed.has_value());
    REQUIRE(closed->size() == 2);
    CHECK(closed->front().end == OrderEnd::built);
    CHECK(closed->front().unit == Serial{"D1"});
    CHECK(closed->front().with == left);
    CHECK(closed->back().number == "O2");
    CHECK(closed->back().end == OrderEnd::cancelled);
    CHECK(journaled.disagreements().empty());
}

TEST_CASE("an order that was cancelled and added anew is open") {
    Story story;
    ordered(story);
    story.happens(from_folder({cancelled("O1")}));
    story.happens(from_folder({added("O1", "V")}));
    Journaled journaled(story);
    CHECK_FALSE(journaled.reader().closed_order("O1")->has_value());
}
