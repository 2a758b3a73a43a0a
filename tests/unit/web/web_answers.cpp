// Asks the API everything that it can be asked, and prints each exchange as one JSON object a line:
// {"route": "/v1/bays/{bay}/why", "method", "target", "request", "status", "content_type", "body"}; first a
// line with the routes and the names that the code knows. openapi_agrees.mjs compares them with the
// description.
#include <cstdio>
#include <fstream>

#include <nlohmann/json.hpp>

#include "service/web/actions.hpp"
#include "service/web/enum_names.hpp"
#include "tests/unit/web/fake_station.hpp"

namespace {

using namespace tautgate;
using namespace tautgate::web;
using namespace tautgate::web::testing;
using nlohmann::json;

void print(const json& line) { std::puts(line.dump().c_str()); }

class Recorder {
  public:
    explicit Recorder(Desk& desk) : desk_(desk) {}

    void operator()(const std::string& route, const Request& request) {
        const auto answer = desk_.ask(request);
        print({{"route", route},
               {"method", request.method},
               {"target", request.target},
               {"request", request.body},
               {"status", answer.status},
               {"content_type", answer.content_type},
               {"body", answer.body}});
    }

  private:
    Desk& desk_;
};

history::UnitRecord story() {
    history::StayRecord stay;
    stay.stay = {40};
    stay.bay = "J1";
    stay.token = 77;
    stay.began_utc_us = 1'764'000'000'000'000;
    stay.ended = EventNumber{60};
    stay.ended_utc_us = 1'764'000'100'000'000;
    stay.unit = "TM000871";
    history::TicketLine ticket;
    ticket.event = {40};
    ticket.serial = "TM000871";
    ticket.withdrawn = EventNumber{41};
    stay.tickets = {ticket, history::TicketLine{}};
    history::TighteningLine counted;
    counted.outcome = "Attributed";
    counted.counter = 18'000'000'000'000'000'000U;
    counted.attempt = 2;
    counted.findings = "torque_low,angle_high";
    counted.torque_micro_nm = 12'500'000;
    counted.angle_micro_deg = 34'000'000;
    counted.operator_ = worker;
    counted.tool = "tool \xff";  // what a tool sent may be any bytes
    stay.tightenings = {counted, history::TighteningLine{}};
    history::OutputLine output;
    output.output = "LeavingIncomplete";
    output.reasons = "joint_open";
    stay.outputs = {output};
    history::DecisionLine decision;
    decision.kind = "Proposed";
    decision.action = "OverrideJoint";
    decision.outcome = "AwaitsSecond";
    decision.person = supervisor;
    decision.second_person = PersonNumber{99};
    stay.decisions = {decision, history::DecisionLine{}};
    stay.moves = {{.event = {45},
                   .utc_us = 1'764'000'050'000'000,
                   .from = "J0",
                   .to = "J1",
                   .permissive = "shift",
                   .unproven = true}};
    stay.other_ways = {{.joint = "bracket", .alternate = "spare", .name = "Spare nutrunner", .bypass = {9}}};
    history::PartLine part;
    part.serial = "BF000431";
    part.unit = "TM000871";
    part.until = EventNumber{50};
    part.until_utc_us = 1'764'000'100'000'000;
    part.ended_as = "taken_out";
    return {.serial = "TM000871",
            .stays = {stay, history::StayRecord{}},
            .parts = {part, history::PartLine{}},
            .used_in = {part}};
}

// As the station is now, decided long ago.
history::PastWhy past_of(const FakeStation& station, const std::string& bay) {
    history::PastWhy past{.event = {7},
                          .utc_us = 1'764'000'000'000'000,
                          .program = "0.1.0",
                          .state = station.state(),
                          .rules = station.rule_book(),
                          .bay = {bay},
                          .decided = {},
                          .stored_otherwise = EventNumber{5}};
    for (const auto& each : station.state().bays)
        if (each.id.text == bay)
            past.decided.resize(each.permissives.size());
    past.decided.at(0) = {{6}, 1'764'000'000'000'000, "0.1.0", std::string(64, 'a')};
    return past;
}

void look(Desk& desk, Recorder& record, const std::string& bay, const Sessions& by) {
    record("/v1/station", get("/v1/station"));
    record("/v1/rules", get("/v1/rules"));
    record("/v1/health", get("/v1/health"));
    put_unit_in(desk.station);
    desk.station.facts.inputs = {{.kind = InputKind::tool,
                                  .id = "T",
                                  .bay = "J1",
                                  .quality = Quality::stale,
                                  .age = 10ms,
                                  .why = "silent",
                                  .counts = {.became_good = 2, .lost = 2, .failures = 3, .curves_refused = 4},
                                  .polls = web::InputPolls{.good = 90, .failed = 4, .skipped = 1}},
                                 {.kind = InputKind::scanner,
                                  .id = "S",
                                  .bay = "J1",
                                  .quality = Quality::unknown,
                                  .age = std::nullopt,
                                  .why = {}}};
    desk.station.facts.journal.disk_free_bytes = 5;
    desk.station.facts.journal.disk_size_bytes = 1000;
    desk.station.facts.journal.outstanding_sync = 3ms;
    desk.station.troubled_by = {{.code = "sync_slow", .what = "w", .remedy = "r", .withholds = true}};
    record("/v1/station", get("/v1/station"));
    desk.station.wire.reset();
    record("/v1/station", get("/v1/station"));
    record("/v1/health", get("/v1/health"));
    record("/v1/bays/{bay}/why", get("/v1/bays/" + bay + "/why"));
    record("/v1/bays/{bay}/why", get("/v1/bays/nowhere/why"));
    record("/v1/past-why", get("/v1/past-why?serial=NEVER"));
    record("/v1/past-why", get("/v1/past-why?event=0"));
    desk.station.store().past = past_of(desk.station, bay);
    record("/v1/past-why", get("/v1/past-why?bay=" + bay + "&at=2026-11-26T10:42:00Z"));
    desk.station.store().record = story();
    record("/v1/units/{serial}", get("/v1/units/TM000871"));
    record("/v1/units/{serial}", get("/v1/units/NEVER"));
    desk.station.store().curves.traces = {{.event = {7},
                                           .tool = "tool \xff",
                                           .epoch = "17",
                                           .counter = 18'000'000'000'000'000'000U,
                                           .digest = std::string(64, 'd'),
                                           .samples = 2,
                                           .bytes = 30,
                                           .utc_us = 1'764'000'000'000'000,
                                           .result = std::nullopt}};
    record("/v1/traces/{event}", get("/v1/traces/7"));
    desk.station.store().curves.traces.front().result = EventNumber{6};
    desk.station.store().curves.curve = protocol::Trace{.times = protocol::SampleInterval{500},
                                                        .torque = {{-1, 4025}, {1, -1}},
                                                        .angle = protocol::TraceColumn{{0, 3}}};
    record("/v1/traces/{event}", get("/v1/traces/7"));
    record("/v1/traces/{event}", get("/v1/traces/8"));
    record("/v1/traces/{event}", get("/v1/traces/x"));
    const std::string bypassed = "/v1/bypasses/{event}/units";
    desk.station.store().bypass_used = {9};
    desk.station.store().bypassed = {{.stay = {40},
                                      .unit = "TM000871",
                                      .joint = "bracket",
                                      .alternate = "spare",
                                      .utc_us = 1'764'000'000'000'000},
                                     {.stay = {50}, .unit = "", .joint = "bracket", .alternate = "spare"}};
    record(bypassed, get("/v1/bypasses/9/units"));
    record(bypassed, get("/v1/bypasses/10/units"));
    record(bypassed, get("/v1/bypasses/x/units"));
    desk.station.store().stored = {{{1}, R"({"a":1})", std::string(64, '1')},
                                   {{2}, "{", std::string(64, '2')}};
    record("/v1/events", get("/v1/events?from=1"));
    record("/v1/events", get("/v1/events?from=x"));
    desk.station.store().broken = true;
    record("/v1/past-why", get("/v1/past-why"));
    record("/v1/units/{serial}", get("/v1/units/TM000871"));
    record("/v1/events", get("/v1/events"));
    desk.station.staged = {.file = "larkmoor.json",
                           .revision = std::nullopt,
                           .faults = {"larkmoor.json:4: ..."},
                           .warnings = {}};
    record("/v1/rules", get("/v1/rules"));
    desk.station.staged = {.file = "larkmoor.json",
                           .revision = Revision{staged_digest},
                           .faults = {},
                           .warnings = {"larkmoor.json:9: ..."}};
    record("/v1/people", get("/v1/people", by));
    record("/v1/people", get("/v1/people"));
    auto foreign = get("/v1/station");
    foreign.host = "elsewhere.example";
    record("/v1/station", foreign);
}

void know_people(Desk& desk, Recorder& record, const Sessions& by, const Sessions& both) {
    const std::string weak = R"({"name":"N","badge":"B-09","roles":["line_operator"],"secret":"123456"})";
    const std::string good =
        R"({"name":"Dee","badge":"B-04","roles":["quality_engineer"],"secret":"905173"})";
    record("/v1/people", post("/v1/people", good));
    record("/v1/people", post("/v1/people", weak, by));
    record("/v1/people", post("/v1/people", "{}", by));
    desk.station.next_outcome = Refused{.code = RefusalCode::needs_second_administrator, .detail = {}};
    record("/v1/people", post("/v1/people", good, by));
    record("/v1/people", post("/v1/people", good, both));
    record("/v1/people/{person}/enrolment",
           post("/v1/people/3/enrolment", R"({"roles":["line_operator"],"secret":"530917"})", both));
    record("/v1/people/{person}/enrolment",
           post("/v1/people/99/enrolment", R"({"roles":["line_operator"]})", both));
    record("/v1/people/{person}/suspension", post("/v1/people/4/suspension", "{}", by));
    record("/v1/people/{person}/suspension", post("/v1/people/nobody/suspension", "{}", by));
    for (int i = 0; i < 6; ++i) {
        record("/v1/sign-in", post("/v1/sign-in", R"({"badge":"B-03","secret":"000000"})"));
        desk.station.clock += 20s;
    }
    record("/v1/people/{person}/unlocking", post("/v1/people/3/unlocking", "{}", by));
    record("/v1/people/{person}/unlocking", post("/v1/people/3/unlocking", "{}", by));
    desk.station.next_outcome = Refused{.code = RefusalCode::already_settled, .detail = {}};
    record("/v1/people/{person}/unlocking", post("/v1/people/3/unlocking", "{}", by));
    const std::string own = "/v1/own-secret";
    record(own, post(own, R"({"old_secret":"000000","secret":"905173"})", by));
    desk.station.clock += 20s;
    record(own, post(own, R"({"old_secret":"000000","secret":"123456"})", by));
    record(own, post(own, "{}", by));
    const std::string deputy = "/v1/people/{person}/deputy";
    const std::string until = R"({"act":"name","role":"maintenance","until":"2026-11-30T22:00:00Z"})";
    desk.station.now.deputies = {{worker, domain::Role::maintenance, 1'796'076'000'000'000, {7}}};
    record(deputy, post("/v1/people/3/deputy", until, both));
    record(deputy, post("/v1/people/3/deputy", R"({"act":"end","role":"maintenance"})", by));
    record(deputy, post("/v1/people/3/deputy", "{}", by));
    record("/v1/people", get("/v1/people", by));
    const std::string erasure = "/v1/people/{person}/name-erasure";
    desk.station.next_outcome =
        Refused{.code = RefusalCode::not_possible_now, .detail = std::string(refusal::suspended_first)};
    record(erasure, post("/v1/people/4/name-erasure", "{}", both));
    record(erasure, post("/v1/people/4/name-erasure", "{}", both));
    const std::string code(32, 'c');
    const auto replacement = R"({"name":"Eve","lost":["1"],"secret":"905173","code":")" + code + R"("})";
    record("/v1/administrator", post("/v1/administrator", replacement));
    Desk::write_pass(code);
    record("/v1/administrator", post("/v1/administrator", replacement));
    const Sessions own_session{desk.sign_in("B-03", "530917"), {}};
    record(own, post(own, R"({"old_secret":"530917","secret":"718243"})", own_session));
    record("/v1/sign-in", post("/v1/sign-in", R"({"person":3,"secret":"718243"})"));
    record("/v1/sign-in", post("/v1/sign-in", R"({})"));
}

void act(Desk& desk, Recorder& record, const std::string& bay, const Sessions& by, const Sessions& both) {
    const auto at = "/v1/bays/" + bay;
    const auto& joint = desk.station.rules().joints.front();
    record("/v1/rules/approve", post("/v1/rules/approve", R"({"digest":")" + staged_digest + R"("})", both));
    record("/v1/rules/approve", post("/v1/rules/approve", R"({"digest":")" + rules_digest + R"("})", both));
    record("/v1/bays/{bay}/operator", post(at + "/operator", R"({"act":"sign_on"})", by));
    record("/v1/bays/{bay}/operator", post(at + "/operator", R"({"act":"sign_off"})", by));
    const std::string test = at + "/wiring-test";
    record("/v1/bays/{bay}/wiring-test", post(test, R"({"act":"begin"})", by));
    record("/v1/bays/{bay}/wiring-test", post(test, R"({"act":"begin","permissive":"lift"})", by));
    record("/v1/bays/{bay}/wiring-test", post(test, R"({"act":"end"})", by));
    record("/v1/bays/{bay}/wiring-test", post(test, R"({"act":"pause"})", by));
    auto form = post(at + "/operator", R"({"act":"sign_off"})", by);
    form.content_type = "text/plain";
    record("/v1/bays/{bay}/operator", form);
    record("/v1/bays/{bay}/scans", post(at + "/scans", R"({"text":"D LT26-0417 MB1 TM000871"})", by));
    record("/v1/bays/{bay}/scans", post(at + "/scans", R"({"text":"?"})", by));
    record("/v1/bays/{bay}/checks", post(at + "/checks", R"({"step":"sand-pipes","seen":50})", by));
    record("/v1/bays/{bay}/tools", post(at + "/tools", R"({"tool":"NR-1"})", by));
    const auto fastener = joint.fasteners.front().name;
    const std::vector<json> bodies{
        {{"joint", joint.id},
         {"verified", "by hand"},
         {"checked_torque", {{"value", "410.5"}, {"unit", "N.m"}}}},
        {{"joint", joint.id}},
        json::object(),
        {{"tool", "T"}},
        {{"tool", "T"}},
        {{"joint", joint.id}, {"fastener", fastener}},
        {{"result", 45}, {"joint", joint.id}, {"fastener", fastener}},
        {{"result", 45}},
        json::object(),
        json::object(),
        {{"text", "D LT26-0417 MB1 TM000871"}},
        json::object(),
        {{"permissive", "lift-beam"}},
        {{"permissive", "lift-beam"}},
        {{"event", 45}},
        json::object(),
        {{"serial", "TM000871"}},
        {{"serial", "TM000871"}},
        {{"by", "order_as_now"}},
        {{"serial", "BF000431"}},
        {{"what", "tool"}, {"name", "T"}},
        {{"what", "tool"}, {"name", "T"}},
        {{"tool", "T"}, {"done", "2026-11-26"}, {"certificate", "C-17"}},
        {{"joint", joint.id}, {"alternate", "spare"}, {"until", "2026-11-28T22:00:00Z"}, {"units", 20}},
        {{"joint", joint.id}},
        {{"joint", joint.id}, {"verified", "on the test plate"}},
        {{"joint", joint.id}}};
    const json measured{{"joint", joint.id},
                        {"fastener", fastener},
                        {"torque", {{"value", "410.5"}, {"unit", "N.m"}}},
                        {"instrument", "wrench 7"},
                        {"seen", 50}};
    desk.station.next_outcome = OutsideAudit{{{1}, {joint.id}, 0, "410.5 N·m", "420 N·m to 430 N·m"}};
    const json selected{{"joint", measured.at("joint")},
                        {"fastener", measured.at("fastener")},
                        {"seen", measured.at("seen")}};
    record("/v1/bays/{bay}/hand-checks", post(at + "/hand-checks", measured.dump(), by));
    record("/v1/bays/{bay}/hand-checks", post(at + "/hand-checks", R"({"joint":"x","seen":50})", by));
    record("/v1/bays/{bay}/selection", post(at + "/selection", selected.dump(), by));
    record("/v1/bays/{bay}/selection", post(at + "/selection", R"({"joint":"x","seen":50})", by));
    desk.station.next_outcome = Questioned{"a ticket of kind D is for stage Tickets"};
    record("/v1/bays/{bay}/scans", post(at + "/scans", R"({"text":"D LT26-0417 MB1 TM000871"})", by));
    for (std::size_t i = 0; i < bodies.size(); ++i) {
        desk.station.next_outcome = AwaitsSecond{.proposal = {desk.station.now.newest.value + 1}};
        const json body{{"action", {{action_names()[i], bodies.at(i)}}},
                        {"reason_code", "R1"},
                        {"reason_text", "looked at it"},
                        {"seen", 50}};
        record("/v1/bays/{bay}/decisions", post(at + "/decisions", body.dump(), by));
    }
    record("/v1/bays/{bay}/decisions",
           post(at + "/decisions",
                R"({"action":{"accept_return":{}},"reason_code":"R1","reason_text":"t","seen":50})", by));
    record("/v1/bays/{bay}/decisions/{number}/second",
           post(at + "/decisions/46/second", R"({"seen":50})", by));
    desk.station.next_outcome = AwaitsSecond{.proposal = {46}};  // where rules ask for three
    record("/v1/bays/{bay}/decisions/{number}/second",
           post(at + "/decisions/46/second", R"({"seen":50})", by));
    record("/v1/bays/{bay}/decisions/{number}/second",
           post(at + "/decisions/x/second", R"({"seen":50})", by));
    record("/v1/bays/{bay}/decisions/{number}/end", post(at + "/decisions/46/end", R"({"why":"no"})", by));
    desk.station.failing = true;
    record("/v1/bays/{bay}/checks", post(at + "/checks", R"({"step":"s","seen":50})", by));
    desk.station.failing = false;
    desk.station.hold = true;
    record("/v1/bays/{bay}/checks", post(at + "/checks", R"({"step":"s","seen":50})", by));
    desk.station.hold = false;
    record("/v1/sign-out", post("/v1/sign-out", "{}", by));
}

void send_orders(Desk& desk, Recorder& record, const Sessions& by) {
    const std::string rows =
        R"({"orders":[{"action":"add","order":"40017","variant":"MB1","sequence":3,"serial_F":"BF000431"}]})";
    record("/v1/orders", get("/v1/orders"));
    record("/v1/orders", post("/v1/orders", rows, by));
    desk.station.take_orders();
    desk.station.now.orders = {{"40017",
                                {.variant = "MB1",
                                 .tickets = {{"F", "", "BF000431"}},
                                 .sequence = 3,
                                 .due_utc_us = 1'764'000'000'000'000},
                                {48},
                                {"TM000871"}}};
    record("/v1/orders", get("/v1/orders"));
    record("/v1/orders", post("/v1/orders", rows, by));
    record("/v1/orders", post("/v1/orders", R"({"orders":[{"action":"add"}]})", by));
    record("/v1/orders", post("/v1/orders", R"({"orders":7})", by));
    desk.station.next_outcome = OrdersRefused{{{2, "order 40017 is built already", "leave it out"}}};
    record("/v1/orders", post("/v1/orders", rows, by));
    auto file = post("/v1/orders", "action,order,variant\nadd,40018,MB1\n", by);
    file.content_type = "text/csv; charset=utf-8";
    record("/v1/orders", file);
    file.body = "action\n";
    record("/v1/orders", file);
}

template <class Enum>
json names_of() {
    json names = json::array();
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<Enum>>(
        [&](auto described) { names.push_back(described.name); });
    return names;
}

void print_what_the_code_knows() {
    json routes = json::array();
    for (const auto& route : Api::routes())
        routes.push_back({{"method", route.method}, {"path", route.path}});
    json actions = json::array();
    for (const auto name : action_names())
        actions.push_back(name);
    print({{"routes", routes},
           {"actions", actions},
           {"roles", names_of<domain::Role>()},
           {"reasons", names_of<ReasonCode>()},
           {"qualities", names_of<Quality>()}});
}

}  // namespace

TEST_CASE("every route answers") {
    print_what_the_code_knows();
    Desk desk;
    Recorder record(desk);
    const auto bay = desk.station.rules().bays.front().id;
    const Sessions by{desk.admin_session(), {}};
    const Sessions both{by.first, desk.supervisor_session()};
    look(desk, record, bay, by);
    know_people(desk, record, by, both);
    const Sessions planner{both.second, {}};
    send_orders(desk, record, planner);
    act(desk, record, bay, by, both);
    CHECK_FALSE(desk.station.submitted.empty());
}
