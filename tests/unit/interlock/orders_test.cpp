// Orders arrive, are changed and cancelled, and the unit in the bay must fit its own.
#include "tests/unit/interlock/ordering.hpp"

#include "service/interlock/order_reply.hpp"
#include "service/interlock/orders.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

std::vector<std::string> open_orders(const Story& story) {
    std::vector<std::string> numbers;
    for (const Order& order : story.state.orders)
        numbers.push_back(order.number);
    return numbers;
}

std::string first_fault(const Outcome& outcome) {
    const auto* refused = std::get_if<OrdersRefused>(&outcome);
    if (refused == nullptr)
        return "";
    const protocol::RowFault& fault = refused->faults.front();
    return std::to_string(fault.line) + ": " + fault.what + "; " + fault.remedy;
}

std::string told(const Story& story, ReasonCode code) {
    const Reason* reason = story.reason("leave", code);
    return reason == nullptr ? "" : sentence(*reason);
}

void leaves(Story& story) {
    story.moves("leave");
    story.departs();
}

// What a state says besides which event was the newest and which file came last.
State without_counts(State state) {
    state.newest = {};
    state.order_file.reset();
    return state;
}

}  // namespace

// ---- orders that arrive ---------------------------------------------------------------------------------

TEST_CASE("orders are known from the event on that brings them, by number") {
    Story story;
    take_orders(story);
    CHECK(is<OrdersTaken>(story.happens(from_folder({added("O2", "W"), added("O1", "V")}))));
    CHECK(open_orders(story) == std::vector<std::string>{"O1", "O2"});
    story.happens(from_folder({cancelled("O2"), changed("O1", "W")}));
    CHECK(open_orders(story) == std::vector<std::string>{"O1"});
    CHECK(order_of(story.state, "O1")->content.variant == "W");
    REQUIRE(story.state.closed_orders.size() == 1);
    CHECK(story.state.closed_orders.front().end == OrderEnd::cancelled);
}

TEST_CASE("a station whose rules take no orders refuses them") {
    Story story;
    CHECK(refused(story.happens(from_folder({added("O1", "V")})), RefusalCode::not_possible_now));
    CHECK(story.state.orders.empty());
}

TEST_CASE("one bad line refuses the whole file with its line, and nothing changes") {
    Story story;
    ordered(story);
    const State before = without_counts(story.state);
    const auto refuses = [&](std::vector<protocol::OrderEntry> entries, const std::string& why) {
        entries.insert(entries.begin(), added("O9", "V"));
        CHECK(first_fault(story.happens(from_folder(std::move(entries)))) == why);
        CHECK(without_counts(story.state) == before);
    };
    refuses({added("O1", "W")}, "2: order O1 is known already and says something else; change it instead, or "
                                "give the new one another number");
    refuses({changed("O7", "V")}, "3: order O7 is not known; add it first, or correct its number");
    refuses({cancelled("O7")}, "4: order O7 is not known; add it first, or correct its number");
    refuses({changed("O1", "X")},
            "3: order O1 is for variant X, which the rules in force do not know; correct "
            "it, or let rules with that variant be approved first");
    refuses({changed("O1", "V", {{"F", "FW", ""}})},
            "3: order O1 expects type FW on ticket F, which does not go with variant V; correct the type or "
            "the variant");
}

TEST_CASE("a type may stand for its variant") {
    Story story;
    take_orders(story);
    CHECK(is<OrdersTaken>(story.happens(from_folder({added("O1", "DV")}))));
    story.finished_unit();
    CHECK(story.released("leave"));
}

TEST_CASE("a serial number is expected by one open order only, whichever file says so") {
    Story story;
    take_orders(story);
    story.happens(from_folder({added("O1", "V", {{"F", "", "F1"}})}));
    CHECK(first_fault(story.happens(from_folder({added("O2", "V", {{"F", "", "F1"}})}))) ==
          "2: order O2 expects serial F1 on ticket F, as order O1 does; a sub-assembly belongs to one order; "
          "correct one of the two");
    // From one to the other within one file.
    CHECK(is<OrdersTaken>(
        story.happens(from_folder({added("O2", "V", {{"F", "", "F1"}}), changed("O1", "V")}))));
}

TEST_CASE("more open orders than the station can carry are refused as a whole") {
    Story story;
    take_orders(story);
    std::vector<protocol::OrderEntry> many;
    for (std::size_t i = 0; i < open_orders_most; ++i)
        many.push_back(added("O" + std::to_string(1000 + i), "V"));
    CHECK(is<OrdersTaken>(story.happens(from_folder(many))));
    CHECK(first_fault(story.happens(from_folder({added("P1", "V")}))) ==
          "0: 1001 orders would be open, more than 1000; send orders when they are about to be built, and "
          "cancel those that will not be");
    CHECK(is<OrdersTaken>(story.happens(from_folder({added("P1", "V"), cancelled("O1000")}))));
}

TEST_CASE("the same orders once more change nothing, whatever the file says") {
    const std::vector<std::vector<protocol::OrderEntry>> files{
        {added("O3", "V"), added("O4", "W", {{"D", "DW", "D4"}})},
        {changed("O1", "W"), added("O3", "V")},
        {cancelled("O1")},
        {cancelled("O2"), changed("O1", "V", {{"F", "", "F1"}}), added("O5", "W")}};
    for (const auto& file : files) {
        Story story;
        take_orders(story);
        story.happens(from_folder({added("O1", "V"), added("O2", "W")}));
        REQUIRE(is<OrdersTaken>(story.happens(from_folder(file))));
        const State once = without_counts(story.state);
        const Outcome again = story.happens(from_folder(file));
        REQUIRE(is<OrdersTaken>(again));
        CHECK(std::get<OrdersTaken>(again).unchanged.size() == file.size());
        CHECK(without_counts(story.state) == once);
    }
}

TEST_CASE("a file that was taken but not answered is known again by its number and its bytes") {
    Story story;
    take_orders(story);
    const OrdersReceived file = from_folder({added("O1", "V")});
    CHECK(is<OrdersTaken>(story.happens(file)));
    story.happens(typed(supervisor, {cancelled("O1")}));
    CHECK(is<Repeated>(story.happens(file)));
    CHECK(story.state.orders.empty());
    // Sent anew it is a new file.
    CHECK(is<OrdersTaken>(story.happens(from_folder(file.orders))));
    CHECK(open_orders(story) == std::vector<std::string>{"O1"});
}

TEST_CASE("of a file that is known again its sender is told what each order is now") {
    Story story;
    take_orders(story);
    const OrdersReceived file = from_folder({added("O1", "V"), added("O2", "W"), added("O3", "V")});
    story.happens(file);
    story.happens(typed(supervisor, {cancelled("O1"), changed("O2", "V")}));
    // Closed so long ago that only the journal knows how.
    std::erase_if(story.state.orders, [](const Order& order) { return order.number == "O3"; });
    const auto outcome = story.happens(file);
    REQUIRE(is<Repeated>(outcome));
    CHECK(order_reply(outcome, file.orders, story.state) ==
          protocol::OrderAnswer{protocol::OrdersKnown{
              {{2, "O1", "cancelled"}, {2, "O2", "open, variant V"}, {2, "O3", "not open"}}}});
}

TEST_CASE(
    "an order that was cancelled in a file and added again is told as open when the file is known again") {
    Story story;
    ordered(story);
    const OrdersReceived file = from_folder({cancelled("O1")});
    story.happens(file);
    story.happens(typed(supervisor, {added("O1", "V")}));
    const auto outcome = story.happens(file);
    REQUIRE(is<Repeated>(outcome));
    CHECK(order_reply(outcome, file.orders, story.state) ==
          protocol::OrderAnswer{protocol::OrdersKnown{{{4, "O1", "open, variant V"}}}});
}

TEST_CASE("an order that was built in between is told as built, with its unit") {
    Story story;
    take_orders(story);
    const OrdersReceived file = from_folder({added("O1", "V")});
    story.happens(file);
    story.finished_unit();
    leaves(story);
    const auto outcome = story.happens(file);
    REQUIRE(is<Repeated>(outcome));
    const auto reply = order_reply(outcome, file.orders, story.state);
    const auto* known = std::get_if<protocol::OrdersKnown>(&reply);
    REQUIRE(known != nullptr);
    CHECK(known->orders.at(0).is == "built, as unit " + story.state.closed_orders.back().unit.text);
    CHECK_FALSE(story.state.closed_orders.back().unit.text.empty());
}

TEST_CASE("whoever types an order must be entitled to") {
    Story story;
    take_orders(story);
    CHECK(refused(story.happens(typed(worker, {added("O1", "V")})), RefusalCode::not_entitled));
    CHECK(refused(story.happens(typed(quality, {added("O1", "V")})), RefusalCode::not_entitled));
    CHECK(refused(story.happens(typed(PersonNumber{99}, {added("O1", "V")})), RefusalCode::unknown_person));
    story.happens(PersonSuspended{other_supervisor, admin, supervisor});
    CHECK(refused(story.happens(typed(other_supervisor, {added("O1", "V")})), RefusalCode::suspended));
    CHECK(story.state.orders.empty());
    CHECK(is<OrdersTaken>(story.happens(typed(supervisor, {added("O1", "V")}))));
}

TEST_CASE("a deputy types an order while the time runs, and not after it") {
    Story story;
    take_orders(story);
    const std::int64_t until = story.now_ns / 1000 + 60'000'000;
    story.happens(DeputyNamed{worker, Role::production_supervisor, until, admin, supervisor});
    CHECK(is<OrdersTaken>(story.happens(typed(worker, {added("O1", "V")}))));
    story.now_ns += 60'000'000'000;
    CHECK(refused(story.happens(typed(worker, {added("O2", "V")})), RefusalCode::not_entitled));
}

TEST_CASE(
    "an order that is built is neither added, changed nor cancelled, also when only the journal knows") {
    Story story;
    ordered(story);
    story.finished_unit();
    leaves(story);
    CHECK(story.state.orders.empty());
    const std::string built =
        "order O1 is built already, as unit D1 (1970-01-01 00:00 UTC); leave it out, or give "
        "the next unit an order of its own";
    CHECK(first_fault(story.happens(from_folder({added("O1", "V")}))) == "2: " + built);
    CHECK(first_fault(story.happens(from_folder({changed("O1", "V")}))) == "3: " + built);
    CHECK(first_fault(story.happens(from_folder({cancelled("O1")}))) == "4: " + built);
    auto later = from_folder({added("O8", "V")});
    later.closed = {ClosedOrder{"O8", OrderEnd::built, Serial{"D8"}, EventNumber{9}, 0}};
    CHECK(first_fault(story.happens(later)).starts_with("2: order O8 is built already, as unit D8"));
}

TEST_CASE("a cancelled order may be added anew") {
    Story story;
    ordered(story);
    story.happens(from_folder({cancelled("O1")}));
    CHECK(first_fault(story.happens(from_folder({changed("O1", "V")}))) ==
          "3: order O1 is cancelled; add it anew");
    CHECK(is<OrdersTaken>(story.happens(from_folder({added("O1", "V")}))));
    story.finished_unit();
    CHECK(story.released("leave"));
}

// ---- the unit in the bay --------------------------------------------------------------------------------

TEST_CASE("a unit whose order is known, open and fits is built as before, and its order is done with it") {
    Story story;
    ordered(story);
    story.finished_unit();
    CHECK(story.released("leave"));
    leaves(story);
    CHECK(story.state.orders.empty());
    REQUIRE(story.state.closed_orders.size() == 1);
    CHECK(story.state.closed_orders.front().end == OrderEnd::built);
    CHECK(story.state.closed_orders.front().unit == Serial{"D1"});
}

TEST_CASE("work on a unit whose order is not known counts, and is free once the order arrives") {
    Story story;
    take_orders(story);
    story.finished_unit();
    CHECK(told(story, ReasonCode::order_unknown) == "Order O1 is not known at this station.");
    CHECK(story.permissive("leave").reasons.size() == 1);
    story.happens(from_folder({added("O1", "V")}));
    CHECK(story.released("leave"));
    leaves(story);
    CHECK(story.state.orders.empty());
}

TEST_CASE("without orders in its rules a station asks for none") {
    Story story;
    story.finished_unit();
    CHECK(story.released("leave"));
    CHECK_FALSE(story.stay().order.has_value());
}

TEST_CASE("a ticket without an order says so") {
    Story story;
    auto station = small_station();
    station.orders.emplace();
    station.pair.same_order = false;
    story.rules.emplace(Revision{"r3"}, std::make_shared<const config::Station>(station));
    story.happens(RulesApproved{Revision{"r3"}, admin, supervisor, {}});
    story.arrives();
    story.scans("D", "D1", "");
    story.scans("F", "F1", "");
    CHECK(told(story, ReasonCode::order_unknown) == "The ticket names no order.");
}

TEST_CASE("tickets that the order does not expect are named beside what it expects") {
    Story story;
    take_orders(story);
    story.happens(from_folder({added("O1", "W"), added("O2", "V", {{"D", "", "D7"}, {"F", "FV", "F7"}})}));
    SECTION("another variant") {
        story.finished_unit();
        CHECK(told(story, ReasonCode::order_differs) ==
              "The tickets do not fit order O1: they say variant V, the order W.");
    }
    SECTION("other serial numbers") {
        story.arrives();
        story.scans("D", "D1", "O2");
        story.scans("F", "F1", "O2");
        std::vector<std::string> all;
        for (const Reason& reason : story.permissive("leave").reasons)
            if (reason.code == ReasonCode::order_differs)
                all.push_back(sentence(reason));
        CHECK(all == std::vector<std::string>{
                         "The tickets do not fit order O2: ticket D says serial D1, the order D7.",
                         "The tickets do not fit order O2: ticket F says serial F1, the order F7."});
    }
    SECTION("a variant that the rules of the stay do not know any more") {
        auto station = small_station();
        station.orders.emplace();
        station.variants.pop_back();
        story.rules.emplace(Revision{"r4"}, std::make_shared<const config::Station>(station));
        story.happens(RulesApproved{Revision{"r4"}, admin, supervisor, {}});
        story.finished_unit();
        CHECK(told(story, ReasonCode::order_differs) ==
              "The tickets do not fit order O1: the rules of this unit do not know its variant W.");
    }
}

TEST_CASE("an order that is cancelled under way withholds until people go on with what it said") {
    Story story;
    ordered(story);
    story.finished_unit();
    story.happens(from_folder({cancelled("O1")}));
    CHECK_FALSE(story.released("leave"));
    CHECK(told(story, ReasonCode::order_cancelled).starts_with("Order O1 was cancelled (1970-01-01"));
    CHECK(refused(story.proposes(worker, SettleOrder{}), RefusalCode::not_entitled));
    CHECK(
        refused(story.proposes(supervisor, SettleOrder{OrderChoice::as_now}), RefusalCode::not_possible_now));
    CHECK(is<Applied>(story.proposes(supervisor, SettleOrder{})));
    CHECK(story.released("leave"));
    leaves(story);
    CHECK(story.state.closed_orders.back().end == OrderEnd::built);
}

TEST_CASE("an order that is changed under way withholds, and is never planned anew by itself") {
    Story story;
    take_orders(story);
    story.happens(from_folder({added("O1", "V", {{"F", "", "F1"}})}));
    story.finished_unit();
    const auto plan = story.stay().laid_out;
    story.happens(from_folder({changed("O1", "W")}));
    CHECK(told(story, ReasonCode::order_changed) ==
          "Order O1 was changed while the unit is here: variant V became W.");
    CHECK_FALSE(story.held_by("leave", ReasonCode::order_differs));
    CHECK(story.stay().laid_out == plan);
    SECTION("built by the order as it was") {
        story.proposes(supervisor, SettleOrder{OrderChoice::as_taken});
        CHECK(story.released("leave"));
        SECTION("until it is changed once more") {
            story.happens(from_folder({changed("O1", "W", {{"F", "", "F3"}})}));
            CHECK(story.held_by("leave", ReasonCode::order_changed));
        }
    }
    SECTION("by the order as it is now the tickets must fit it") {
        story.proposes(supervisor, SettleOrder{OrderChoice::as_now});
        CHECK_FALSE(story.held_by("leave", ReasonCode::order_changed));
        CHECK(story.held_by("leave", ReasonCode::order_differs));
    }
    SECTION("changed back, nothing is to be decided") {
        story.happens(from_folder({changed("O1", "V", {{"F", "", "F1"}})}));
        CHECK(story.released("leave"));
        CHECK(refused(story.proposes(supervisor, SettleOrder{}), RefusalCode::already_settled));
    }
    SECTION("two people may let the unit leave incomplete") {
        story.two_decide(LeaveIncomplete{});
        CHECK(story.on_wire("side") == OnWire::leaving_incomplete);
        story.moves("side");
        story.departs();
        CHECK(order_of(story.state, "O1")->unit == Serial{"D1"});
    }
}

TEST_CASE("a decision about an order is bound to what was seen of it") {
    Story story;
    ordered(story);
    story.finished_unit();
    const EventNumber before = story.state.newest;
    story.happens(from_folder({changed("O1", "W")}));
    CHECK(refused(
        story.happens(Proposed{BayId{"B1"}, SettleOrder{}, supervisor, "checked", "checked by hand", before}),
        RefusalCode::seen_too_old));
}

TEST_CASE("when an order is due, and in which place, concerns no unit in the bay") {
    Story story;
    ordered(story);
    story.finished_unit();
    auto moved = changed("O1", "V");
    std::get<protocol::ChangeOrder>(moved.action).content.sequence = 5;
    story.happens(from_folder({moved}));
    CHECK(story.released("leave"));
}

TEST_CASE("an order is built once: another unit with its number is withheld, the same one may come back") {
    Story story;
    ordered(story);
    story.finished_unit();
    leaves(story);
    story.arrives();
    SECTION("another") {
        story.scans("D", "D2");
        story.scans("F", "F2");
        CHECK(told(story, ReasonCode::order_used).starts_with("Order O1 is taken by unit D1 (1970"));
        story.proposes(supervisor, SettleOrder{});
        CHECK_FALSE(story.held_by("leave", ReasonCode::order_used));
    }
    SECTION("the same one, for rework") {
        story.scans("D", "D1", "O1", "DV", 1);
        story.scans("F", "F1", "O1", "FV", 1);
        CHECK_FALSE(story.held_by("leave", ReasonCode::order_used));
        CHECK_FALSE(story.held_by("leave", ReasonCode::order_unknown));
        CHECK(story.held_by("leave", ReasonCode::serial_seen_before));
    }
}

TEST_CASE("what only the journal knows of an order comes with the ticket") {
    Story story;
    take_orders(story);
    story.arrives();
    TicketScanned scanned{BayId{"B1"}, "D", Serial{"D2"}, "O8", "DV", "", 0};
    scanned.closed_order = ClosedOrder{"O8", OrderEnd::cancelled, {}, EventNumber{9}, 0};
    story.happens(scanned);
    story.scans("F", "F2", "O8");
    CHECK(story.held_by("leave", ReasonCode::order_cancelled));
    // It is open again: nothing waits any more.
    story.happens(from_folder({added("O8", "V")}));
    CHECK_FALSE(story.held_by("leave", ReasonCode::order_cancelled));
    REQUIRE(story.stay().order->content.has_value());
}

TEST_CASE("a unit that left incomplete keeps its order, and no other unit is built for it") {
    Story story;
    ordered(story);
    story.identified_unit();
    story.departs();
    CHECK(order_of(story.state, "O1")->unit == Serial{"D1"});
    story.arrives();
    SECTION("another unit") {
        story.scans("D", "D2");
        story.scans("F", "F2");
        CHECK(told(story, ReasonCode::order_used) == "Order O1 is taken by unit D1.");
    }
    SECTION("the same one") {
        story.scans("D", "D1", "O1", "DV", 1);
        story.scans("F", "F1", "O1", "FV", 1);
        CHECK_FALSE(story.held_by("leave", ReasonCode::order_used));
    }
}

TEST_CASE("a corrected ticket leads to the order that it names") {
    Story story;
    take_orders(story);
    story.happens(from_folder({added("O2", "V")}));
    story.arrives();
    story.scans("D", "D1", "O9");
    story.scans("F", "F1", "O9");
    CHECK(story.held_by("leave", ReasonCode::order_unknown));
    story.two_decide(CorrectTicket{"D", Serial{"D1"}, "O2", "DV", "", 0});
    CHECK(story.held_by("leave", ReasonCode::wrong_pair));
    story.two_decide(CorrectTicket{"F", Serial{"F1"}, "O2", "FV", "", 0});
    CHECK_FALSE(story.held_by("leave", ReasonCode::order_unknown));
    CHECK(story.stay().order->number == "O2");
}

// ---- sub-assemblies -------------------------------------------------------------------------------------

TEST_CASE(
    "a sub-assembly of another unit withholds with that unit and the date, until people say otherwise") {
    Story story;
    story.arrives();
    story.scans("D", "D1");
    story.happens(in_unit("F1", "D8"));
    // 1764051243 s: `date -u -d @1764051243` of GNU coreutils says 2025-11-25 06:14:03.
    CHECK(told(story, ReasonCode::subassembly_used) == "F1 is in unit D8 (2025-11-25 06:14 UTC).");
    CHECK_FALSE(story.held_by("leave", ReasonCode::serial_seen_before));
    CHECK(refused(story.proposes(worker, AcceptReuse{Serial{"F1"}}), RefusalCode::not_entitled));
    CHECK(refused(story.proposes(supervisor, AcceptReuse{Serial{"D1"}}), RefusalCode::already_settled));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptReuse{Serial{"F1"}})));
    CHECK_FALSE(story.held_by("leave", ReasonCode::subassembly_used));
    REQUIRE(story.stay().reuses.size() == 1);
    CHECK(story.stay().reuses.front().from == Serial{"D8"});
    // A corrected ticket takes the decision with it.
    story.two_decide(CorrectTicket{"F", Serial{"F2"}, "O1", "FV", "", 0});
    CHECK(story.stay().reuses.empty());
}

TEST_CASE("a sub-assembly that comes back in its own unit is rework, not used twice") {
    Story story;
    story.arrives();
    story.scans("D", "D1");
    story.happens(in_unit("F1", "D1"));
    CHECK_FALSE(story.held_by("leave", ReasonCode::subassembly_used));
}

TEST_CASE("a sub-assembly on the hold list withholds the unit that it is in") {
    Story story;
    story.finished_unit();
    CHECK(is<Applied>(story.proposes(supervisor, PlaceHold{Serial{"F1"}})));
    CHECK(told(story, ReasonCode::unit_on_hold) == "F1 is on the hold list: checked by hand.");
    story.proposes(quality, LiftHold{Serial{"F1"}});
    CHECK(story.released("leave"));
}
