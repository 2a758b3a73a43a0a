#include "service/people/roster.hpp"

#include <algorithm>
#include <cassert>
#include <iterator>
#include <limits>
#include <utility>

namespace tautgate::people {

const domain::Person* find_person(const interlock::State& state, domain::PersonNumber number) noexcept {
    const auto found = std::ranges::find(state.people, number, &domain::Person::number);
    return found == state.people.end() ? nullptr : &*found;
}

bool has_role(const domain::Person& person, domain::Role role) noexcept {
    return std::ranges::find(person.roles, role) != person.roles.end();
}

Roster::Roster(std::vector<PersonRecord> stored) {
    for (auto& record : stored)
        put(std::move(record));
}

void Roster::put(PersonRecord record) {
    auto& kept = records_[record.number];
    kept.number = record.number;
    if (!record.name.empty())
        kept.name = std::move(record.name);
    if (!record.badge.empty())
        kept.badge = std::move(record.badge);
    if (!record.credential.empty())
        kept.credential = std::move(record.credential);
}

void Roster::erase_name(domain::PersonNumber number) {
    const auto found = records_.find(number);
    if (found == records_.end())
        return;
    found->second.name.clear();
    found->second.badge.clear();
}

const PersonRecord* Roster::find(domain::PersonNumber number) const noexcept {
    const auto found = records_.find(number);
    return found == records_.end() ? nullptr : &found->second;
}

std::optional<domain::PersonNumber> Roster::by_badge(std::string_view badge) const noexcept {
    if (badge.empty())
        return std::nullopt;
    for (const auto& [number, record] : records_)
        if (record.badge == badge)
            return number;
    return std::nullopt;
}

std::string Roster::name_of(domain::PersonNumber number) const {
    const auto* record = find(number);
    return record == nullptr || record->name.empty() ? "person " + std::to_string(number.value)
                                                     : record->name;
}

domain::PersonNumber Roster::promise_number(const interlock::State& state) {
    auto highest = promised_;
    for (const auto& person : state.people)
        highest = std::max(highest, person.number.value);
    if (!records_.empty())
        highest = std::max(highest, records_.rbegin()->first.value);
    assert(highest < std::numeric_limits<std::uint32_t>::max());
    promised_ = highest + 1;
    return domain::PersonNumber{promised_};
}

std::vector<KnownPerson> Roster::known(const interlock::State& state) const {
    std::vector<KnownPerson> all;
    all.reserve(state.people.size());
    for (const auto& person : state.people) {
        const auto* record = find(person.number);
        std::vector<interlock::Deputy> deputy;
        std::ranges::copy_if(state.deputies, std::back_inserter(deputy),
                             [&](const interlock::Deputy& each) { return each.person == person.number; });
        const auto lock = std::ranges::find(state.locks, person.number, &interlock::SignInLock::person);
        all.push_back({.number = person.number,
                       .name = name_of(person.number),
                       .badge = record == nullptr ? std::string{} : record->badge,
                       .roles = person.roles,
                       .suspended = person.suspended,
                       .can_sign_in = !person.suspended && record != nullptr && !record->credential.empty(),
                       .deputy = std::move(deputy),
                       .lock = lock == state.locks.end() ? std::nullopt : std::optional(*lock)});
    }
    return all;
}

}  // namespace tautgate::people
