#include <algorithm>

#include <nlohmann/json.hpp>

#include "service/web/target.hpp"
#include "service/web/views.hpp"
#include "service/web/work.hpp"

namespace tautgate::web {

using namespace interlock;

namespace {

std::string seconds_text(std::chrono::seconds time) { return std::to_string(time.count()) + " s"; }

}  // namespace

// ---- signing in ----------------------------------------------------------------------------------------

std::chrono::seconds Api::Work::sign_in_lasts() const {
    const auto* rules = rules_in_force(station_);
    return rules == nullptr ? settings_.sign_in_lasts : rules->people.sign_in_lasts;
}

namespace {

// One answer for a wrong secret, an unknown badge and a person who may not sign in: nothing to tell them
// apart by.
Problem wrong_credentials(const std::string& where) {
    return {.status = 401,
            .code = "wrong_credentials",
            .what = "nobody was signed in",
            .where = where,
            .why = "person and secret do not fit together",
            .remedy = "try again; after several wrong ones the person is locked for a time"};
}

}  // namespace

void Api::Work::sign_in(Call& call) {
    auto body = Body::parse(call.request.body);
    people::wipe(call.request.body);
    const auto badge = body.optional_text("badge");
    const auto number = body.optional_number("person");
    auto secret = body.secret("secret");
    if (badge.has_value() == number.has_value())
        body.refuse("badge", "exactly one of badge and person is needed", "give the one or the other");
    const auto fault = body.fault();
    body.wipe();
    if (fault)
        return call.refuse(*fault);

    const auto person = badge ? roster_.by_badge(*badge)
                        : *number <= 0xFFFFFFFF
                            ? std::optional{PersonNumber{static_cast<std::uint32_t>(*number)}}
                            : std::nullopt;
    const auto* known = person ? people::find_person(station_.state(), *person) : nullptr;
    const auto* record = person ? roster_.find(*person) : nullptr;
    if (known == nullptr || known->suspended || record == nullptr || record->credential.empty())
        return check_secret(PersonNumber{}, nobodys_credential_.value_or(std::string{}), std::move(secret),
                            std::move(call));
    if (const auto begun = sign_ins_.begin(*person, station_.monotonic()); !begun)
        return attempt_refused(*person, begun.error(), call);
    check_secret(*person, record->credential, std::move(secret), std::move(call));
}

void Api::Work::attempt_refused(PersonNumber person, const people::AttemptRefused& refused,
                                const Call& call) {
    const bool locked = refused.why == people::AttemptRefusal::locked;
    if (refused.first_of_lock)
        station_.submit(SignInRefused{.person = person, .why = "tried while locked"}, std::nullopt,
                        [](const std::expected<Recorded, NotRecorded>&) {});
    auto response = to_response({.status = 429,
                                 .code = locked ? "locked" : "too_soon",
                                 .what = "nobody was signed in and the secret was not looked at",
                                 .where = call.where(),
                                 .why = locked ? "after several wrong secrets this person is locked"
                                               : "after a wrong secret the next try has to wait",
                                 .remedy = "wait " + seconds_text(refused.wait) +
                                           (locked ? ", or ask another administrator to unlock" : "")});
    response.headers.emplace_back("Retry-After", std::to_string(refused.wait.count()));
    call.respond(std::move(response));
}

// Person 0 stands for nobody: the secret is hashed all the same, so that the time taken tells nothing.
void Api::Work::check_secret(PersonNumber person, std::string stored, people::Secret secret, Call call) {
    const bool nobody = person == PersonNumber{};
    const auto respond = std::make_shared<Call>(std::move(call));
    const auto checked = [self = weak_from_this(), respond, person, nobody](people::Verification result) {
        const auto work = self.lock();
        if (!work)
            return;
        if (nobody)
            return respond->refuse(wrong_credentials(respond->where()));
        switch (result) {
        case people::Verification::right: return work->signed_in(person, *respond);
        case people::Verification::wrong: return work->wrong_secret(person, std::move(*respond));
        case people::Verification::not_checkable: break;
        }
        work->sign_ins_.not_checked(person);
        work->note("The credential of person " + std::to_string(person.value) + " could not be checked.");
        respond->refuse(
            {.status = 503,
             .code = "not_checkable",
             .what = "nobody was signed in",
             .where = respond->where(),
             .why = "the stored credential could not be checked: memory is short or it is damaged",
             .remedy = "try again; if it stays, let an administrator enrol the person again"});
    };
    bool taken = false;
    if (nobody && stored.empty()) {
        // The first stranger pays for the credential that later ones are checked against.
        taken = verifier_.hash(
            std::move(secret), settings_.hash_cost,
            [self = weak_from_this(), checked](std::expected<std::string, people::SecretFault> hash) {
                if (const auto work = self.lock(); work && hash)
                    work->nobodys_credential_ = std::move(*hash);
                checked(people::Verification::wrong);
            });
    } else {
        taken = verifier_.verify(std::move(stored), std::move(secret), checked);
    }
    if (taken)
        return;
    if (!nobody)
        sign_ins_.not_checked(person);
    respond->refuse(busy(respond->where()));
}

void Api::Work::signed_in(PersonNumber person, const Call& call) {
    const auto* known = people::find_person(station_.state(), person);
    if (known == nullptr || known->suspended) {  // while the secret was being checked
        sign_ins_.not_checked(person);
        return call.refuse(wrong_credentials(call.where()));
    }
    const auto session = sign_ins_.right(person, station_.monotonic(), sign_in_lasts());
    nlohmann::json roles = nlohmann::json::array();
    for (const auto role : known->roles)
        roles.push_back(name_of(role));
    call.answer(history::dump({{"session", session.token},
                               {"person", {{"number", person.value}, {"name", roster_.name_of(person)}}},
                               {"roles", std::move(roles)},
                               {"ends_after_s", session.ends_after.count()}}));
}

// Answered once the refusal is on record.
void Api::Work::wrong_secret(PersonNumber person, Call call) {
    const auto wrong = sign_ins_.wrong(person, station_.monotonic());
    auto problem = wrong_credentials(call.where());
    if (wrong.locked)
        note("Person " + std::to_string(person.value) + " is locked for " + seconds_text(wrong.wait) +
             " after several wrong secrets.");
    station_.submit(
        SignInRefused{.person = person, .why = wrong.locked ? "wrong secret; now locked" : "wrong secret"},
        std::nullopt,
        [call = std::move(call), problem = std::move(problem)](const auto&) { call.refuse(problem); });
}

void Api::Work::sign_out(Call& call) {
    auto body = Body::parse(call.request.body);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    sign_ins_.end(bearer(call.request.authorization).value_or(std::string{}));
    call.answer("{}");
}

// ---- people --------------------------------------------------------------------------------------------

std::vector<domain::Role> Api::Work::read_roles(Body& body) {
    std::vector<domain::Role> roles;
    for (const auto& name : body.texts("roles")) {
        const auto role = role_from(name);
        if (!role) {
            body.refuse("roles", "'" + name + "' is no role",
                        "give some of line_operator, production_supervisor, quality_engineer, "
                        "manufacturing_engineer, maintenance, administrator");
            return roles;
        }
        if (std::ranges::find(roles, *role) == roles.end())
            roles.push_back(*role);
    }
    if (roles.empty())
        body.refuse("roles", "it names no role", "give at least one");
    return roles;
}

std::optional<Problem> Api::Work::first_enrolment_fault(const Call& call, const std::string& code) const {
    if (call.person != PersonNumber{})
        return std::nullopt;
    if (code.empty() || !station_.state().people.empty())
        return not_signed_in("Authorization");
    if (!call.request.from_loopback)
        return Problem{.status = 403,
                       .code = "only_at_the_station",
                       .what = "nobody was enrolled",
                       .where = call.where(),
                       .why = "the first administrator is enrolled at the station itself",
                       .remedy = "send the request from the station PC"};
    if (!settings_.enrolment_code || !settings_.enrolment_code->matches(code))
        return Problem{.status = 403,
                       .code = "wrong_enrolment_code",
                       .what = "nobody was enrolled",
                       .where = "/enrolment_code",
                       .why = "it is not the code of this start of the service",
                       .remedy = "read it from the file enrol.code in the service's state folder"};
    return std::nullopt;
}

std::optional<Problem> Api::Work::badge_fault(const Call& call, const std::string& badge,
                                              PersonNumber of) const {
    const auto owner = roster_.by_badge(badge);
    if (!owner || *owner == of)
        return std::nullopt;
    return Problem{.status = 409,
                   .code = "badge_taken",
                   .what = "nobody was enrolled",
                   .where = call.where(),
                   .why = "the badge belongs to " + roster_.name_of(*owner),
                   .remedy = "give the person another badge"};
}

void Api::Work::enrol(Call& call) {
    auto body = Body::parse(call.request.body);
    people::wipe(call.request.body);
    people::PersonRecord record{.number = {}, .name = body.text("name", 200)};
    record.badge = body.optional_text("badge", 200).value_or(std::string{});
    Person person{.number = {}, .roles = read_roles(body)};
    auto secret = body.secret("secret");
    auto code = body.optional_text("enrolment_code", 100).value_or(std::string{});
    auto problem = body.fault();
    body.wipe();
    if (!problem)
        problem = first_enrolment_fault(call, code);
    people::wipe(code);
    if (!problem)
        problem = badge_fault(call, record.badge, {});
    if (problem)
        return call.refuse(*problem);
    if (const auto weak = people::weakness(secret))
        return call.refuse({.status = 422,
                            .code = "secret_too_weak",
                            .what = "nobody was enrolled",
                            .where = "/secret",
                            .why = weak->what,
                            .remedy = weak->remedy});
    person.number = record.number = roster_.promise_number(station_.state());
    hash_and_enrol(std::move(person), std::move(record), std::move(secret), std::move(call));
}

// Other roles, a new secret, or back after a suspension.
void Api::Work::enrol_again(Call& call) {
    const auto number = person_argument(call);
    if (!number)
        return;
    auto body = Body::parse(call.request.body);
    people::wipe(call.request.body);
    people::PersonRecord record{.number = *number};
    record.name = body.optional_text("name", 200).value_or(std::string{});
    record.badge = body.optional_text("badge", 200).value_or(std::string{});
    Person person{.number = *number, .roles = read_roles(body)};
    const auto reinstates = body.optional_text("reinstate", 3);
    std::optional<people::Secret> secret;
    if (body.has("secret"))
        secret = body.secret("secret");
    auto problem = body.fault();
    body.wipe();
    if (!problem)
        problem = badge_fault(call, record.badge, *number);
    const Person* const known = people::find_person(station_.state(), *number);
    if (!problem && known == nullptr)
        problem = no_such(call.where(), "nobody has this number");
    if (!problem && known->suspended && reinstates != "yes")
        problem = Problem{.status = 409,
                          .code = "suspended",
                          .what = "nothing was changed",
                          .where = call.where(),
                          .why = "the person is suspended, and this would let them act again",
                          .remedy = "if that is wanted, say so (\"reinstate\": \"yes\")"};
    if (problem)
        return call.refuse(*problem);
    if (const auto weak = secret ? people::weakness(*secret) : std::nullopt)
        return call.refuse({.status = 422,
                            .code = "secret_too_weak",
                            .what = "nothing was changed",
                            .where = "/secret",
                            .why = weak->what,
                            .remedy = weak->remedy});
    hash_and_enrol(std::move(person), std::move(record), std::move(secret), std::move(call));
}

void Api::Work::hash_and_enrol(Person person, people::PersonRecord record,
                               std::optional<people::Secret> secret, Call call) {
    if (!secret)
        return submit_enrolment(person, std::move(record), std::move(call));
    const auto asked = std::make_shared<Call>(std::move(call));
    const bool taken =
        verifier_.hash(std::move(*secret), settings_.hash_cost,
                       [self = weak_from_this(), person = std::move(person), record = std::move(record),
                        asked](std::expected<std::string, people::SecretFault> hash) mutable {
                           const auto work = self.lock();
                           if (!work)
                               return;
                           if (!hash)
                               return asked->refuse({.status = 503,
                                                     .code = "secret_not_hashed",
                                                     .what = "nobody was enrolled",
                                                     .where = "/secret",
                                                     .why = hash.error().what,
                                                     .remedy = hash.error().remedy});
                           record.credential = std::move(*hash);
                           work->submit_enrolment(person, std::move(record), std::move(*asked));
                       });
    if (!taken)
        asked->refuse(busy(asked->where()));
}

void Api::Work::submit_enrolment(const Person& person, people::PersonRecord record, Call call) {
    PersonEnrolled event{.person = person, .by = std::nullopt, .seconded_by = call.second};
    // What is not said anew stays; the record is written whole.
    if (const auto* known = roster_.find(record.number)) {
        if (record.name.empty())
            record.name = known->name;
        if (record.badge.empty())
            record.badge = known->badge;
    }
    if (call.person != PersonNumber{})
        event.by = call.person;
    // Another enrolment may have taken the badge while the secret was hashed.
    if (const auto problem = badge_fault(call, record.badge, record.number))
        return call.refuse(*problem);
    const bool secret_changed = !record.credential.empty();
    submit(std::move(event), record, std::move(call),
           [self = weak_from_this(), record, secret_changed](const Recorded&) {
               if (const auto work = self.lock())
                   work->enrolled(record, secret_changed);
           });
}

void Api::Work::enrolled(const people::PersonRecord& record, bool secret_changed) {
    roster_.put(record);
    if (secret_changed)
        sign_ins_.end_all_of(record.number);
    if (!settings_.enrolment_code)
        return;
    if (const auto removed = settings_.enrolment_code->use_up(); !removed)
        note(removed.error().what + ": " + removed.error().why + "; " + removed.error().remedy);
    settings_.enrolment_code.reset();
}

void Api::Work::suspend(Call& call) {
    const auto number = person_argument(call);
    if (!number)
        return;
    const auto body = Body::parse(call.request.body);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto by = call.person;
    const auto second = call.second;
    submit(PersonSuspended{.person = *number, .by = by, .seconded_by = second}, std::nullopt, std::move(call),
           [self = weak_from_this(), person = *number](const Recorded&) {
               if (const auto work = self.lock())
                   work->sign_ins_.end_all_of(person);
           });
}

// Changes no decision and no record; the lock itself lives in this process only.
void Api::Work::unlock(Call& call) {
    const auto number = person_argument(call);
    if (!number)
        return;
    const auto body = Body::parse(call.request.body);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto* by = people::find_person(station_.state(), call.person);
    if (by == nullptr || !people::has_role(*by, domain::Role::administrator) || *number == call.person)
        return call.refuse({.status = 403,
                            .code = "not_entitled",
                            .what = "nobody was unlocked",
                            .where = call.where(),
                            .why = "only another person who is administrator may unlock somebody",
                            .remedy = "ask an administrator, or wait until the lock ends"});
    if (!sign_ins_.unlock(*number, station_.monotonic()))
        return call.refuse({.status = 409,
                            .code = "not_locked",
                            .what = "nothing was changed",
                            .where = call.where(),
                            .why = "this person is not locked",
                            .remedy = "let the person sign in"});
    note("Person " + std::to_string(number->value) + " was unlocked by person " +
         std::to_string(call.person.value) + ".");
    call.answer("{}");
}

}  // namespace tautgate::web
