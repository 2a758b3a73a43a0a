#include "service/web/actions.hpp"
#include "service/web/target.hpp"
#include "service/web/views.hpp"
#include "service/web/work.hpp"

namespace tautgate::web {

using namespace interlock;

// ---- rules ---------------------------------------------------------------------------------------------

void Api::Work::approve_rules(Call& call) {
    auto body = Body::parse(call.request.body);
    const Revision revision{body.text("digest", 64)};
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    if (!call.second)
        return call.refuse({.status = 403,
                            .code = "second_person_missing",
                            .what = "no rules were approved",
                            .where = "Second-Session",
                            .why = "rules are approved by two persons, each with a session",
                            .remedy = "let a second person sign in and send that session, too"});
    const auto staged = station_.staged_rules();
    if (staged.revision != revision)
        return call.refuse(
            {.status = 409,
             .code = "other_rules_staged",
             .what = "no rules were approved",
             .where = "/digest",
             .why = staged.revision
                        ? "the file " + staged.file + " now has the digest " + staged.revision->digest
                        : "the file " + staged.file + " has faults and cannot be approved",
             .remedy = "look at GET /v1/rules and approve what it shows"});
    RulesApproved event{.revision = revision, .by = call.person, .seconded_by = *call.second, .tokens = {}};
    submit(std::move(event), std::nullopt, std::move(call));
}

// ---- the bay -------------------------------------------------------------------------------------------

void Api::Work::operator_at_bay(Call& call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    const auto act = body.text("act");
    if (act != "sign_on" && act != "sign_off")
        body.refuse("act", "it is neither sign_on nor sign_off", "give one of them");
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto person = call.person;
    if (act == "sign_on")
        submit(OperatorSignedOn{.bay = *bay, .person = person}, std::nullopt, std::move(call));
    else
        submit(OperatorSignedOff{.bay = *bay, .by = person}, std::nullopt, std::move(call));
}

void Api::Work::try_wiring(Call& call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    const auto act = body.text("act");
    const auto permissive = body.optional_text("permissive");
    if (act != "begin" && act != "end")
        body.refuse("act", "it is neither begin nor end", "give one of them");
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto person = call.person;
    if (act == "end")
        return submit(WiringTestEnded{.bay = *bay, .by = person}, std::nullopt, std::move(call));
    WiringTestBegan event{.bay = *bay, .permissive = std::nullopt, .by = person, .token = {}};
    if (permissive)
        event.permissive = PermissiveId{*permissive};
    submit(std::move(event), std::nullopt, std::move(call));
}

void Api::Work::scan(Call& call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    const auto text = body.label("text", protocol::label_limit);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto person = call.person;
    const auto ticket = station_.read_label(*bay, text);
    if (ticket)
        return submit(TicketScanned{.bay = *bay,
                                    .kind = ticket->kind,
                                    .serial = {ticket->serial},
                                    .order = ticket->order,
                                    .type = ticket->type,
                                    .raw = ticket->raw,
                                    .typed_by = person},
                      std::nullopt, std::move(call));
    const auto& fault = ticket.error();
    const Problem problem{.status = 422,
                          .code = "label_misread",
                          .what = "the label was recorded as misread and counts for nothing",
                          .where = "/text",
                          .why = fault.what,
                          .remedy = fault.remedy};
    const auto where = call.where();
    station_.submit(
        LabelMisread{.bay = *bay, .raw = fault.raw, .why = protocol::sentence(fault), .typed_by = person},
        std::nullopt,
        [call = std::move(call), problem, where](const std::expected<Recorded, NotRecorded>& done) {
            call.refuse(done ? problem : not_recorded(where, done.error()));
        });
}

template <class Event>
void Api::Work::say_at_bay(Call& call, Event (*read_event)(Body&, const StationPort&, const BayId&)) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    Event event = read_event(body, station_, *bay);
    event.by = call.person;
    event.seen = EventNumber{body.number("seen")};
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    submit(std::move(event), std::nullopt, std::move(call));
}

void Api::Work::confirm_check(Call& call) { say_at_bay(call, read_confirmation); }

void Api::Work::check_by_hand(Call& call) { say_at_bay(call, read_hand_check); }

void Api::Work::select_fastener(Call& call) { say_at_bay(call, read_selection); }

void Api::Work::call_tool(Call& call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    const domain::ToolId tool{body.text("tool")};
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto person = call.person;
    submit(interlock::ToolCalled{.bay = *bay, .tool = tool, .by = person}, std::nullopt, std::move(call));
}

void Api::Work::propose(Call& call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    auto action_body = body.object("action");
    Proposed event{.bay = *bay,
                   .action = read_action(action_body, station_, *bay),
                   .by = call.person,
                   .reason_code = body.optional_text("reason_code").value_or(std::string{}),
                   .reason_text = body.optional_text("reason_text", 2000).value_or(std::string{}),
                   .seen = EventNumber{body.number("seen")}};
    body.join(action_body);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    submit(std::move(event), std::nullopt, std::move(call));
}

std::optional<EventNumber> Api::Work::proposal_argument(const Call& call) {
    const auto number = number_from(call.arguments[1]);
    if (number)
        return EventNumber{*number};
    call.refuse(no_such(call.where(), "decisions are named by the number of the event that proposed them",
                        "take it from the proposals in GET /v1/station"));
    return std::nullopt;
}

void Api::Work::second(Call& call) {
    const auto bay = bay_of(call);
    const auto proposal = bay ? proposal_argument(call) : std::nullopt;
    if (!proposal)
        return;
    auto body = Body::parse(call.request.body);
    Seconded event{.bay = *bay, .proposal = *proposal, .by = call.person, .seen = {body.number("seen")}};
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    submit(std::move(event), std::nullopt, std::move(call));
}

void Api::Work::end_proposal(Call& call) {
    const auto bay = bay_of(call);
    const auto proposal = bay ? proposal_argument(call) : std::nullopt;
    if (!proposal)
        return;
    auto body = Body::parse(call.request.body);
    ProposalEnded event{.bay = *bay, .proposal = *proposal, .by = call.person, .why = body.text("why", 2000)};
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    submit(std::move(event), std::nullopt, std::move(call));
}

}  // namespace tautgate::web
