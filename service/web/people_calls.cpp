#include <algorithm>
#include <limits>

#include <nlohmann/json.hpp>

#include "protocol/utc.hpp"
#include "service/web/target.hpp"
#include "service/web/views.hpp"
#include "service/web/work.hpp"

namespace tautgate::web {

using namespace interlock;

namespace {

constexpr std::string_view not_signed_in_now = "nobody was signed in";
constexpr std::string_view not_renewed = "the secret was not renewed";

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
Problem wrong_credentials(const std::string& where, std::string_view failed) {
    return {.status = 401,
            .code = "wrong_credentials",
            .what = std::string(failed),
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
    const Purpose purpose{not_signed_in_now, [](Work& work, PersonNumber who, const Call& asked) {
                              work.signed_in(who, asked);
                          }};
    if (known == nullptr || known->suspended || record == nullptr || record->credential.empty())
        return check_secret(PersonNumber{}, nobodys_credential_.value_or(std::string{}), std::move(secret),
                            std::move(call), purpose);
    ask_secret(*person, std::move(secret), std::move(call), purpose);
}

void Api::Work::ask_secret(PersonNumber person, people::Secret secret, Call call, const Purpose& purpose) {
    if (const auto* rules = rules_in_force(station_))
        sign_ins_.follow(rules->people.lock);
    if (const auto begun = sign_ins_.begin(person, station_.monotonic()); !begun)
        return attempt_refused(person, begun.error(), call, purpose.failed);
    const auto* record = roster_.find(person);
    check_secret(person, record == nullptr ? std::string{} : record->credential, std::move(secret),
                 std::move(call), purpose);
}

void Api::Work::attempt_refused(PersonNumber person, const people::AttemptRefused& refused, const Call& call,
                                std::string_view failed) {
    const bool locked = refused.why == people::AttemptRefusal::locked;
    if (refused.first_of_lock)
        station_.submit(SignInRefused{.person = person, .why = "tried while locked"}, std::nullopt,
                        [](const std::expected<Recorded, NotRecorded>&) {});
    auto response =
        to_response({.status = 429,
                     .code = locked ? "locked" : "too_soon",
                     .what = std::string(failed) + ", and the secret that was given was not looked at",
                     .where = call.where(),
                     .why = locked ? "after several wrong secrets this person is locked"
                                   : "after a wrong secret the next try has to wait",
                     .remedy = "wait " + seconds_text(refused.wait) +
                               (locked ? ", or ask somebody of another role to unlock" : "")});
    response.headers.emplace_back("Retry-After", std::to_string(refused.wait.count()));
    call.respond(std::move(response));
}

// Person 0 stands for nobody: the secret is hashed all the same, so that the time taken tells nothing.
void Api::Work::check_secret(PersonNumber person, std::string stored, people::Secret secret, Call call,
                             const Purpose& purpose) {
    const bool nobody = person == PersonNumber{};
    const auto respond = std::make_shared<Call>(std::move(call));
    const auto checked = [self = weak_from_this(), respond, person, nobody,
                          purpose](people::Verification result) {
        const auto work = self.lock();
        if (!work)
            return;
        if (nobody)
            return respond->refuse(wrong_credentials(respond->where(), purpose.failed));
        switch (result) {
        case people::Verification::right: return purpose.right(*work, person, std::move(*respond));
        case people::Verification::wrong:
            return work->wrong_secret(person, std::move(*respond), purpose.failed);
        case people::Verification::not_checkable: break;
        }
        work->sign_ins_.not_checked(person);
        work->note("The credential of person " + std::to_string(person.value) + " could not be checked.");
        respond->refuse(
            {.status = 503,
             .code = "not_checkable",
             .what = std::string(purpose.failed),
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
        return call.refuse(wrong_credentials(call.where(), not_signed_in_now));
    }
    const auto session = sign_ins_.right(person, station_.monotonic(), sign_in_lasts());
    nlohmann::json roles = nlohmann::json::array();
    for (const auto role : known->roles)
        roles.push_back(name_of(role));
    for (const Deputy& deputy : station_.state().deputies)
        if (deputy.person == person)
            roles.push_back(name_of(deputy.role));
    call.answer(history::dump({{"session", session.token},
                               {"person", {{"number", person.value}, {"name", roster_.name_of(person)}}},
                               {"roles", std::move(roles)},
                               {"ends_after_s", session.ends_after.count()}}));
}

// Answered once the refusal is on record.
void Api::Work::wrong_secret(PersonNumber person, Call call, std::string_view failed) {
    const auto wrong = sign_ins_.wrong(person, station_.monotonic());
    auto problem = wrong_credentials(call.where(), failed);
    if (wrong.locked)
        note("Person " + std::to_string(person.value) + " is locked for " + seconds_text(wrong.wait) +
             " after several wrong secrets.");
    SignInRefused refused{.person = person,
                          .why = wrong.locked ? "wrong secret; now locked" : "wrong secret"};
    if (wrong.locked)
        refused.locked_for_s = static_cast<std::uint32_t>(wrong.wait.count());
    station_.submit(
        std::move(refused), std::nullopt,
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
    const auto taken = [&](std::string why) {
        return Problem{.status = 409,
                       .code = "badge_taken",
                       .what = "nobody was enrolled",
                       .where = call.where(),
                       .why = std::move(why),
                       .remedy = "give the person another badge"};
    };
    // A scanner at a bay reads badges, too: each is one thing or the other.
    const bool is_label = std::ranges::any_of(station_.state().bays, [&](const BayState& bay) {
        return station_.read_label(bay.id, badge).has_value();
    });
    if (!badge.empty() && is_label)
        return taken("what stands on the badge reads as a build ticket");
    const auto owner = roster_.by_badge(badge);
    if (!owner || *owner == of)
        return std::nullopt;
    return taken("the badge belongs to " + roster_.name_of(*owner));
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

namespace {

Problem not_hashed(const people::SecretFault& fault, std::string_view failed = "nobody was enrolled") {
    return {.status = 503,
            .code = "secret_not_hashed",
            .what = std::string(failed),
            .where = "/secret",
            .why = fault.what,
            .remedy = fault.remedy};
}

}  // namespace

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
                               return asked->refuse(not_hashed(hash.error()));
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

// Of a call that says whom it is about and nothing else; without it the call was answered.
std::optional<PersonNumber> Api::Work::only_person(Call& call) {
    const auto number = person_argument(call);
    if (!number)
        return std::nullopt;
    if (const auto fault = Body::parse(call.request.body).fault()) {
        call.refuse(*fault);
        return std::nullopt;
    }
    return number;
}

void Api::Work::suspend(Call& call) {
    const auto number = only_person(call);
    if (!number)
        return;
    const auto by = call.person;
    const auto second = call.second;
    submit(PersonSuspended{.person = *number, .by = by, .seconded_by = second}, std::nullopt, std::move(call),
           [self = weak_from_this(), person = *number](const Recorded&) {
               if (const auto work = self.lock())
                   work->sign_ins_.end_all_of(person);
           });
}

void Api::Work::unlock(Call& call) {
    const auto number = only_person(call);
    if (!number)
        return;
    const PersonUnlocked event{.person = *number, .by = call.person};
    submit(event, std::nullopt, std::move(call),
           [self = weak_from_this(), person = *number](const Recorded&) {
               if (const auto work = self.lock())
                   work->sign_ins_.unlock(person, work->station_.monotonic());
           });
}

// ---- the own secret ------------------------------------------------------------------------------------

// The old secret is asked although there is a session: one that somebody left open must not be enough.
void Api::Work::renew_own_secret(Call& call) {
    auto body = Body::parse(call.request.body);
    people::wipe(call.request.body);
    auto old = body.secret("old_secret");
    auto secret = std::make_shared<people::Secret>(body.secret("secret"));
    const auto problem = body.fault();
    body.wipe();
    if (problem)
        return call.refuse(*problem);
    const auto too_weak = [&](const std::string& why, const std::string& remedy) {
        call.refuse({.status = 422,
                     .code = "secret_too_weak",
                     .what = std::string(not_renewed),
                     .where = "/secret",
                     .why = why,
                     .remedy = remedy});
    };
    if (const auto weak = people::weakness(*secret))
        return too_weak(weak->what, weak->remedy);
    if (old.reveal() == secret->reveal())
        return too_weak("it is the old one", "give another one");
    const auto person = call.person;
    ask_secret(person, std::move(old), std::move(call),
               {not_renewed, [secret](Work& work, PersonNumber who, Call asked) {
                    work.sign_ins_.proven(who);
                    work.hash_and_renew(who, std::move(*secret), std::move(asked));
                }});
}

void Api::Work::hash_and_renew(PersonNumber person, people::Secret secret, Call call) {
    const auto asked = std::make_shared<Call>(std::move(call));
    const auto hashed = [self = weak_from_this(), person,
                         asked](std::expected<std::string, people::SecretFault> hash) {
        const auto work = self.lock();
        if (!work)
            return;
        if (!hash)
            return asked->refuse(not_hashed(hash.error(), not_renewed));
        const people::PersonRecord record{.number = person, .credential = std::move(*hash)};
        work->submit(SecretRenewed{.person = person, .secret_mark = {}}, record, std::move(*asked),
                     [self, record](const Recorded&) {
                         if (const auto still = self.lock())
                             still->enrolled(record, true);
                     });
    };
    if (!verifier_.hash(std::move(secret), settings_.hash_cost, hashed))
        asked->refuse(busy(asked->where()));
}

// ---- standing in ---------------------------------------------------------------------------------------

void Api::Work::deputise(Call& call) {
    const auto number = person_argument(call);
    if (!number)
        return;
    auto body = Body::parse(call.request.body);
    const auto act = body.text("act");
    const auto word = body.text("role");
    const auto role = role_from(word);
    if (!role)
        body.refuse("role", "'" + word + "' is no role", "give one, for instance production_supervisor");
    if (act != "name" && act != "end")
        body.refuse("act", "it is neither name nor end", "give one of them");
    const auto until = act == "name" ? protocol::parse_utc(body.text("until")) : std::nullopt;
    if (act == "name" && !until)
        body.refuse("until", "it is no date and time", "write it as 2026-11-30T22:00:00Z");
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto by = call.person;
    const auto second = call.second;
    if (act == "end")
        return submit(DeputyEnded{.person = *number, .role = *role, .by = by}, std::nullopt, std::move(call));
    submit(
        DeputyNamed{
            .person = *number, .role = *role, .until_utc_us = until->micros, .by = by, .seconded_by = second},
        std::nullopt, std::move(call));
}

// ---- taking out a name ---------------------------------------------------------------------------------

void Api::Work::erase_name(Call& call) {
    const auto number = only_person(call);
    if (!number)
        return;
    const NameErased event{.person = *number, .by = call.person, .seconded_by = call.second};
    submit(event, std::nullopt, std::move(call),
           [self = weak_from_this(), person = *number](const Recorded&) {
               if (const auto work = self.lock())
                   work->roster_.erase_name(person);
           });
}

// ---- the last administrator is lost --------------------------------------------------------------------

namespace {

std::optional<Problem> not_root(const Call& call, const people::ReplacementPass& pass,
                                const std::string& code) {
    if (!call.request.from_loopback)
        return Problem{.status = 403,
                       .code = "only_at_the_station",
                       .what = "no administrator was replaced",
                       .where = call.where(),
                       .why = "an administrator is replaced at the station itself",
                       .remedy = "run tautgate replace-administrator as root on the station PC"};
    const auto used = pass.use(code);
    if (used)
        return std::nullopt;
    return Problem{.status = 403,
                   .code = "wrong_replacement_code",
                   .what = used.error().what,
                   .where = "/code",
                   .why = used.error().why,
                   .remedy = used.error().remedy};
}

}  // namespace

std::vector<PersonNumber> Api::Work::read_lost(Body& body) {
    std::vector<PersonNumber> lost;
    for (const auto& text : body.texts("lost")) {
        const auto number = number_from(text);
        if (!number || *number == 0 || *number > std::numeric_limits<std::uint32_t>::max()) {
            body.refuse("lost", "'" + text + "' is no number of a person", "give numbers such as \"1\"");
            return lost;
        }
        lost.push_back(PersonNumber{static_cast<std::uint32_t>(*number)});
    }
    return lost;
}

void Api::Work::replace_administrator(Call& call) {
    auto body = Body::parse(call.request.body);
    people::wipe(call.request.body);
    people::PersonRecord record{.number = {}, .name = body.text("name", 200)};
    record.badge = body.optional_text("badge", 200).value_or(std::string{});
    const auto lost = read_lost(body);
    auto secret = body.secret("secret");
    auto code = body.text("code", 100);
    auto problem = body.fault();
    body.wipe();
    if (!problem)
        problem = badge_fault(call, record.badge, {});
    const auto weak = problem ? std::nullopt : people::weakness(secret);
    if (weak)
        problem = Problem{.status = 422,
                          .code = "secret_too_weak",
                          .what = "no administrator was replaced",
                          .where = "/secret",
                          .why = weak->what,
                          .remedy = weak->remedy};
    if (!problem)
        problem = not_root(call, settings_.replacement, code);
    people::wipe(code);
    if (problem)
        return call.refuse(*problem);
    record.number = roster_.promise_number(station_.state());
    AdministratorReplaced event{.person = {.number = record.number, .roles = {domain::Role::administrator}},
                                .lost = lost};
    hash_and_replace(std::move(event), std::move(record), std::move(secret), std::move(call));
}

void Api::Work::hash_and_replace(AdministratorReplaced event, people::PersonRecord record,
                                 people::Secret secret, Call call) {
    const auto asked = std::make_shared<Call>(std::move(call));
    const auto hashed = [self = weak_from_this(), event = std::move(event), record = std::move(record),
                         asked](std::expected<std::string, people::SecretFault> hash) mutable {
        const auto work = self.lock();
        if (!work)
            return;
        if (!hash)
            return asked->refuse(not_hashed(hash.error()));
        record.credential = std::move(*hash);
        work->submit(std::move(event), record, std::move(*asked), [self, record](const Recorded&) {
            if (const auto still = self.lock())
                still->enrolled(record, true);
        });
    };
    if (!verifier_.hash(std::move(secret), settings_.hash_cost, hashed))
        asked->refuse(busy(asked->where()));
}

// ---- badges at a bay -----------------------------------------------------------------------------------

std::optional<PersonNumber> Api::person_with_badge(std::string_view badge) const {
    return work_->person_with_badge(badge);
}

}  // namespace tautgate::web
