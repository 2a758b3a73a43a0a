// Who the station knows, and which rules two people put in force.
#include <algorithm>

#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

using config::Role;

bool has_role(const Person& person, Role role) {
    return std::ranges::find(person.roles, role) != person.roles.end();
}

bool approves(const Person& person) {
    return std::ranges::any_of(person.roles, [](Role role) { return role != Role::line_operator; });
}

std::size_t administrators(const State& state) {
    return static_cast<std::size_t>(std::ranges::count_if(
        state.people, [](const Person& p) { return !p.suspended && has_role(p, Role::administrator); }));
}

std::optional<Refused> not_administrator(const State& state, PersonNumber number) {
    const Person* person = person_of(state, number);
    if (person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (!has_role(*person, Role::administrator))
        return Refused{RefusalCode::not_entitled, "an administrator must do this"};
    return std::nullopt;
}

void put_person(State& state, const Person& person) {
    const auto known = std::ranges::find(state.people, person.number, &Person::number);
    if (known == state.people.end()) {
        state.people.push_back(person);
    } else {
        *known = person;
    }
}

// Granting a role that approves takes a second administrator, or, while there is only one, anybody else who
// is enrolled. The second person of all cannot have a second.
std::optional<Refused> second_missing(const State& state, const PersonEnrolled& enrolled) {
    if (!approves(enrolled.person) || state.people.size() < 2)
        return std::nullopt;
    if (!enrolled.seconded_by) {
        return Refused{RefusalCode::needs_second_administrator,
                       "granting a role that approves takes two people"};
    }
    if (*enrolled.seconded_by == *enrolled.by || *enrolled.seconded_by == enrolled.person.number) {
        return Refused{RefusalCode::same_person_twice, ""};
    }
    const Person* second = person_of(state, *enrolled.seconded_by);
    if (second == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (second->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (administrators(state) > 1 && !has_role(*second, Role::administrator)) {
        return Refused{RefusalCode::needs_second_administrator, "another administrator must second this"};
    }
    return std::nullopt;
}

}  // namespace

Outcome apply(Transition& t, const PersonEnrolled& enrolled) {
    if (t.state.people.empty()) {
        if (!has_role(enrolled.person, Role::administrator)) {
            return Refused{RefusalCode::not_possible_now, "the first person must be an administrator"};
        }
        put_person(t.state, enrolled.person);
        return Applied{};
    }
    if (!enrolled.by)
        return Refused{RefusalCode::not_entitled, "an administrator must do this"};
    if (auto refused = not_administrator(t.state, *enrolled.by))
        return *refused;
    if (auto refused = second_missing(t.state, enrolled))
        return *refused;
    const Person* before = person_of(t.state, enrolled.person.number);
    const bool loses_last = before != nullptr && has_role(*before, Role::administrator) &&
                            (enrolled.person.suspended || !has_role(enrolled.person, Role::administrator)) &&
                            administrators(t.state) == 1;
    if (loses_last)
        return Refused{RefusalCode::not_possible_now, "the station would have no administrator"};
    put_person(t.state, enrolled.person);
    return Applied{};
}

Outcome apply(Transition& t, const PersonSuspended& suspended) {
    if (auto refused = not_administrator(t.state, suspended.by))
        return *refused;
    const auto person = std::ranges::find(t.state.people, suspended.person, &Person::number);
    if (person == t.state.people.end())
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::already_settled, ""};
    if (has_role(*person, Role::administrator) && administrators(t.state) == 1) {
        return Refused{RefusalCode::not_possible_now, "the station would have no administrator"};
    }
    person->suspended = true;
    for (BayState& bay : t.state.bays) {
        if (bay.signed_on == suspended.person)
            bay.signed_on.reset();
    }
    return Applied{};
}

Outcome apply(Transition&, const SignInRefused&) { return Applied{}; }

Outcome apply(Transition& t, const RulesApproved& approved) {
    const config::Station* station = rules_of(t.rules, approved.revision);
    if (station == nullptr)
        return Refused{RefusalCode::no_such_thing, "no such revision is known"};
    const Person* by = person_of(t.state, approved.by);
    const Person* second = person_of(t.state, approved.seconded_by);
    if (by == nullptr || second == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (by->suspended || second->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (by->number == second->number)
        return Refused{RefusalCode::same_person_twice, ""};
    const std::vector<Role> proposers{Role::administrator, Role::manufacturing_engineer};
    if (!has_any(*by, proposers)) {
        return Refused{RefusalCode::not_entitled,
                       "an administrator or a manufacturing engineer must do this"};
    }
    if (!approves(*second))
        return Refused{RefusalCode::not_entitled, "an operator cannot approve rules"};
    if (t.state.rules == approved.revision)
        return Refused{RefusalCode::already_settled, "this revision is in force"};
    t.state.rules = approved.revision;
    take_in_parts(t.state, *station, approved.tokens);
    return Applied{};
}

}  // namespace tautgate::interlock
