// Who is signed in, and how often who has tried in vain. A session is a random 256-bit token that stands for
// one person; it ends when unused, at the latest after a shift, and at once when the person is suspended.
// Wrong secrets are counted for each person: every further try has to wait twice as long, and after the fifth
// the person is locked for a time, or until another role unlocks. Attempts from elsewhere cannot
// make a session end. Knows no clock: `now` is monotonic time, given by the caller. Belongs to the loop's
// thread.
#pragma once

#include <array>
#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "config/station.hpp"
#include "service/interlock/state.hpp"

namespace tautgate::people {

using Monotonic = std::chrono::nanoseconds;

struct SignInPolicy {
    std::uint32_t wrong_before_lock = 5;
    std::chrono::seconds first_wait{1};  // after the first wrong secret; doubles with each
    std::chrono::seconds lock{15 * 60};  // doubles with each lock until a right secret
    std::chrono::seconds lock_longest{4 * 60 * 60};
    std::chrono::seconds session_longest{12 * 60 * 60};
    std::size_t sessions_of_person = 4;  // a further one ends the oldest
};

enum class AttemptRefusal : std::uint8_t {
    in_hand,  // another attempt for the same person is being checked
    too_soon,
    locked
};

struct AttemptRefused {
    AttemptRefusal why = AttemptRefusal::in_hand;
    std::chrono::seconds wait{0};  // rounded up
    bool first_of_lock = false;    // the first try against this lock: worth a record, the others are not
};

// After a wrong secret.
struct WrongSecret {
    std::uint32_t wrong = 0;       // since the last right one or lock
    std::chrono::seconds wait{0};  // before the next try
    bool locked = false;
};

struct OpenedSession {
    std::string token;  // 64 hex digits; shown once, kept by the client
    std::chrono::seconds ends_after{0};
};

class SignIns {
  public:
    explicit SignIns(SignInPolicy policy = {});

    // From now on, for what begins from now on.
    void follow(const config::LockRule& rule);
    // Of a lock that the record knows from before a restart: it lasts on.
    void lock_again(domain::PersonNumber person, Monotonic now, std::chrono::seconds lasts);

    // Before a secret is checked. Every begun attempt ends in right, proven, wrong or
    // not_checked.
    [[nodiscard]] std::expected<void, AttemptRefused> begin(domain::PersonNumber person, Monotonic now);
    [[nodiscard]] OpenedSession right(domain::PersonNumber person, Monotonic now, std::chrono::seconds idle);
    WrongSecret wrong(domain::PersonNumber person, Monotonic now);
    void not_checked(domain::PersonNumber person);
    // The secret was right, and no session is wanted.
    void proven(domain::PersonNumber person);

    // The person of the session, if it is alive and the person may act; the use renews it.
    [[nodiscard]] std::optional<domain::PersonNumber> person_of(std::string_view token, Monotonic now,
                                                                const interlock::State& state);
    // False: there was no such session.
    bool end(std::string_view token);
    void end_all_of(domain::PersonNumber person);

    [[nodiscard]] std::optional<std::chrono::seconds> locked_for(domain::PersonNumber person,
                                                                 Monotonic now) const;
    // False: the person was not locked.
    bool unlock(domain::PersonNumber person, Monotonic now);

    [[nodiscard]] std::size_t open_sessions() const noexcept { return sessions_.size(); }

  private:
    using Token = std::array<unsigned char, 32>;
    struct Session {
        Token token{};
        domain::PersonNumber person;
        Monotonic last_used{0};
        Monotonic ends{0};
        std::chrono::seconds idle{0};
    };
    struct Attempts {
        std::uint32_t wrong = 0;
        std::uint32_t locks = 0;
        bool in_hand = false;
        bool locked = false;
        bool lock_noted = false;
        Monotonic not_before{0};
    };

    void drop_dead(Monotonic now, const interlock::State& state);
    Session* find(std::string_view token);
    [[nodiscard]] std::chrono::seconds lock_time(std::uint32_t locks_before) const;

    SignInPolicy policy_;
    std::vector<Session> sessions_;  // oldest first
    std::map<domain::PersonNumber, Attempts> attempts_;
};

}  // namespace tautgate::people
