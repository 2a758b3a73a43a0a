#include "service/people/sign_ins.hpp"

#include <catch2/catch.hpp>

using namespace tautgate;
using namespace std::chrono_literals;
using people::AttemptRefusal;
using people::Monotonic;
using people::SignIns;

namespace {

constexpr domain::PersonNumber ada{1};
constexpr domain::PersonNumber ben{2};
constexpr auto idle = 300s;

interlock::State two_people() {
    interlock::State state;
    state.people = {{.number = ada, .roles = {domain::Role::administrator}},
                    {.number = ben, .roles = {domain::Role::production_supervisor}}};
    return state;
}

std::string sign_in(SignIns& sign_ins, domain::PersonNumber person, Monotonic now) {
    REQUIRE(sign_ins.begin(person, now));
    return sign_ins.right(person, now, idle).token;
}

people::WrongSecret fail(SignIns& sign_ins, domain::PersonNumber person, Monotonic now) {
    REQUIRE(sign_ins.begin(person, now));
    return sign_ins.wrong(person, now);
}

}  // namespace

TEST_CASE("a session stands for the person who signed in and for nobody else") {
    SignIns sign_ins;
    const auto state = two_people();
    const auto of_ada = sign_in(sign_ins, ada, 0s);
    const auto of_ben = sign_in(sign_ins, ben, 0s);

    CHECK(of_ada.size() == 64);
    CHECK(of_ada != of_ben);
    CHECK(sign_ins.person_of(of_ada, 1s, state) == ada);
    CHECK(sign_ins.person_of(of_ben, 1s, state) == ben);
}

TEST_CASE("a token that is nearly right, cut or longer opens nothing") {
    SignIns sign_ins;
    const auto state = two_people();
    const auto token = sign_in(sign_ins, ada, 0s);
    auto changed = token;
    changed.back() = changed.back() == '0' ? '1' : '0';

    CHECK_FALSE(sign_ins.person_of(changed, 1s, state));
    CHECK_FALSE(sign_ins.person_of(token.substr(0, 62), 1s, state));
    CHECK_FALSE(sign_ins.person_of(token + "00", 1s, state));
    CHECK_FALSE(sign_ins.person_of("", 1s, state));
    CHECK_FALSE(sign_ins.person_of(std::string(64, 'x'), 1s, state));
    CHECK(sign_ins.person_of(token, 1s, state) == ada);
}

TEST_CASE("an unused session ends after the idle time, a used one goes on") {
    SignIns sign_ins;
    const auto state = two_people();
    const auto token = sign_in(sign_ins, ada, 0s);

    CHECK(sign_ins.person_of(token, 299s, state) == ada);
    CHECK(sign_ins.person_of(token, 598s, state) == ada);
    CHECK_FALSE(sign_ins.person_of(token, 898s, state));
    CHECK_FALSE(sign_ins.person_of(token, 899s, state));
}

TEST_CASE("a session that is used all the time still ends after the longest time") {
    SignIns sign_ins({.session_longest = 1000s});
    const auto state = two_people();
    const auto token = sign_in(sign_ins, ada, 0s);
    for (auto now = 100s; now < 1000s; now += 100s)
        REQUIRE(sign_ins.person_of(token, now, state) == ada);
    CHECK_FALSE(sign_ins.person_of(token, 1000s, state));
}

TEST_CASE("the session of a suspended person ends at once and does not come back") {
    SignIns sign_ins;
    auto state = two_people();
    const auto token = sign_in(sign_ins, ada, 0s);
    state.people[0].suspended = true;
    CHECK_FALSE(sign_ins.person_of(token, 1s, state));
    state.people[0].suspended = false;
    CHECK_FALSE(sign_ins.person_of(token, 2s, state));
}

TEST_CASE("the session of somebody who is no longer known ends") {
    SignIns sign_ins;
    auto state = two_people();
    const auto token = sign_in(sign_ins, ada, 0s);
    state.people.erase(state.people.begin());
    CHECK_FALSE(sign_ins.person_of(token, 1s, state));
}

TEST_CASE("signing out ends that session only") {
    SignIns sign_ins;
    const auto state = two_people();
    const auto first = sign_in(sign_ins, ada, 0s);
    const auto second = sign_in(sign_ins, ada, 0s);

    CHECK(sign_ins.end(first));
    CHECK_FALSE(sign_ins.end(first));
    CHECK_FALSE(sign_ins.person_of(first, 1s, state));
    CHECK(sign_ins.person_of(second, 1s, state) == ada);
}

TEST_CASE("all sessions of a person can be ended, those of others stay") {
    SignIns sign_ins;
    const auto state = two_people();
    const auto first = sign_in(sign_ins, ada, 0s);
    const auto of_ben = sign_in(sign_ins, ben, 0s);
    sign_ins.end_all_of(ada);
    CHECK_FALSE(sign_ins.person_of(first, 1s, state));
    CHECK(sign_ins.person_of(of_ben, 1s, state) == ben);
}

TEST_CASE("one session more than a person may have ends that person's oldest") {
    SignIns sign_ins({.sessions_of_person = 2});
    const auto state = two_people();
    const auto of_ben = sign_in(sign_ins, ben, 0s);
    const auto oldest = sign_in(sign_ins, ada, 0s);
    const auto second = sign_in(sign_ins, ada, 1s);
    const auto third = sign_in(sign_ins, ada, 2s);

    CHECK_FALSE(sign_ins.person_of(oldest, 3s, state));
    CHECK(sign_ins.person_of(second, 3s, state) == ada);
    CHECK(sign_ins.person_of(third, 3s, state) == ada);
    CHECK(sign_ins.person_of(of_ben, 3s, state) == ben);
}

TEST_CASE("after each wrong secret the next try waits twice as long") {
    SignIns sign_ins;
    Monotonic now{0};
    for (const auto wait : {1s, 2s, 4s, 8s}) {
        const auto wrong = fail(sign_ins, ada, now);
        CHECK(wrong.wait == wait);
        CHECK_FALSE(wrong.locked);

        const auto early = sign_ins.begin(ada, now + wait - 1ns);
        REQUIRE_FALSE(early);
        CHECK(early.error().why == AttemptRefusal::too_soon);
        CHECK(early.error().wait == 1s);
        CHECK_FALSE(early.error().first_of_lock);
        now += wait;
    }
}

TEST_CASE("the fifth wrong secret locks the person for a time, and the time unlocks") {
    SignIns sign_ins;
    Monotonic now{0};
    for (int i = 0; i < 4; ++i)
        now += fail(sign_ins, ada, now).wait;
    const auto fifth = fail(sign_ins, ada, now);
    CHECK(fifth.locked);
    CHECK(fifth.wait == 15min);
    CHECK(sign_ins.locked_for(ada, now) == 15min);

    const auto while_locked = sign_ins.begin(ada, now + 15min - 1s);
    REQUIRE_FALSE(while_locked);
    CHECK(while_locked.error().why == AttemptRefusal::locked);

    now += 15min;
    CHECK_FALSE(sign_ins.locked_for(ada, now));
    CHECK(fail(sign_ins, ada, now).wait == 1s);
}

TEST_CASE("only the first try against a lock is worth a record") {
    SignIns sign_ins({.wrong_before_lock = 1});
    fail(sign_ins, ada, 0s);
    CHECK(sign_ins.begin(ada, 1s).error().first_of_lock);
    CHECK_FALSE(sign_ins.begin(ada, 2s).error().first_of_lock);
    fail(sign_ins, ada, 15min);
    CHECK(sign_ins.begin(ada, 16min).error().first_of_lock);
}

TEST_CASE("each lock in a row lasts twice as long, up to a limit; a right secret forgets them") {
    SignIns sign_ins({.wrong_before_lock = 1});
    Monotonic now{0};
    for (const auto lock : {15min, 30min, 60min, 120min, 240min, 240min}) {
        CHECK(fail(sign_ins, ada, now).wait == lock);
        now += lock;
    }
    (void)sign_in(sign_ins, ada, now);
    CHECK(fail(sign_ins, ada, now).wait == 15min);
}

TEST_CASE("wrong secrets of one person slow nobody else") {
    SignIns sign_ins({.wrong_before_lock = 1});
    fail(sign_ins, ada, 0s);
    CHECK_FALSE(sign_ins.begin(ada, 1s));
    CHECK(sign_ins.begin(ben, 1s));
}

TEST_CASE("a lock ends no session that is open") {
    SignIns sign_ins({.wrong_before_lock = 1});
    const auto state = two_people();
    const auto token = sign_in(sign_ins, ada, 0s);
    fail(sign_ins, ada, 1s);
    CHECK(sign_ins.person_of(token, 2s, state) == ada);
}

TEST_CASE("an administrator's unlock lets the person try at once; there is nothing to unlock otherwise") {
    SignIns sign_ins({.wrong_before_lock = 1});
    CHECK_FALSE(sign_ins.unlock(ada, 0s));
    fail(sign_ins, ada, 0s);
    CHECK(sign_ins.unlock(ada, 1s));
    CHECK(sign_ins.begin(ada, 1s));
}

TEST_CASE("two guesses for one person are never checked at the same time") {
    SignIns sign_ins;
    REQUIRE(sign_ins.begin(ada, 0s));
    const auto second = sign_ins.begin(ada, 0s);
    REQUIRE_FALSE(second);
    CHECK(second.error().why == AttemptRefusal::in_hand);

    sign_ins.not_checked(ada);
    CHECK(sign_ins.begin(ada, 0s));
}

TEST_CASE("the plant's rule says how many wrong secrets lock, and for how long") {
    SignIns sign_ins;
    sign_ins.follow({.wrong_secrets = 3, .lasts = 60s});
    Monotonic now{0};
    for (int i = 0; i < 3; ++i) {
        now += 20s;
        REQUIRE(sign_ins.begin(ada, now));
        CHECK(sign_ins.wrong(ada, now).locked == (i == 2));
    }
    CHECK(sign_ins.locked_for(ada, now) == 60s);
}

TEST_CASE("a lock from before a restart lasts for the rest of its time, and the next is longer") {
    SignIns sign_ins;
    sign_ins.lock_again(ada, 0s, 100s);
    CHECK(sign_ins.locked_for(ada, 0s) == 100s);
    CHECK_FALSE(sign_ins.begin(ada, 99s));
    Monotonic now{100s};
    for (int i = 0; i < 5; ++i) {
        REQUIRE(sign_ins.begin(ada, now));
        sign_ins.wrong(ada, now);
        now += 20s;
    }
    CHECK(sign_ins.locked_for(ada, now - 20s) == 30min);
}

TEST_CASE("a right secret that opens no session forgets the wrong ones before it") {
    SignIns sign_ins;
    REQUIRE(sign_ins.begin(ada, 0s));
    sign_ins.wrong(ada, 0s);
    REQUIRE(sign_ins.begin(ada, 20s));
    sign_ins.proven(ada);
    CHECK(sign_ins.open_sessions() == 0);
    REQUIRE(sign_ins.begin(ada, 20s));
    CHECK(sign_ins.wrong(ada, 20s).wrong == 1);
}
