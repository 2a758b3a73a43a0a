// Who the station knows: what the rules need to know of people (State::people) joined with the names, badges
// and credentials kept beside the journal's chain. A record without a place in the state is nobody yet.
// Belongs to the loop's thread.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "service/interlock/state.hpp"
#include "service/people/record.hpp"

namespace tautgate::people {

// For showing. Never holds the credential.
struct KnownPerson {
    domain::PersonNumber number;
    std::string name;
    std::string badge;
    std::vector<domain::Role> roles;
    bool suspended = false;
    bool can_sign_in = false;                    // has a credential and is not suspended
    std::vector<interlock::Deputy> deputy = {};  // roles that they stand in for
    std::optional<interlock::SignInLock> lock = {};
    bool operator==(const KnownPerson&) const = default;
};

[[nodiscard]] const domain::Person* find_person(const interlock::State& state,
                                                domain::PersonNumber number) noexcept;
[[nodiscard]] bool has_role(const domain::Person& person, domain::Role role) noexcept;

class Roster {
  public:
    Roster() = default;
    explicit Roster(std::vector<PersonRecord> stored);

    // Call when the enrolling event is durable. Empty texts leave what was stored.
    void put(PersonRecord record);

    // Call when the event that takes the name out is durable.
    void erase_name(domain::PersonNumber number);

    [[nodiscard]] const PersonRecord* find(domain::PersonNumber number) const noexcept;
    [[nodiscard]] std::optional<domain::PersonNumber> by_badge(std::string_view badge) const noexcept;
    // "Ada Quill", or "person 7" for somebody whose name was never given or has been taken out.
    [[nodiscard]] std::string name_of(domain::PersonNumber number) const;

    // A number that nobody has or was promised before, 1 and up.
    [[nodiscard]] domain::PersonNumber promise_number(const interlock::State& state);

    [[nodiscard]] std::vector<KnownPerson> known(const interlock::State& state) const;

  private:
    std::map<domain::PersonNumber, PersonRecord> records_;
    std::uint32_t promised_ = 0;
};

}  // namespace tautgate::people
