#include <fstream>
#include <set>

#include "service/web/refusals.hpp"
#include "tests/unit/web/fake_station.hpp"

using namespace tautgate;
using namespace tautgate::web;
using namespace tautgate::web::testing;

namespace {

bool says(const Response& response, const std::string& text) {
    return response.body.find(text) != std::string::npos;
}

std::string bay_path(const Desk& desk, const std::string& rest) {
    return "/v1/bays/" + desk.station.rules().bays.front().id + rest;
}

std::string override_body(const Desk& desk, const std::string& more = {}) {
    return R"({"action":{"override_joint":{"joint":")" + desk.station.rules().joints.front().id +
           R"(","verified":"by hand"}},"reason_code":"R1","reason_text":"bolt checked by hand","seen":50)" +
           more + "}";
}

std::string wrong_sign_in(const std::string& badge) {
    return R"({"badge":")" + badge + R"(","secret":"000000"})";
}

}  // namespace

// ---- sessions -------------------------------------------------------------------------------------------

TEST_CASE("the right secret opens a session for that person") {
    Desk desk;
    const auto answer =
        desk.ask(post("/v1/sign-in", R"({"badge":"B-02","secret":")" + supervisor_pin + R"("})"));
    CHECK(answer.status == 200);
    CHECK(says(answer, R"("number":2)"));
    CHECK(says(answer, R"("roles":["production_supervisor"])"));
    CHECK(desk.station.submitted.empty());
}

TEST_CASE("a wrong secret opens nothing and is on record before it is answered") {
    Desk desk;
    const auto answer = desk.ask(post("/v1/sign-in", wrong_sign_in("B-02")));
    CHECK(answer.status == 401);
    CHECK(desk.station.newest_event<SignInRefused>().person == supervisor);
}

TEST_CASE("a wrong secret, an unknown badge and a suspended person get the same answer") {
    Desk desk;
    desk.station.now.people[2].suspended = true;
    const auto wrong = desk.ask(post("/v1/sign-in", wrong_sign_in("B-02")));
    const auto unknown = desk.ask(post("/v1/sign-in", wrong_sign_in("B-99")));
    const auto suspended =
        desk.ask(post("/v1/sign-in", R"({"badge":"B-03","secret":")" + worker_pin + R"("})"));
    CHECK(wrong.status == 401);
    CHECK(unknown.status == wrong.status);
    CHECK(unknown.body == wrong.body);
    CHECK(suspended.status == wrong.status);
    CHECK(suspended.body == wrong.body);
}

TEST_CASE("after five wrong secrets even the right one is not looked at, until the time is over") {
    Desk desk;
    for (int i = 0; i < 5; ++i) {
        REQUIRE(desk.ask(post("/v1/sign-in", wrong_sign_in("B-02"))).status == 401);
        desk.station.clock += 60s;
    }
    const auto right = R"({"badge":"B-02","secret":")" + supervisor_pin + R"("})";
    const auto locked = desk.ask(post("/v1/sign-in", right));
    CHECK(locked.status == 429);
    CHECK(says(locked, R"("code":"locked")"));
    desk.station.clock += 15min;
    CHECK(desk.ask(post("/v1/sign-in", right)).status == 200);
}

TEST_CASE("a flood of tries against a lock leaves one record, not a full disk") {
    Desk desk;
    for (int i = 0; i < 5; ++i) {
        desk.ask(post("/v1/sign-in", wrong_sign_in("B-02")));
        desk.station.clock += 60s;
    }
    const auto before = desk.station.submitted.size();
    for (int i = 0; i < 20; ++i)
        CHECK(desk.ask(post("/v1/sign-in", wrong_sign_in("B-02"))).status == 429);
    CHECK(desk.station.submitted.size() == before + 1);
}

TEST_CASE("a lock is recorded with its time, and an unlocking that counts lets the person try at once") {
    Desk desk;
    const auto by_admin = desk.admin_session();
    for (int i = 0; i < 5; ++i) {
        desk.ask(post("/v1/sign-in", wrong_sign_in("B-02")));
        desk.station.clock += 20s;
    }
    CHECK(desk.station.newest_event<SignInRefused>().locked_for_s == 900);
    desk.station.next_outcome = Refused{RefusalCode::not_entitled, std::string(refusal::another_role)};
    const auto refused = desk.ask(post("/v1/people/2/unlocking", "{}", {by_admin, {}}));
    CHECK(refused.status == 409);
    CHECK(says(refused, "let somebody of another role unlock"));
    CHECK(desk.ask(post("/v1/sign-in", wrong_sign_in("B-02"))).status == 429);
    CHECK(desk.ask(post("/v1/people/2/unlocking", "{}", {by_admin, {}})).status == 200);
    CHECK(desk.station.newest_event<PersonUnlocked>() == PersonUnlocked{supervisor, admin});
    desk.supervisor_session();
}

TEST_CASE("the rules in force say after how many wrong secrets a person is locked, and for how long") {
    Desk desk;
    desk.station.change_rules(
        [](config::Station& station) { station.people.lock = {.wrong_secrets = 3, .lasts = 60s}; });
    for (int i = 0; i < 3; ++i) {
        desk.ask(post("/v1/sign-in", wrong_sign_in("B-02")));
        desk.station.clock += 20s;
    }
    CHECK(desk.station.newest_event<SignInRefused>().locked_for_s == 60);
}

// ---- deputies, names, lost administrators --------------------------------------------------------------

TEST_CASE("a deputy is named until a date by two sessions, and ended by one") {
    Desk desk;
    const auto by = desk.admin_session();
    const auto second = desk.supervisor_session();
    const std::string path = "/v1/people/3/deputy";
    const auto named =
        desk.ask(post(path, R"({"act":"name","role":"production_supervisor","until":"2026-11-30T22:00:00Z"})",
                      {by, second}));
    CHECK(named.status == 200);
    CHECK(desk.station.newest_event<DeputyNamed>() ==
          DeputyNamed{worker, domain::Role::production_supervisor, 1'796'076'000'000'000, admin, supervisor});
    CHECK(desk.ask(post(path, R"({"act":"end","role":"production_supervisor"})", {by, {}})).status == 200);
    CHECK(desk.station.newest_event<DeputyEnded>() ==
          DeputyEnded{worker, domain::Role::production_supervisor, admin});
    for (const std::string bad : {R"({"act":"name","role":"production_supervisor"})",
                                  R"({"act":"name","role":"production_supervisor","until":"tomorrow"})",
                                  R"({"act":"name","role":"king","until":"2026-11-30T22:00:00Z"})",
                                  R"({"act":"give","role":"maintenance"})"}) {
        INFO(bad);
        CHECK(desk.ask(post(path, bad, {by, {}})).status == 400);
    }
}

TEST_CASE("a person renews the own secret with the old one: it is on record, and every session has ended") {
    Desk desk;
    const auto by = desk.worker_session();
    const auto elsewhere = desk.worker_session();
    const auto asks = [&](const std::string& old, const std::string& fresh) {
        return desk.ask(post("/v1/own-secret",
                             R"({"old_secret":")" + old + R"(","secret":")" + fresh + R"("})", {by, {}}));
    };
    CHECK(asks(worker_pin, "123456").status == 422);
    CHECK(says(asks(worker_pin, worker_pin), "it is the old one"));
    CHECK(desk.station.submitted.empty());
    CHECK(asks(worker_pin, "905173").status == 200);
    CHECK(desk.station.newest_event<SecretRenewed>().person == worker);
    REQUIRE(desk.station.records.back());
    CHECK(desk.station.records.back()->number == worker);
    CHECK(desk.station.records.back()->name.empty());  // so that the stored one stays
    CHECK_FALSE(desk.station.records.back()->credential.empty());
    for (const auto& session : {by, elsewhere})
        CHECK(desk.ask(post("/v1/own-secret", "{}", {session, {}})).status == 401);
    CHECK(desk.ask(post("/v1/sign-in", R"({"badge":"B-03","secret":")" + worker_pin + R"("})")).status ==
          401);
    desk.station.clock += 20s;
    desk.sign_in("B-03", "905173");
}

TEST_CASE("a wrong old secret renews nothing, is on record, and counts towards the lock") {
    Desk desk;
    const auto by = desk.worker_session();
    const auto asks = [&](const std::string& old) {
        return desk.ask(
            post("/v1/own-secret", R"({"old_secret":")" + old + R"(","secret":"905173"})", {by, {}}));
    };
    for (int i = 0; i < 5; ++i) {
        const auto answer = asks("000000");
        CHECK(answer.status == 401);
        CHECK(says(answer, "the secret was not renewed"));
        CHECK(desk.station.newest_event<SignInRefused>().person == worker);
        desk.station.clock += 20s;
    }
    CHECK(desk.station.newest_event<SignInRefused>().locked_for_s == 900);
    CHECK(asks(worker_pin).status == 429);
    CHECK(desk.ask(post("/v1/own-secret", R"({"old_secret":"000000","secret":"905173"})")).status == 401);
}

TEST_CASE("a renewal that is not recorded leaves the old secret in force") {
    Desk desk;
    const auto by = desk.worker_session();
    desk.station.next_outcome = Refused{.code = RefusalCode::suspended, .detail = {}};
    const auto answer = desk.ask(
        post("/v1/own-secret", R"({"old_secret":")" + worker_pin + R"(","secret":"905173"})", {by, {}}));
    CHECK(answer.status != 200);
    desk.worker_session();
}

TEST_CASE("a name that is taken out is not shown any more, and its badge is nobody's") {
    Desk desk;
    const auto by = desk.admin_session();
    const auto second = desk.supervisor_session();
    CHECK(desk.api.person_with_badge("B-03") == worker);
    CHECK(desk.ask(post("/v1/people/3/name-erasure", "{}", {by, second})).status == 200);
    CHECK(desk.station.newest_event<NameErased>() == NameErased{worker, admin, supervisor});
    const auto people = desk.ask(get("/v1/people", {by, {}}));
    CHECK(says(people, R"("name":"person 3")"));
    CHECK_FALSE(says(people, "Cy Thorne"));
    CHECK_FALSE(desk.api.person_with_badge("B-03"));
}

TEST_CASE("a badge that reads as a build ticket is given to nobody") {
    Desk desk;
    put_unit_in(desk.station);
    const auto by = desk.admin_session();
    const auto answer = desk.ask(post(
        "/v1/people",
        R"({"name":"Dee","badge":"D LT26-0417 MB1 TM000871","roles":["line_operator"],"secret":"905173"})",
        {by, {}}));
    CHECK(answer.status == 409);
    CHECK(says(answer, "reads as a build ticket"));
}

TEST_CASE("lost administrators are replaced by who can write root's file, from the station itself, once") {
    Desk desk;
    const std::string code(32, 'c');
    const auto body = [](const std::string& with, const std::string& badge = "B-40") {
        return R"({"name":"Eve Stone","badge":")" + badge + R"(","lost":["1"],"secret":"905173","code":")" +
               with + R"("})";
    };
    const auto asks = [&](const std::string& with) {
        return desk.ask(post("/v1/administrator", body(with)));
    };
    CHECK(asks(code).status == 403);
    desk.write_pass(code);
    CHECK(asks(std::string(32, 'd')).status == 403);
    auto from_afar = post("/v1/administrator", body(code));
    from_afar.from_loopback = false;
    CHECK(desk.ask(from_afar).status == 403);
    CHECK(desk.station.submitted.empty());
    const auto answer = asks(code);
    CHECK(answer.status == 200);
    CHECK(
        desk.station.newest_event<AdministratorReplaced>() ==
        AdministratorReplaced{{.number = PersonNumber{4}, .roles = {domain::Role::administrator}}, {admin}});
    CHECK(desk.station.records.back()->name == "Eve Stone");
    CHECK(desk.ask(post("/v1/administrator", body(code, "B-41"))).status == 403);
}

TEST_CASE("who was locked when the service ended is locked still when it is up again") {
    Desk desk(true, std::nullopt, {{supervisor, 60s}});
    CHECK(desk.ask(post("/v1/sign-in", wrong_sign_in("B-02"))).status == 429);
    desk.station.clock += 61s;
    desk.supervisor_session();
}

TEST_CASE("nothing that changes anything is done without a session") {
    Desk desk;
    put_unit_in(desk.station);
    for (const auto& route : Api::routes()) {
        // /v1/administrator wants root's code instead.
        if (route.method == "GET" || route.path == "/v1/sign-in" || route.path == "/v1/administrator")
            continue;
        auto path = route.path;
        for (const auto& [name, value] : {std::pair{"{bay}", "J1"}, {"{person}", "2"}, {"{number}", "46"}})
            if (const auto at = path.find(name); at != std::string::npos)
                path.replace(at, std::string(name).size(), value);
        CAPTURE(path);
        const auto body = path == "/v1/people" ? R"({"name":"N","roles":["administrator"],"secret":"204816"})"
                                               : std::string("{}");
        CHECK(desk.ask(post(path, body)).status == 401);
        CHECK(desk.ask(post(path, body, {std::string(64, '0'), {}})).status == 401);
    }
    CHECK(desk.station.submitted.empty());
}

TEST_CASE("an override without a session is refused, from loopback too, and leaves no event") {
    Desk desk;
    put_unit_in(desk.station);
    CHECK(desk.ask(post(bay_path(desk, "/decisions"), override_body(desk))).status == 401);
    CHECK(desk.station.submitted.empty());
}

TEST_CASE("a session that was not used for the time that the rules give is no session") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.supervisor_session();
    desk.station.clock += desk.station.rules().people.sign_in_lasts;
    CHECK(desk.ask(post(bay_path(desk, "/decisions"), override_body(desk), {session, {}})).status == 401);
}

TEST_CASE("a suspended person's session ends at once") {
    Desk desk;
    put_unit_in(desk.station);
    const auto of_admin = desk.admin_session();
    const auto of_supervisor = desk.supervisor_session();
    REQUIRE(desk.ask(post("/v1/people/2/suspension", "{}", {of_admin, {}})).status == 200);
    CHECK(desk.station.newest_event<PersonSuspended>().by == admin);
    CHECK(desk.ask(post(bay_path(desk, "/decisions"), override_body(desk), {of_supervisor, {}})).status ==
          401);
}

TEST_CASE("signing out ends the session that was sent and no other") {
    Desk desk;
    const auto one = desk.admin_session();
    const auto other = desk.admin_session();
    CHECK(desk.ask(post("/v1/sign-out", "{}", {one, {}})).status == 200);
    CHECK(desk.ask(get("/v1/people", {one, {}})).status == 401);
    CHECK(desk.ask(get("/v1/people", {other, {}})).status == 200);
}

// ---- who acts -------------------------------------------------------------------------------------------

TEST_CASE("the person of a decision is the person of the session") {
    Desk desk;
    put_unit_in(desk.station);
    desk.station.next_outcome = AwaitsSecond{.proposal = {51}};
    const auto answer =
        desk.ask(post(bay_path(desk, "/decisions"), override_body(desk), {desk.supervisor_session(), {}}));
    CHECK(answer.status == 202);
    CHECK(says(answer, R"("proposal":51)"));
    const auto& event = desk.station.newest_event<Proposed>();
    CHECK(event.by == supervisor);
    CHECK(event.seen == EventNumber{50});
    CHECK(std::get<OverrideJoint>(event.action).verified == "by hand");
}

TEST_CASE("a person number in the body changes nothing: the request is refused") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.supervisor_session();
    for (const auto* spoof : {R"("by":1)", R"("person":1)", R"("seconded_by":1)"}) {
        CAPTURE(spoof);
        const auto more = std::string(",") + spoof;
        CHECK(desk.ask(post(bay_path(desk, "/decisions"), override_body(desk, more), {session, {}})).status ==
              400);
        CHECK(desk.ask(post(bay_path(desk, "/decisions/46/second"), R"({"seen":50)" + more + "}",
                            {session, {}}))
                  .status == 400);
        CHECK(desk.ask(post("/v1/rules/approve", R"({"digest":")" + staged_digest + "\"" + more + "}",
                            {session, desk.admin_session()}))
                  .status == 400);
    }
    CHECK(desk.station.submitted.empty());
}

TEST_CASE("the one who proposed can second under no other name: the core sees the same person and refuses") {
    Desk desk;
    put_unit_in(desk.station);
    desk.station.next_outcome = Refused{.code = RefusalCode::same_person_twice, .detail = {}};
    const auto answer = desk.ask(
        post(bay_path(desk, "/decisions/46/second"), R"({"seen":50})", {desk.supervisor_session(), {}}));
    CHECK(desk.station.newest_event<Seconded>().by == supervisor);
    CHECK(answer.status == 409);
    CHECK(says(answer, R"("code":"same_person_twice")"));
    CHECK(says(answer, R"("outcome":"refused")"));
    CHECK(says(answer, R"("event":51)"));
}

TEST_CASE("a refused act is answered with what would have been allowed here") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.supervisor_session();
    const auto answer_to = [&](RefusalCode code, std::string detail) {
        desk.station.next_outcome = Refused{.code = code, .detail = std::move(detail)};
        return desk.ask(post(bay_path(desk, "/decisions"), override_body(desk), {session, {}}));
    };
    const auto reason = answer_to(RefusalCode::reason_missing, "the reason code is not in the list");
    CHECK(says(reason, R"("why":"A reason is needed: the reason code is not in the list")"));
    CHECK(says(
        reason,
        R"("remedy":"give one of the reason codes tool-failed, thread-repaired, result-lost, )"
        R"(engineering-release, quality-doubt, tool-care, and the reason in words, of at least 10 characters")"));
    CHECK(says(answer_to(RefusalCode::no_such_joint, "motor-mount"),
               R"("remedy":"give one of motor-mounts, )"));
    CHECK(says(answer_to(RefusalCode::no_such_thing, "no such unassigned result"),
               R"(results without a fastener: 45; proposals that wait: 46")"));
    CHECK(says(answer_to(RefusalCode::not_entitled, {}),
               R"("remedy":"decisions are made by production supervisor, quality engineer; )"));
}

TEST_CASE("a refused act is answered with why and with what helps in this very case") {
    Desk desk;
    put_unit_in(desk.station);
    auto& stay = std::get<Stay>(desk.station.now.bays.front().occupant);
    const auto session = desk.supervisor_session();
    const auto answer_to = [&](RefusalCode code, std::string detail) {
        desk.station.next_outcome = Refused{.code = code, .detail = std::move(detail)};
        return desk.ask(post(bay_path(desk, "/decisions"), override_body(desk), {session, {}}));
    };

    stay.identity = Identified{{"TM000871"}, "v", "plan-mb3", "1"};
    CHECK(says(answer_to(RefusalCode::no_such_thing, "the plan has no check pipes"),
               R"("remedy":"give one of sand-pipes, cable-clamps")"));

    const auto movement = answer_to(RefusalCode::already_settled, "no such movement is open");
    CHECK(says(movement, R"("why":"There is nothing like that to decide about: no such movement is open")"));
    CHECK(says(movement, R"("remedy":"give one that waits for a decision: lift-beam")"));
    CHECK(says(answer_to(RefusalCode::already_settled, "no such event is set aside"),
               R"("remedy":"none waits for a decision; look at what holds the station now")"));
    CHECK(says(answer_to(RefusalCode::already_settled, "the joint is not overridden"),
               R"("remedy":"nothing more is needed; )"));

    CHECK(says(answer_to(RefusalCode::not_possible_now, "nobody is signed on"),
               R"("remedy":"nobody has to sign off; )"));
    CHECK(says(answer_to(RefusalCode::not_possible_now, "the station would have no administrator"),
               R"("remedy":"enrol another administrator first")"));
    CHECK(says(answer_to(RefusalCode::not_possible_now, "the tool belongs to this bay alone"),
               R"("remedy":"nothing is to be called; it works here already")"));
    CHECK(says(answer_to(RefusalCode::not_possible_now, "nobody selects the fasteners of this joint"),
               R"("remedy":"tighten without selecting; )"));
    CHECK(says(answer_to(RefusalCode::not_possible_now, "the joint states no audit window"),
               R"x("remedy":"let \"audit\" limits for this joint be described and approved")x"));
    CHECK(says(answer_to(RefusalCode::no_such_thing, "no permissive hoist at this bay"),
               R"("remedy":"give one of lift-beam, )"));

    CHECK(says(answer_to(RefusalCode::seen_too_old, "that has not happened yet"),
               R"("why":"What you name as seen has not happened yet")"));
    CHECK(says(answer_to(RefusalCode::seen_too_old, "it is about what event 22 brought"),
               R"x("why":"What you decide about came after what you saw (event 22)")x"));
    CHECK(says(answer_to(RefusalCode::seen_too_old, "the joint changed with event 9"),
               R"(look again and decide anew: the joint changed with event 9")"));
}

TEST_CASE("who is refused because of another's role does not hear of a bay that was not asked about") {
    Desk desk;
    put_unit_in(desk.station);
    desk.station.next_outcome = Refused{.code = RefusalCode::not_entitled, .detail = {}};
    const auto answer = desk.ask(post("/v1/people/3/suspension", "{}", {desk.supervisor_session(), {}}));
    CHECK(says(answer, R"("remedy":"let an administrator act, with a second person")"));
}

TEST_CASE("who may not try the wiring or enter orders hears who may, by the rules' own lists") {
    Desk desk;
    put_unit_in(desk.station);
    desk.station.take_orders();
    const auto session = desk.supervisor_session();
    desk.station.next_outcome = Refused{.code = RefusalCode::not_entitled, .detail = {}};
    const auto wiring = desk.ask(post(bay_path(desk, "/wiring-test"), R"({"act":"begin"})", {session, {}}));
    CHECK(says(wiring, R"("remedy":"the wiring is tried by maintenance, manufacturing engineer")"));
    CHECK(remedy_of({.code = RefusalCode::not_entitled, .detail = {}}, desk.station,
                    {.act = ActKind::orders}) ==
          "orders are entered by production supervisor, manufacturing engineer");
    CHECK(act_kind(OrdersReceived{}) == ActKind::orders);
    CHECK(remedy_of({.code = RefusalCode::not_entitled, .detail = {}}, desk.station,
                    {.act = act_kind(ToolCalled{})}) == "sign on at this bay, then call the tool");
}

TEST_CASE("an order that names a kind of ticket that the station has not hears which it has") {
    Desk desk;
    put_unit_in(desk.station);
    desk.station.take_orders();
    const auto answer = desk.ask(
        post("/v1/orders", R"({"orders":[{"action":"add","order":"1","variant":"MB1","serial_X":"1"}]})",
             {desk.supervisor_session(), {}}));
    CHECK(says(answer, "this station has no ticket of kind X"));
    CHECK(says(answer, "the kinds are D, F"));
}

TEST_CASE("every refusal has a remedy of its own that ends no sentence") {
    const FakeStation station;
    std::set<std::string> remedies;
    for (const auto code :
         {RefusalCode::unknown_person, RefusalCode::suspended, RefusalCode::not_entitled,
          RefusalCode::same_person_twice, RefusalCode::tightened_it, RefusalCode::no_stay,
          RefusalCode::no_such_joint, RefusalCode::no_such_thing, RefusalCode::already_settled,
          RefusalCode::reason_missing, RefusalCode::value_missing, RefusalCode::value_outside_audit_window,
          RefusalCode::seen_too_old, RefusalCode::not_possible_now,
          RefusalCode::needs_second_administrator}) {
        const auto remedy = remedy_of({.code = code, .detail = {}}, station, {});
        CHECK_FALSE(remedy.ends_with('.'));
        CHECK(remedies.insert(remedy).second);
    }
}

TEST_CASE("a bay that is not there is answered with those that are") {
    Desk desk;
    put_unit_in(desk.station);
    CHECK(says(desk.ask(get("/v1/bays/J9/why")), R"("remedy":"give one of J1")"));
    desk.station.now.rules.reset();
    const auto before = desk.ask(get("/v1/bays/J9/why"));
    CHECK(says(before, R"("why":"no rules are in force, so the station knows no bay yet")"));
    CHECK(says(before, R"("remedy":"let the rules be approved first")"));
}

TEST_CASE("why names the joint as a decision has to name it") {
    Desk desk;
    put_unit_in(desk.station);
    const auto answer = desk.ask(get(bay_path(desk, "/why")));
    CHECK(says(answer, R"("id":"motor-mounts","joint":"Motor mounts")"));
}

TEST_CASE("two sessions of one person are one person") {
    Desk desk;
    const auto one = desk.admin_session();
    const auto other = desk.admin_session();
    const auto body = R"({"digest":")" + staged_digest + R"("})";
    for (const auto& second : {one, other}) {
        const auto answer = desk.ask(post("/v1/rules/approve", body, {one, second}));
        CHECK(answer.status == 403);
        CHECK(says(answer, R"("code":"same_person_twice")"));
    }
    CHECK(desk.station.submitted.empty());
}

TEST_CASE("rules are approved by two persons, and only the staged ones") {
    Desk desk;
    const auto first = desk.admin_session();
    const auto second = desk.worker_session();
    const auto body = R"({"digest":")" + staged_digest + R"("})";
    CHECK(desk.ask(post("/v1/rules/approve", body, {first, {}})).status == 403);
    CHECK(desk.ask(post("/v1/rules/approve", R"({"digest":")" + rules_digest + R"("})", {first, second}))
              .status == 409);
    CHECK(desk.station.submitted.empty());
    CHECK(desk.ask(post("/v1/rules/approve", body, {first, second})).status == 200);
    const auto& event = desk.station.newest_event<RulesApproved>();
    CHECK(event.revision.digest == staged_digest);
    CHECK(event.by == admin);
    CHECK(event.seconded_by == worker);
}

TEST_CASE("a second session that is not open stops the act instead of being left out") {
    Desk desk;
    const auto answer =
        desk.ask(post("/v1/people/3/suspension", "{}", {desk.admin_session(), std::string(64, '1')}));
    CHECK(answer.status == 401);
    CHECK(says(answer, "Second-Session"));
    CHECK(desk.station.submitted.empty());
}

// ---- enrolment ------------------------------------------------------------------------------------------

namespace {

const std::string first_admin =
    R"({"name":"Ada Quill","badge":"B-01","roles":["administrator"],"secret":"204816")";

struct Folder {
    Folder() {
        std::string name = std::filesystem::temp_directory_path() / "web-XXXXXX";
        REQUIRE(::mkdtemp(name.data()) != nullptr);
        path = name;
    }
    ~Folder() { std::filesystem::remove_all(path); }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    Folder(Folder&&) = delete;
    Folder& operator=(Folder&&) = delete;
    std::filesystem::path path;
};

std::string code_of(const Folder& folder) {
    std::ifstream in(folder.path / "enrol.code");
    std::string code;
    in >> code;
    return code;
}

}  // namespace

TEST_CASE("the first administrator is enrolled with the code, from loopback, once") {
    const Folder folder;
    Desk desk(false, people::EnrolmentCode::draw(folder.path).value());
    const auto code = code_of(folder);
    const auto with_code = first_admin + R"(,"enrolment_code":")" + code + R"("})";

    CHECK(desk.ask(post("/v1/people", first_admin + "}")).status == 401);
    CHECK(
        desk.ask(post("/v1/people", first_admin + R"(,"enrolment_code":"00000000000000000000000000000000"})"))
            .status == 403);
    auto from_elsewhere = post("/v1/people", with_code);
    from_elsewhere.from_loopback = false;
    CHECK(desk.ask(from_elsewhere).status == 403);
    CHECK(desk.station.submitted.empty());

    CHECK(desk.ask(post("/v1/people", with_code)).status == 200);
    CHECK_FALSE(desk.station.newest_event<PersonEnrolled>().by);
    CHECK(desk.station.records.back()->credential.starts_with("$argon2id$"));
    CHECK_FALSE(std::filesystem::exists(folder.path / "enrol.code"));
    CHECK(desk.ask(post("/v1/people", with_code)).status == 401);
    desk.sign_in("B-01", "204816");
}

TEST_CASE("a refused enrolment leaves the code usable and nobody able to sign in") {
    const Folder folder;
    Desk desk(false, people::EnrolmentCode::draw(folder.path).value());
    desk.station.next_outcome = Refused{.code = RefusalCode::not_entitled, .detail = {}};
    CHECK(desk.ask(post("/v1/people", first_admin + R"(,"enrolment_code":")" + code_of(folder) + R"("})"))
              .status == 409);
    CHECK(std::filesystem::exists(folder.path / "enrol.code"));
    CHECK(desk.ask(post("/v1/sign-in", R"({"badge":"B-01","secret":"204816"})")).status == 401);
}

TEST_CASE("further people are enrolled by the session's person, seconded by the second session's") {
    Desk desk;
    const auto body =
        R"({"name":"Dee Farrow","badge":"B-04","roles":["quality_engineer"],"secret":"lift the bogie"})";
    CHECK(desk.ask(post("/v1/people", body, {desk.admin_session(), desk.worker_session()})).status == 200);
    const auto& event = desk.station.newest_event<PersonEnrolled>();
    CHECK(event.by == admin);
    CHECK(event.seconded_by == worker);
    CHECK(event.person.number == PersonNumber{4});
    CHECK(event.person.roles == std::vector{domain::Role::quality_engineer});
    desk.sign_in("B-04", "lift the bogie");
}

TEST_CASE("a weak secret, a taken badge and an unknown role enrol nobody") {
    Desk desk;
    const Sessions by{desk.admin_session(), {}};
    const auto body = [](const std::string& badge, const std::string& role, const std::string& secret) {
        return R"({"name":"N","badge":")" + badge + R"(","roles":[")" + role + R"("],"secret":")" + secret +
               R"("})";
    };
    CHECK(desk.ask(post("/v1/people", body("B-04", "line_operator", "123456"), by)).status == 422);
    CHECK(desk.ask(post("/v1/people", body("B-02", "line_operator", "204816"), by)).status == 409);
    CHECK(desk.ask(post("/v1/people", body("B-04", "king", "204816"), by)).status == 400);
    CHECK(desk.station.submitted.empty());
}

TEST_CASE("a new secret ends the sessions that were opened with the old one") {
    Desk desk;
    const auto of_worker = desk.worker_session();
    const auto answer =
        desk.ask(post("/v1/people/3/enrolment", R"({"roles":["line_operator"],"secret":"905173"})",
                      {desk.admin_session(), {}}));
    CHECK(answer.status == 200);
    CHECK(desk.ask(get("/v1/people", {of_worker, {}})).status == 401);
    CHECK(desk.ask(post("/v1/sign-in", R"({"badge":"B-03","secret":")" + worker_pin + R"("})")).status ==
          401);
    desk.station.clock += 10s;
    desk.sign_in("B-03", "905173");
}

// ---- durable answers ------------------------------------------------------------------------------------

TEST_CASE("a changing call is answered only when its event is durable") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.worker_session();
    desk.station.hold = true;
    std::optional<Response> answer;
    desk.api.handle(post(bay_path(desk, "/operator"), R"({"act":"sign_on"})", {session, {}}),
                    [&](Response response) { answer = std::move(response); });
    desk.loop.restart();
    desk.loop.poll();
    CHECK_FALSE(answer);
    desk.station.become_durable();
    REQUIRE(answer);
    CHECK(answer->status == 200);
    CHECK(says(*answer, R"("event":51)"));
    CHECK(desk.station.newest_event<OperatorSignedOn>().person == worker);
}

TEST_CASE("an event that does not become durable in time is answered as not confirmed, once") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.worker_session();
    desk.station.hold = true;
    const auto answer = desk.ask(post(bay_path(desk, "/operator"), R"({"act":"sign_off"})", {session, {}}));
    CHECK(answer.status == 504);
    desk.station.become_durable();  // Desk::ask fails on a second answer
}

TEST_CASE("an event that the journal does not take is answered with the remedy") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.worker_session();
    desk.station.failing = true;
    const auto answer = desk.ask(post(bay_path(desk, "/checks"), R"({"step":"s","seen":50})", {session, {}}));
    CHECK(answer.status == 503);
    CHECK(says(answer, "start the service again"));
}

TEST_CASE(
    "a typed label becomes the ticket that a scanner would have read; another text is recorded as misread") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.worker_session();
    CHECK(desk.ask(post(bay_path(desk, "/scans"), R"({"text":"no such label"})", {session, {}})).status ==
          422);
    const auto& misread = desk.station.newest_event<LabelMisread>();
    CHECK(misread.raw == "no such label");
    CHECK(misread.why ==
          "the label 'no such label' is no build ticket of this station; scan a ticket of the unit "
          "or of its sub-assemblies");
    CHECK(misread.typed_by == worker);

    CHECK(desk.ask(post(bay_path(desk, "/scans"), R"({"text":"D LT26-0417 MB1 TM000871"})", {session, {}}))
              .status == 200);
    const auto& scanned = desk.station.newest_event<TicketScanned>();
    CHECK(scanned.kind == "D");
    CHECK(scanned.serial.text == "TM000871");
    CHECK(scanned.order == "LT26-0417");
    CHECK(scanned.type == "MB1");
    CHECK(scanned.typed_by == worker);
}

TEST_CASE("a typed label may have the separators of a label in it, and nothing else that is not seen") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.worker_session();
    const auto scan = [&](const std::string& text) {
        return desk.ask(post(bay_path(desk, "/scans"), R"({"text":")" + text + R"("})", {session, {}}))
            .status;
    };
    CHECK(scan(R"([)>\u001e06\u001dSTM000871\u001e\u0004)") == 422);
    CHECK(desk.station.newest_event<LabelMisread>().raw == "[)>\x1e"
                                                           "06\x1d"
                                                           "STM000871\x1e\x04");
    CHECK(scan(R"(D LT26-0417\u0007)") == 400);
    CHECK(scan(R"(D LT26-0417\n)") == 400);
}

TEST_CASE("a typed ticket that counts for nothing is answered with the step that it is for") {
    Desk desk;
    put_unit_in(desk.station);
    desk.station.next_outcome = Questioned{"a ticket of kind D is for stage Tickets"};
    const auto answer = desk.ask(post(bay_path(desk, "/scans"), R"({"text":"D LT26-0417 MB1 TM000871"})",
                                      {desk.worker_session(), {}}));
    CHECK(answer.status == 200);
    CHECK(says(answer, R"("outcome":"questioned")"));
    CHECK(says(answer, "The ticket does not count: a ticket of kind D is for stage Tickets."));
}

TEST_CASE("a torque measured by hand becomes a record of its own, as it was typed and by whom") {
    Desk desk;
    put_unit_in(desk.station);
    const auto& joint = desk.station.rules().joints.front();
    const std::string about = R"({"joint":")" + joint.id + R"(","fastener":")" + joint.fasteners[1].name +
                              R"(","instrument":"wrench 7","seen":50,"torque":)";
    desk.station.next_outcome = OutsideAudit{{{1}, {joint.id}, 1, "40 N·m", "350 N·m to 450 N·m"}};
    const auto answer =
        desk.ask(post(bay_path(desk, "/hand-checks"), about + R"({"value":"4000","unit":"cN.m"}})",
                      {desk.worker_session(), {}}));
    CHECK(answer.status == 200);
    CHECK(says(answer, R"("outcome":"outside_audit")"));
    CHECK(says(answer, "is outside the audit limits"));
    const auto& checked = desk.station.newest_event<HandChecked>();
    CHECK(checked.joint.text == joint.id);
    CHECK(checked.fastener == 1);
    CHECK(checked.torque == protocol::Torque{40'000'000});
    CHECK(checked.received == "4000 cN.m");
    CHECK(checked.instrument == "wrench 7");
    CHECK(checked.by == worker);
    const auto none =
        desk.ask(post(bay_path(desk, "/hand-checks"), about + R"({"value":"many","unit":"cN.m"}})",
                      {desk.worker_session(), {}}));
    CHECK(none.status == 400);
}

TEST_CASE("a selected fastener is taken by its names, from whoever is signed in") {
    Desk desk;
    put_unit_in(desk.station);
    const auto& joint = desk.station.rules().joints.front();
    const auto answer = desk.ask(
        post(bay_path(desk, "/selection"),
             R"({"joint":")" + joint.id + R"(","fastener":")" + joint.fasteners[1].name + R"(","seen":50})",
             {desk.worker_session(), {}}));
    CHECK(answer.status == 200);
    const auto& selected = desk.station.newest_event<FastenerSelected>();
    CHECK(selected.joint.text == joint.id);
    CHECK(selected.fastener == 1);
    CHECK(selected.by == worker);
    CHECK(selected.seen == EventNumber{50});
    const auto none = desk.ask(post(bay_path(desk, "/selection"),
                                    R"({"joint":")" + joint.id + R"(","fastener":"none","seen":50})",
                                    {desk.worker_session(), {}}));
    CHECK(none.status == 400);
}

TEST_CASE("why tells the newest scan where it counted for nothing") {
    Desk desk;
    put_unit_in(desk.station);
    CHECK(says(desk.ask(get(bay_path(desk, "/why"))), R"("unused_scan":null)"));
    desk.station.now.bays.front().unused_scan = UnusedScan{{49}, "the label is empty; scan again"};
    CHECK(says(desk.ask(get(bay_path(desk, "/why"))),
               R"("unused_scan":{"event":49,"why":"the label is empty; scan again"})"));
}

// ---- looking --------------------------------------------------------------------------------------------

TEST_CASE("why gives every reason with its number, sentence and remedy from the table, worst first") {
    Desk desk;
    put_unit_in(desk.station);
    const auto answer = desk.ask(get(bay_path(desk, "/why")));
    REQUIRE(answer.status == 200);
    CHECK(says(answer, R"("sentence":"LT26-0417 is on the hold list: left unproven.")"));
    CHECK(says(answer, R"("number":21)"));
    CHECK(answer.body.find("unit_on_hold") < answer.body.find("joint_not_ok"));
    CHECK(says(answer, R"("override":{)"));
}

TEST_CASE("why says who may override a joint, by the joint's name as people read it") {
    Desk desk;
    put_unit_in(desk.station);
    REQUIRE(desk.station.rules().joints.front().name != desk.station.rules().joints.front().id);
    const auto answer = desk.ask(get(bay_path(desk, "/why")));
    CHECK(says(
        answer,
        R"("override":{"hand_checked_value":true,"people":2,"roles":["production_supervisor","quality_engineer"]})"));
}

TEST_CASE("why answers for the bays of a file that nobody has approved: no rules are in force") {
    Desk desk;
    desk.station.now.rules.reset();
    desk.station.now.bays.clear();
    desk.station.staged.revision = Revision{rules_digest};
    const auto answer = desk.ask(get(bay_path(desk, "/why")));
    REQUIRE(answer.status == 200);
    CHECK(says(answer, R"("code":"no_rules_in_force")"));
    CHECK(says(answer, R"("id":"lift-beam")"));
    CHECK_FALSE(says(answer, R"("reasons":[])"));
    CHECK(desk.ask(get("/v1/bays/nowhere/why")).status == 404);
    // Once rules are in force, only they say which bays there are.
    desk.station.now.rules = Revision{rules_digest};
    CHECK(desk.ask(get(bay_path(desk, "/why"))).status == 404);
}

TEST_CASE("what is decided and what is on the wire are told apart") {
    Desk desk;
    put_unit_in(desk.station);
    const auto answer = desk.ask(get("/v1/station"));
    CHECK(says(answer, R"("decided":"released")"));
    CHECK(says(answer, R"("on_wire":"withheld")"));
    CHECK_FALSE(says(answer, R"("on_wire":"released")"));
}

TEST_CASE("health is good only if nothing is wrong, and withheld if something withholds") {
    Desk desk;
    CHECK(says(desk.ask(get("/v1/health")), R"("overall":"withheld")"));  // no rules in force
    desk.station.now.rules = Revision{rules_digest};
    CHECK(says(desk.ask(get("/v1/health")), R"("overall":"good")"));
    desk.station.facts.inputs = {{.kind = InputKind::tool,
                                  .id = "T1",
                                  .bay = "J1",
                                  .quality = Quality::stale,
                                  .age = 2500ms,
                                  .why = "silent"}};
    const auto answer = desk.ask(get("/v1/health"));
    CHECK(says(answer, R"("overall":"attention")"));
    CHECK(says(answer, R"("age_ms":2500)"));
    CHECK(says(answer, R"("remedy":"Check that it is on and connected.")"));
    // A reason that says itself what helps is not contradicted.
    desk.station.facts.inputs.front().why = "its device is no serial line; name another one";
    CHECK(says(desk.ask(get("/v1/health")), R"("remedy":"")"));
    desk.station.troubled_by = {{.code = "sync_slow", .what = "w", .remedy = "r", .withholds = true}};
    CHECK(says(desk.ask(get("/v1/health")), R"("overall":"withheld")"));
}

TEST_CASE("health names a disk that fills up before it is full") {
    Desk desk;
    desk.station.now.rules = Revision{rules_digest};
    desk.station.facts.journal.disk_size_bytes = 1000;
    for (const auto& [free, code] :
         {std::pair{200U, ""}, {199U, "disk_filling_up"}, {99U, "disk_nearly_full"}}) {
        CAPTURE(free);
        desk.station.facts.journal.disk_free_bytes = free;
        const auto answer = desk.ask(get("/v1/health"));
        CHECK(says(answer, R"("overall":"good")") == std::string(code).empty());
        CHECK((std::string(code).empty() || says(answer, code)));
    }
}

TEST_CASE("events come as lines with the stored text untouched, and say where to go on") {
    Desk desk;
    desk.station.store().stored = {{{1}, R"({"b":1, "a":"x"})", std::string(64, '1')},
                                   {{2}, R"({"half":)", std::string(64, '2')},
                                   {{3}, R"({})", std::string(64, '3')}};
    const auto answer = desk.ask(get("/v1/events?from=1&most=2"));
    CHECK(answer.status == 200);
    CHECK(answer.content_type == "application/x-ndjson");
    CHECK(answer.body == R"({"number":1,"hash":")" + std::string(64, '1') +
                             R"(","body":{"b":1, "a":"x"}})"
                             "\n"
                             R"({"number":2,"hash":")" +
                             std::string(64, '2') +
                             R"(","damaged_body":"{\"half\":"})"
                             "\n");
    CHECK(answer.headers == std::vector<std::pair<std::string, std::string>>{{"Next-From", "3"}});
}

TEST_CASE("who follows events is answered when one becomes durable, or when the wait is over") {
    Desk desk;
    std::optional<Response> answer;
    const auto wait_for = [&](const std::string& target) {
        answer.reset();
        desk.api.handle(get(target), [&](Response response) { answer = std::move(response); });
        desk.loop.restart();
        desk.loop.poll();
        REQUIRE_FALSE(answer);
    };
    const auto run_until_answered = [&] {
        for (int i = 0; i < 30 && !answer; ++i) {
            desk.loop.restart();
            desk.loop.run_one_for(1s);
        }
        REQUIRE(answer);
    };

    wait_for("/v1/events?from=1&wait_ms=30000");
    desk.station.now.newest = {1};
    desk.station.store().stored = {{{1}, "{}", std::string(64, '1')}};
    desk.station.become_durable();
    desk.api.on_durable();
    run_until_answered();
    CHECK(says(*answer, R"("number":1)"));

    wait_for("/v1/events?from=2&wait_ms=30");
    run_until_answered();
    CHECK(answer->body.empty());
}

TEST_CASE("a journal that cannot be read, and a serial that it never saw, are told apart") {
    Desk desk;
    CHECK(desk.ask(get("/v1/units/NEVER")).status == 404);
    desk.station.store().broken = true;
    const auto answer = desk.ask(get("/v1/units/NEVER"));
    CHECK(answer.status == 500);
    CHECK(says(answer, "mend it"));
}

// ---- requests of all kinds ------------------------------------------------------------------------------

TEST_CASE("unknown paths and wrong methods are refused with what there is") {
    Desk desk;
    CHECK(desk.ask(get("/")).status == 404);
    CHECK(desk.ask(get("/v1/station/")).status == 404);
    CHECK(desk.ask(get("/v2/station")).status == 404);
    CHECK(desk.ask(get("/v1/%zz")).status == 404);
    CHECK(desk.ask(get("/v1/bays/nowhere/why")).status == 404);
    const auto wrong = desk.ask(post("/v1/station", "{}"));
    CHECK(wrong.status == 405);
    CHECK(wrong.headers == std::vector<std::pair<std::string, std::string>>{{"Allow", "GET"}});
}

TEST_CASE("a body that is not what it should be is refused with its place, and no event is left") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.worker_session();
    const auto deep = std::string(100, '[') + std::string(100, ']');
    for (const auto& body : std::vector<std::string>{
             "", "nonsense", "[]", "{", "null", "\xff", R"({"act":1})", R"({"act":"jump"})",
             R"({"act":"sign_on","more":1})", R"({"act":"sign_on","act":"sign_off"})",
             R"({"act":)" + deep + "}", R"({"act":")" + std::string(1000, 'x') + R"("})"}) {
        CAPTURE(body);
        const auto answer = desk.ask(post(bay_path(desk, "/operator"), body, {session, {}}));
        CHECK(answer.status == 400);
        CHECK(says(answer, R"("remedy":)"));
    }
    CHECK(desk.station.submitted.empty());
}

TEST_CASE("an action that cannot be read is refused with its place") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.supervisor_session();
    const auto joint = desk.station.rules().joints.front().id;
    const std::vector<std::pair<std::string, std::string>> cases{
        {R"({})", "/action"},
        {R"({"jump":{}})", "/action/jump"},
        {R"({"leave_incomplete":{},"accept_return":{}})", "/action"},
        {R"({"leave_incomplete":{"why":1}})", "/action/leave_incomplete/why"},
        {R"({"override_joint":{"joint":"x"}})", "/action/override_joint/verified"},
        {R"({"override_joint":{"joint":"x","verified":"v","checked_torque":{"value":"-1","unit":"N.m"}}})",
         "/action/override_joint/checked_torque"},
        {R"({"override_joint":{"joint":"x","verified":"v","checked_torque":{"value":"1","unit":"Nm"}}})",
         "/action/override_joint/checked_torque"},
        {R"({"unlock_fastener":{"joint":")" + joint + R"(","fastener":"none"}})",
         "/action/unlock_fastener/fastener"},
        {R"({"unlock_fastener":{"joint":"none","fastener":"1"}})", "/action/unlock_fastener/joint"},
        {R"({"correct_ticket":{"text":"no such label"}})", "/action/correct_ticket/text"},
        {R"({"set_result_aside":{"result":-1}})", "/action/set_result_aside/result"}};
    for (const auto& [action, where] : cases) {
        CAPTURE(action);
        const auto answer = desk.ask(
            post(bay_path(desk, "/decisions"), R"({"action":)" + action + R"(,"seen":50})", {session, {}}));
        CHECK(answer.status == 400);
        CHECK(says(answer, "\"where\":\"" + where + "\""));
    }
    CHECK(desk.station.submitted.empty());
}

TEST_CASE("a fastener is named as the drawing names it") {
    Desk desk;
    put_unit_in(desk.station);
    const auto& joint = desk.station.rules().joints.front();
    const auto body = R"({"action":{"unlock_fastener":{"joint":")" + joint.id + R"(","fastener":")" +
                      joint.fasteners.at(1).name + R"("}},"seen":50})";
    CHECK(desk.ask(post(bay_path(desk, "/decisions"), body, {desk.supervisor_session(), {}})).status == 200);
    CHECK(std::get<UnlockFastener>(desk.station.newest_event<Proposed>().action).fastener == 1);
}

TEST_CASE("a hand-checked torque is taken in its unit, exactly") {
    Desk desk;
    put_unit_in(desk.station);
    const auto body =
        R"({"action":{"override_joint":{"joint":"x","verified":"v","checked_torque":{"value":"410.5","unit":"N.m"}}},"seen":50})";
    CHECK(desk.ask(post(bay_path(desk, "/decisions"), body, {desk.supervisor_session(), {}})).status == 200);
    CHECK(std::get<OverrideJoint>(desk.station.newest_event<Proposed>().action).checked_torque ==
          protocol::Torque{410'500'000});
}

TEST_CASE("pages of other origins and names that only point here are refused") {
    Desk desk;
    auto foreign_page = post("/v1/sign-in", "{}");
    foreign_page.origin = "http://elsewhere.example";
    CHECK(desk.ask(foreign_page).status == 403);
    auto opaque = post("/v1/sign-in", "{}");
    opaque.origin = "null";
    CHECK(desk.ask(opaque).status == 403);
    auto foreign_host = get("/v1/station");
    foreign_host.host = "elsewhere.example:8460";
    CHECK(desk.ask(foreign_host).status == 403);
    auto own_page = get("/v1/station");
    own_page.origin = "http://127.0.0.1:8460";
    CHECK(desk.ask(own_page).status == 200);
}

TEST_CASE("a form of a web page, which can send anything but application/json, changes nothing") {
    Desk desk;
    for (const auto* type : {"", "text/plain", "application/x-www-form-urlencoded", "multipart/form-data"}) {
        auto request = post("/v1/sign-in", R"({"badge":"B-01","secret":"204816"})");
        request.content_type = type;
        CHECK(desk.ask(request).status == 415);
    }
    auto with_charset = post("/v1/sign-in", R"({"badge":"B-01","secret":"204816"})");
    with_charset.content_type = "Application/JSON; charset=utf-8";
    CHECK(desk.ask(with_charset).status == 200);
}

TEST_CASE("no answer, note or event holds a secret, and no view holds a session or a credential") {
    Desk desk;
    put_unit_in(desk.station);
    const auto session = desk.admin_session();
    std::string everything;
    const auto keep = [&](const Response& answer) { everything += answer.body; };
    const std::string tried = "731905426";
    keep(desk.ask(post("/v1/sign-in", R"({"badge":"B-02","secret":")" + tried + R"("})")));
    keep(desk.ask(post("/v1/sign-in", R"({"badge":"B-99","secret":")" + tried + R"("})")));
    keep(desk.ask(post("/v1/sign-in", R"({"badge":"B-02","secret":")" + tried + R"(","more":1})")));
    keep(desk.ask(
        post("/v1/people", R"({"name":"N","roles":["king"],"secret":")" + tried + R"("})", {session, {}})));
    keep(desk.ask(post("/v1/people", R"({"name":"N","roles":["line_operator"],"secret":")" + tried + R"("})",
                       {session, {}})));
    for (const auto* path : {"/v1/station", "/v1/health", "/v1/people", "/v1/rules"})
        keep(desk.ask(get(path, {session, {}})));
    for (const auto& note : desk.notes)
        everything += note;
    for (const auto& event : desk.station.submitted)
        if (const auto* refused = std::get_if<SignInRefused>(&event))
            everything += refused->why;
    CHECK(everything.size() > 1000);
    CHECK(everything.find(tried) == std::string::npos);
    CHECK(everything.find(session) == std::string::npos);
    CHECK(everything.find("argon2") == std::string::npos);
}

TEST_CASE("the api may end while answers are on their way") {
    boost::asio::io_context loop;
    FakeStation station;
    bool answered = false;
    {
        Api api(loop, station, enrol_three(station), {.hash_cost = cheap});
        api.set_own_authority("127.0.0.1", own_port);
        const auto note = [&](const Response&) { answered = true; };
        api.handle(post("/v1/sign-in", R"({"badge":"B-01","secret":"204816"})"), note);
        api.handle(get("/v1/units/X"), note);
        api.handle(get("/v1/events?from=99&wait_ms=20"), note);
    }
    loop.run_for(2s);
    CHECK_FALSE(answered);
}
