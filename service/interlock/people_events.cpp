// Who the station knows, and which rules two people put in force.
#include <algorithm>
#include <chrono>
#include <utility>

#include "config/entitlement.hpp"
#include "service/interlock/calibration.hpp"
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

// Stands in for others, which lets a person approve as well.
bool is_deputy(const State& state, PersonNumber number) {
    return std::ranges::find(state.deputies, number, &Deputy::person) != state.deputies.end();
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
        const Person before = std::exchange(*known, person);
        if (known->name_mark.empty())
            known->name_mark = before.name_mark;
        if (known->secret_mark.empty())
            known->secret_mark = before.secret_mark;
    }
}

// A change of who may approve.
struct Change {
    PersonNumber about;
    PersonNumber by;
    std::optional<PersonNumber> second;
};

bool is_third_administrator(const Person& person, const Change& change) {
    return !person.suspended && has_role(person, Role::administrator) && person.number != change.by &&
           person.number != change.about;
}

// It takes a second administrator, or, while there is none that it is not about, anybody else who is
// enrolled; but nobody whom the first alone let in: that would be the first once more.
std::optional<Refused> second_missing(const State& state, const Change& change) {
    if (!change.second) {
        return Refused{RefusalCode::needs_second_administrator,
                       "giving or taking a role that approves, or its secret, takes two people"};
    }
    if (*change.second == change.by || *change.second == change.about)
        return Refused{RefusalCode::same_person_twice, ""};
    const Person* second = person_of(state, *change.second);
    if (second == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (second->suspended)
        return Refused{RefusalCode::suspended, ""};
    const bool another =
        std::ranges::any_of(state.people, [&](const Person& p) { return is_third_administrator(p, change); });
    if (another && !has_role(*second, Role::administrator)) {
        return Refused{RefusalCode::needs_second_administrator, "another administrator must second this"};
    }
    const EnrolledAlone puppet{*change.second, change.by};
    if (std::ranges::find(state.enrolled_alone, puppet) != state.enrolled_alone.end()) {
        return Refused{RefusalCode::needs_second_administrator,
                       "the second person was enrolled, or given a secret, by the first alone"};
    }
    return std::nullopt;
}

// The second person of all cannot have a second. Whoever gave a deputy a secret could act as the deputy.
bool takes_two(const State& state, const Person* before, const Person& after) {
    const bool approver =
        approves(after) || (before != nullptr && approves(*before)) || is_deputy(state, after.number);
    return approver && state.people.size() > 1;
}

void suspend(const Transition& t, Person& person) {
    person.suspended = true;
    std::erase_if(t.state.deputies, [&](const Deputy& deputy) { return deputy.person == person.number; });
    for (BayState& bay : t.state.bays) {
        if (bay.signed_on == person.number)
            sign_on(t, bay, std::nullopt);
    }
}

void note_alone(State& state, const PersonEnrolled& enrolled, bool founding) {
    std::erase_if(state.enrolled_alone,
                  [&](const EnrolledAlone& each) { return each.person == enrolled.person.number; });
    if (!founding && !enrolled.seconded_by)
        state.enrolled_alone.push_back({enrolled.person.number, *enrolled.by});
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
    const Person* before = person_of(t.state, enrolled.person.number);
    const Change change{enrolled.person.number, *enrolled.by, enrolled.seconded_by};
    if (takes_two(t.state, before, enrolled.person) || enrolled.seconded_by) {
        if (auto refused = second_missing(t.state, change))
            return *refused;
    }
    const bool loses_last = before != nullptr && has_role(*before, Role::administrator) &&
                            (enrolled.person.suspended || !has_role(enrolled.person, Role::administrator)) &&
                            administrators(t.state) == 1;
    if (loses_last)
        return Refused{RefusalCode::not_possible_now, std::string(refusal::no_administrator)};
    note_alone(t.state, enrolled, t.state.people.size() < 2);
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
        return Refused{RefusalCode::not_possible_now, std::string(refusal::no_administrator)};
    }
    if (approves(*person) || is_deputy(t.state, suspended.person)) {
        if (auto refused = second_missing(t.state, {suspended.person, suspended.by, suspended.seconded_by}))
            return *refused;
    }
    suspend(t, *person);
    return Applied{};
}

// ---- attempts to sign in ------------------------------------------------------------------------------

namespace {

std::int64_t microseconds(std::chrono::microseconds time) { return time.count(); }

void forget_lock(State& state, PersonNumber person) {
    std::erase_if(state.locks, [&](const SignInLock& lock) { return lock.person == person; });
}

// Who may unlock: the roles of the matrix, without those that the locked person has.
std::vector<Role> roles_to_unlock(const Transition& t, const Person& locked) {
    const config::Station* station = rules_of(t.rules, t.state.rules);
    const config::PeopleRules rules = station != nullptr ? station->people : config::PeopleRules{};
    auto roles = config::entitlement(rules, config::DecisionKind::unlock_person, std::nullopt).roles;
    std::erase_if(roles, [&](Role role) { return has_role(locked, role); });
    return roles;
}

}  // namespace

Outcome apply(Transition& t, const SignInRefused& refused) {
    if (!refused.locked_for_s || person_of(t.state, refused.person) == nullptr)
        return Applied{};
    forget_lock(t.state, refused.person);
    const auto lasts = microseconds(std::chrono::seconds{*refused.locked_for_s});
    t.state.locks.push_back({refused.person, t.event.at.utc_us + lasts, t.now()});
    return Applied{};
}

Outcome apply(Transition& t, const PersonUnlocked& unlocked) {
    const Person* by = person_of(t.state, unlocked.by);
    const Person* locked = person_of(t.state, unlocked.person);
    if (by == nullptr || locked == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (by->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (by == locked || !may_act_as(t.state, *by, roles_to_unlock(t, *locked)))
        return Refused{RefusalCode::not_entitled, std::string(refusal::another_role)};
    if (std::ranges::find(t.state.locks, unlocked.person, &SignInLock::person) == t.state.locks.end())
        return Refused{RefusalCode::already_settled, "this person is not locked"};
    forget_lock(t.state, unlocked.person);
    return Applied{};
}

// ---- deputies -----------------------------------------------------------------------------------------

namespace {

bool names_deputies(const Person& person, Role role) {
    return has_role(person, Role::administrator) || has_role(person, role);
}

// The people and the role, without the time and the second person.
std::optional<Refused> deputy_fault(const State& state, const DeputyNamed& named) {
    const Person* by = person_of(state, named.by);
    const Person* person = person_of(state, named.person);
    if (by == nullptr || person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (by->suspended || person->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (named.role == Role::line_operator || named.role == Role::administrator) {
        return Refused{RefusalCode::not_possible_now,
                       "nobody stands in for an operator, who only signs on, or for an administrator"};
    }
    if (by == person || !names_deputies(*by, named.role)) {
        return Refused{RefusalCode::not_entitled,
                       "a deputy is named by an administrator, or by somebody else who has the role"};
    }
    if (has_role(*person, named.role))
        return Refused{RefusalCode::already_settled, "the person has this role"};
    return std::nullopt;
}

std::chrono::days longest_deputy(const Transition& t) {
    const config::Station* station = rules_of(t.rules, t.state.rules);
    return (station != nullptr ? station->people : config::PeopleRules{}).deputy_longest;
}

void forget_deputy(State& state, PersonNumber person, Role role) {
    std::erase_if(state.deputies,
                  [&](const Deputy& deputy) { return deputy.person == person && deputy.role == role; });
}

}  // namespace

Outcome apply(Transition& t, const DeputyNamed& named) {
    if (auto fault = deputy_fault(t.state, named))
        return *fault;
    const auto longest = longest_deputy(t);
    const std::int64_t now = t.event.at.utc_us;
    if (named.until_utc_us <= now || named.until_utc_us > now + microseconds(longest)) {
        return Refused{RefusalCode::not_possible_now,
                       std::string(refusal::deputy_ends) + std::to_string(longest.count()) + " days"};
    }
    if (auto refused = second_missing(t.state, {named.person, named.by, named.seconded_by}))
        return *refused;
    forget_deputy(t.state, named.person, named.role);
    t.state.deputies.push_back({named.person, named.role, named.until_utc_us, t.now()});
    return Applied{};
}

Outcome apply(Transition& t, const DeputyEnded& ended) {
    const Person* by = person_of(t.state, ended.by);
    if (by == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (by->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (by->number != ended.person && !names_deputies(*by, ended.role)) {
        return Refused{RefusalCode::not_entitled,
                       "it is ended by the deputy, by an administrator, or by who has the role"};
    }
    const std::size_t before = t.state.deputies.size();
    forget_deputy(t.state, ended.person, ended.role);
    if (t.state.deputies.size() == before)
        return Refused{RefusalCode::already_settled, "the person does not stand in for this role"};
    return Applied{};
}

// ---- the last administrator is lost -------------------------------------------------------------------

namespace {

bool is_active_administrator(const Person& person) {
    return !person.suspended && has_role(person, Role::administrator);
}

std::optional<Refused> replacement_fault(const State& state, const AdministratorReplaced& replaced) {
    if (state.people.empty()) {
        return Refused{RefusalCode::not_possible_now,
                       "nobody is enrolled yet: the first administrator is enrolled with the station's code"};
    }
    if (person_of(state, replaced.person.number) != nullptr || !is_active_administrator(replaced.person))
        return Refused{RefusalCode::not_possible_now, "the new one is somebody new, and an administrator"};
    for (const PersonNumber lost : replaced.lost) {
        const Person* person = person_of(state, lost);
        if (person == nullptr || !is_active_administrator(*person))
            return Refused{RefusalCode::no_such_thing,
                           "person " + std::to_string(lost.value) + " is no administrator"};
    }
    for (const Person& person : state.people) {
        const bool named = std::ranges::find(replaced.lost, person.number) != replaced.lost.end();
        if (is_active_administrator(person) && !named)
            return Refused{RefusalCode::not_possible_now, "person " + std::to_string(person.number.value) +
                                                              " " + std::string(refusal::not_lost)};
    }
    return std::nullopt;
}

}  // namespace

Outcome apply(Transition& t, const AdministratorReplaced& replaced) {
    if (auto fault = replacement_fault(t.state, replaced))
        return *fault;
    for (const PersonNumber lost : replaced.lost)
        suspend(t, *std::ranges::find(t.state.people, lost, &Person::number));
    put_person(t.state, replaced.person);
    t.alarm(AlarmCode::administrator_replaced, BayId{}, Serial{},
            "person " + std::to_string(replaced.person.number.value) +
                " was made administrator by whoever runs the station's computer");
    return Applied{};
}

// ---- names --------------------------------------------------------------------------------------------

Outcome apply(Transition& t, const NameErased& erased) {
    if (auto refused = not_administrator(t.state, erased.by))
        return *refused;
    const auto person = std::ranges::find(t.state.people, erased.person, &Person::number);
    if (person == t.state.people.end())
        return Refused{RefusalCode::unknown_person, ""};
    if (!person->suspended)
        return Refused{RefusalCode::not_possible_now, std::string(refusal::suspended_first)};
    if (person->name_mark.empty())
        return Refused{RefusalCode::already_settled, "no name is kept of this person"};
    if (auto refused = second_missing(t.state, {erased.person, erased.by, erased.seconded_by}))
        return *refused;
    person->name_mark.clear();
    return Applied{};
}

// ---- the own secret -----------------------------------------------------------------------------------

Outcome apply(Transition& t, const SecretRenewed& renewed) {
    const auto person = std::ranges::find(t.state.people, renewed.person, &Person::number);
    if (person == t.state.people.end())
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (renewed.secret_mark.empty())
        return Refused{RefusalCode::not_possible_now, "no new secret was given"};
    person->secret_mark = renewed.secret_mark;
    return Applied{};
}

// ---- rules --------------------------------------------------------------------------------------------

namespace {

// What a stay rests on that lies outside of its own rules: which equipment is wired to its bay, and whether
// that is real. Empty: nothing of it is changed.
std::string equipment_changed(const config::Station& then, const config::Station& now, const BayId& id) {
    const config::Bay* bay_then = bay_in(then, id);
    const config::Bay* bay_now = bay_in(now, id);
    if (bay_then == nullptr || bay_now == nullptr || bay_then->simulated != bay_now->simulated)
        return "bay " + id.text;
    for (const config::Tool& tool : then.tools) {
        if (!config::is_at(tool, id.text))
            continue;
        const config::Tool* kept = tool_in(now, ToolId{tool.id});
        if (kept == nullptr || config::bays_of(*kept) != config::bays_of(tool) ||
            kept->simulated != tool.simulated)
            return "tool " + tool.id;
    }
    return {};
}

std::optional<Refused> needs_empty_bay(const Transition& t, const config::Station& station) {
    for (const BayState& bay : t.state.bays) {
        const Stay* stay = stay_at(bay);
        const config::Station* then = stay != nullptr ? rules_of(t.rules, stay->rules) : nullptr;
        if (then == nullptr)
            continue;
        if (const std::string changed = equipment_changed(*then, station, bay.id); !changed.empty())
            return Refused{RefusalCode::not_possible_now,
                           changed +
                               " is moved, taken away or changed between real and simulated while a unit "
                               "is at bay " +
                               bay.id.text + "; approve it when the bay is empty"};
    }
    return std::nullopt;
}

// By the rules in force, not by those that are to come.
std::vector<Role> proposers_of_rules(const Transition& t) {
    const config::Station* station = rules_of(t.rules, t.state.rules);
    const config::PeopleRules rules = station != nullptr ? station->people : config::PeopleRules{};
    return config::entitlement(rules, config::DecisionKind::approve_rules, std::nullopt).roles;
}

}  // namespace

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
    if (!may_act_as(t.state, *by, proposers_of_rules(t))) {
        return Refused{RefusalCode::not_entitled, "the first of the two has no role for this"};
    }
    if (!approves(*second) && !is_deputy(t.state, second->number))
        return Refused{RefusalCode::not_entitled, "an operator cannot approve rules"};
    if (t.state.rules == approved.revision)
        return Refused{RefusalCode::already_settled, "this revision is in force"};
    if (auto refused = needs_empty_bay(t, *station))
        return *refused;
    t.state.rules = approved.revision;
    take_in_parts(t.state, *station, approved.tokens);
    watch_calibrations(*station, t.state);
    settle_calibrations(t.rules, t.state, t.event.at.utc_us);
    return Applied{};
}

}  // namespace tautgate::interlock
