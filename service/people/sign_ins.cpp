#include "service/people/sign_ins.hpp"

#include <algorithm>
#include <cassert>

#include <sodium.h>

#include "service/people/roster.hpp"

namespace tautgate::people {
namespace {

std::chrono::seconds rounded_up(Monotonic time) { return std::chrono::ceil<std::chrono::seconds>(time); }

// 2^exponent times the value, without running over for any count that attempts can reach.
std::chrono::seconds doubled(std::chrono::seconds value, std::uint32_t exponent) {
    return value * (std::int64_t{1} << std::min(exponent, 20U));
}

}  // namespace

SignIns::SignIns(SignInPolicy policy) : policy_(policy) {
    const bool ready = sodium_init() >= 0;
    assert(ready);
    assert(policy_.wrong_before_lock > 0);
    assert(policy_.sessions_of_person > 0);
}

void SignIns::follow(const config::LockRule& rule) {
    policy_.wrong_before_lock = rule.wrong_secrets;
    policy_.lock = rule.lasts;
}

void SignIns::lock_again(domain::PersonNumber person, Monotonic now, std::chrono::seconds lasts) {
    auto& attempts = attempts_[person];
    attempts.locked = true;
    attempts.locks = std::max(attempts.locks, 1U);
    attempts.not_before = std::max(attempts.not_before, now + lasts);
}

std::expected<void, AttemptRefused> SignIns::begin(domain::PersonNumber person, Monotonic now) {
    auto& attempts = attempts_[person];
    if (attempts.in_hand)
        return std::unexpected(
            AttemptRefused{.why = AttemptRefusal::in_hand, .wait = std::chrono::seconds{1}});
    if (now < attempts.not_before) {
        const bool first = attempts.locked && !attempts.lock_noted;
        attempts.lock_noted = attempts.lock_noted || attempts.locked;
        return std::unexpected(
            AttemptRefused{.why = attempts.locked ? AttemptRefusal::locked : AttemptRefusal::too_soon,
                           .wait = rounded_up(attempts.not_before - now),
                           .first_of_lock = first});
    }
    if (attempts.locked) {  // its time is over
        attempts.locked = false;
        attempts.lock_noted = false;
        attempts.wrong = 0;
    }
    attempts.in_hand = true;
    return {};
}

OpenedSession SignIns::right(domain::PersonNumber person, Monotonic now, std::chrono::seconds idle) {
    proven(person);
    const auto of_person = [&](const Session& session) { return session.person == person; };
    if (static_cast<std::size_t>(std::ranges::count_if(sessions_, of_person)) >= policy_.sessions_of_person)
        sessions_.erase(std::ranges::find_if(sessions_, of_person));

    Session session{.person = person, .last_used = now, .ends = now + policy_.session_longest, .idle = idle};
    randombytes_buf(session.token.data(), session.token.size());
    std::array<char, 2 * std::tuple_size_v<Token> + 1> hex{};
    sodium_bin2hex(hex.data(), hex.size(), session.token.data(), session.token.size());
    sessions_.push_back(session);
    return {.token = hex.data(), .ends_after = std::min(idle, policy_.session_longest)};
}

std::chrono::seconds SignIns::lock_time(std::uint32_t locks_before) const {
    return std::min(doubled(policy_.lock, locks_before), policy_.lock_longest);
}

WrongSecret SignIns::wrong(domain::PersonNumber person, Monotonic now) {
    auto& attempts = attempts_[person];
    assert(attempts.in_hand);
    attempts.in_hand = false;
    ++attempts.wrong;
    attempts.locked = attempts.wrong >= policy_.wrong_before_lock;
    const auto wait =
        attempts.locked ? lock_time(attempts.locks++) : doubled(policy_.first_wait, attempts.wrong - 1);
    attempts.not_before = now + wait;
    return {.wrong = attempts.wrong, .wait = wait, .locked = attempts.locked};
}

void SignIns::not_checked(domain::PersonNumber person) { attempts_[person].in_hand = false; }

void SignIns::proven(domain::PersonNumber person) {
    assert(attempts_.contains(person));
    attempts_.erase(person);
}

void SignIns::drop_dead(Monotonic now, const interlock::State& state) {
    std::erase_if(sessions_, [&](const Session& session) {
        const auto* person = find_person(state, session.person);
        return person == nullptr || person->suspended || now >= session.ends ||
               now - session.last_used >= session.idle;
    });
}

// Looks at every session, each in constant time, so that the time taken tells nothing about any token.
SignIns::Session* SignIns::find(std::string_view token) {
    Token wanted{};
    std::size_t length = 0;
    const char* end = nullptr;
    if (token.size() != 2 * wanted.size() ||
        sodium_hex2bin(wanted.data(), wanted.size(), token.data(), token.size(), nullptr, &length, &end) !=
            0 ||
        length != wanted.size() || end != token.data() + token.size())
        return nullptr;
    Session* found = nullptr;
    for (auto& session : sessions_)
        if (sodium_memcmp(session.token.data(), wanted.data(), wanted.size()) == 0)
            found = &session;
    return found;
}

std::optional<domain::PersonNumber> SignIns::person_of(std::string_view token, Monotonic now,
                                                       const interlock::State& state) {
    drop_dead(now, state);
    auto* session = find(token);
    if (session == nullptr)
        return std::nullopt;
    session->last_used = now;
    return session->person;
}

bool SignIns::end(std::string_view token) {
    const auto* session = find(token);
    if (session == nullptr)
        return false;
    sessions_.erase(sessions_.begin() + (session - sessions_.data()));
    return true;
}

void SignIns::end_all_of(domain::PersonNumber person) {
    std::erase_if(sessions_, [&](const Session& session) { return session.person == person; });
}

std::optional<std::chrono::seconds> SignIns::locked_for(domain::PersonNumber person, Monotonic now) const {
    const auto found = attempts_.find(person);
    if (found == attempts_.end() || !found->second.locked || now >= found->second.not_before)
        return std::nullopt;
    return rounded_up(found->second.not_before - now);
}

bool SignIns::unlock(domain::PersonNumber person, Monotonic now) {
    if (!locked_for(person, now))
        return false;
    const bool in_hand = attempts_[person].in_hand;
    attempts_[person] = Attempts{.in_hand = in_hand};
    return true;
}

}  // namespace tautgate::people
