// Reasons about the unit's order and what it is joined from, at a station that takes orders.
#include <algorithm>
#include <regex>

#include "tests/end_to_end/reason_stand.hpp"

namespace tautgate::end_to_end {

using enum interlock::ReasonCode;
using nlohmann::json;
using simulation::UnitPapers;

namespace {

constexpr const char* beam = "lift-beam";

// The supervisor hands an order over; it must be taken.
void sends(Stand& stand, const json& row) {
    const auto& members = stand.plant().crew().members();
    const auto who = std::ranges::find_if(members, [](const simulation::CrewMember& member) {
        return member.roles.front() == "production_supervisor";
    });
    stand.need(who != members.end(), "nobody is there who may send orders");
    const auto answer =
        stand.plant().crew().api().post("/v1/orders", {{"orders", json::array({row})}}, {who->session, ""});
    if (!answer)
        stand.give_up(answer.error());
    stand.need(answer->good(), "the order is not taken: " + simulation::words_of(*answer));
}

json added(const std::string& order, const std::string& variant) {
    return {{"action", "add"}, {"order", order}, {"variant", variant}};
}

// Everything of plan MB1 that the lifting beam waits for is done; whether its order lets it move is the case.
void worked_on(Stand& stand, const UnitPapers& papers) {
    stand.arrives(papers);
    stand.scans(papers.motor_label());
    stand.scans(papers.frame_label());
    stand.need(stand.plant().shift().tighten("motor-mounts"), "the motor mounts are not tightened");
}

UnitPapers ordered_and_worked_on(Stand& stand) {
    UnitPapers papers = stand.plant().shift().next_papers("MB1");
    sends(stand, added(papers.order, "MB1"));
    worked_on(stand, papers);
    stand.need(stand.await_released(beam), "the lifting beam is not released");
    return papers;
}

// A good unit leaves by the carrier.
UnitPapers built(Stand& stand) {
    UnitPapers papers = ordered_and_worked_on(stand);
    stand.need(stand.plant().shift().lift(papers) && stand.plant().shift().leave(papers),
               "the good unit does not leave");
    return papers;
}

// The time that the reason names, once it is there: it must be one, and which one only the station knows.
std::string when_told(Stand& stand, const std::string& code) {
    std::string when;
    static_cast<void>(stand.await([&] {
        for (const auto& reason : stand.reasons(beam)) {
            if (reason.at("code") != code)
                continue;
            for (const auto& fact : reason.at("facts"))
                if (fact.at("name") == "when")
                    when = fact.at("value");
        }
        return !when.empty();
    }));
    stand.need(std::regex_match(when, std::regex("20\\d\\d-\\d\\d-\\d\\d \\d\\d:\\d\\d UTC")),
               code + " names no time: " + when);
    return when;
}

Told unknown_told(Stand& stand) {
    const UnitPapers papers = stand.plant().shift().next_papers("MB1");
    worked_on(stand, papers);
    return {.sentence = "Order " + papers.order + " is not known at this station.",
            .remedy = "Let planning send the order, or let an entitled person type it.",
            .clears = "by_itself",
            .facts = {{"order", papers.order}}};
}

Told cancelled_told(Stand& stand) {
    const UnitPapers papers = ordered_and_worked_on(stand);
    sends(stand, {{"action", "cancel"}, {"order", papers.order}});
    const std::string when = when_told(stand, "order_cancelled");
    return {.sentence = "Order " + papers.order + " was cancelled (" + when + ").",
            .remedy = "A supervisor decides: build the unit all the same, or let it leave incomplete.",
            .clears = "by_decision",
            .facts = {{"order", papers.order}, {"when", when}}};
}

Told changed_told(Stand& stand) {
    const UnitPapers papers = ordered_and_worked_on(stand);
    sends(stand, {{"action", "change"}, {"order", papers.order}, {"variant", "MB2"}});
    const std::string what = "variant MB1 became MB2";
    return {.sentence = "Order " + papers.order + " was changed while the unit is here: " + what + ".",
            .remedy = "A supervisor decides: by the order as it was, by the order as it is now, or leave "
                      "incomplete.",
            .clears = "by_decision",
            .facts = {{"order", papers.order}, {"what", what}}};
}

Told used_told(Stand& stand) {
    const UnitPapers first = built(stand);
    UnitPapers papers = stand.plant().shift().next_papers("MB1");
    papers.order = first.order;
    worked_on(stand, papers);
    const std::string when = when_told(stand, "order_used");
    return {.sentence = "Order " + first.order + " is taken by unit " + first.motor + " (" + when + ").",
            .remedy = "Check the ticket; a supervisor decides whether another unit is built for it.",
            .clears = "by_decision",
            .facts = {{"order", first.order}, {"unit", first.motor}, {"when", when}}};
}

Told differs_told(Stand& stand) {
    const UnitPapers papers = stand.plant().shift().next_papers("MB1");
    sends(stand, added(papers.order, "MB2"));
    worked_on(stand, papers);
    const std::string why = "they say variant MB1, the order MB2";
    return {.sentence = "The tickets do not fit order " + papers.order + ": " + why + ".",
            .remedy = "Correct the ticket, or let planning correct the order.",
            .clears = "by_decision",
            .facts = {{"order", papers.order}, {"why", why}}};
}

Told used_part_told(Stand& stand) {
    const UnitPapers first = built(stand);
    UnitPapers papers = stand.plant().shift().next_papers("MB1");
    papers.frame = first.frame;
    sends(stand, added(papers.order, "MB1"));
    worked_on(stand, papers);
    const std::string when = when_told(stand, "subassembly_used");
    return {.sentence = first.frame + " is in unit " + first.motor + " (" + when + ").",
            .remedy = "Use another one; if it was taken out of that unit, a supervisor decides.",
            .clears = "by_decision",
            .facts = {{"serial", first.frame}, {"unit", first.motor}, {"when", when}}};
}

void goes_on(Stand& stand) { stand.decides({{"settle_order", {{"by", "order_as_taken"}}}}); }

}  // namespace

const std::vector<ReasonCase>& order_cases() {
    static const std::vector<ReasonCase> cases{
        {order_unknown,
         "a unit whose order was not sent is held until it is",
         beam,
         {"order_unknown"},
         unknown_told,
         [](Stand& stand) { sends(stand, added(stand.papers().order, "MB1")); },
         true},
        {order_cancelled,
         "a unit whose order is cancelled is held until people go on",
         beam,
         {"order_cancelled"},
         cancelled_told,
         goes_on,
         true},
        {order_changed,
         "a unit whose order is changed is held until people say by which it is built",
         beam,
         {"order_changed"},
         changed_told,
         goes_on,
         true},
        {order_used,
         "a second unit for an order is held until people want it",
         beam,
         {"order_used"},
         used_told,
         goes_on,
         true},
        {order_differs,
         "a unit that is not what its order says is held until the order is corrected",
         beam,
         {"order_differs"},
         differs_told,
         [](Stand& stand) {
             sends(stand, {{"action", "change"}, {"order", stand.papers().order}, {"variant", "MB1"}});
             stand.decides({{"settle_order", {{"by", "order_as_now"}}}});
         },
         true},
        {subassembly_used,
         "a frame that left in another unit is held until it is said to be taken out",
         beam,
         {"subassembly_used"},
         used_part_told,
         [](Stand& stand) {
             stand.decides({{"accept_reuse", {{"serial", stand.papers().frame}}}});
         },
         true},
    };
    return cases;
}

}  // namespace tautgate::end_to_end
