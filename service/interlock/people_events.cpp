// Who the station knows, and which rules two people put in force.
#include <algorithm>
#include <utility>

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

// The second person of all cannot have a second.
bool takes_two(const State& state, const Person* before, const Person& after) {
    const bool approver = approves(after) || (before != nullptr && approves(*before));
    return approver && state.people.size() > 1;
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
    if (approves(*person)) {
        if (auto refused = second_missing(t.state, {suspended.person, suspended.by, suspended.seconded_by}))
            return *refused;
    }
    person->suspended = true;
    for (BayState& bay : t.state.bays) {
        if (bay.signed_on == suspended.person)
            sign_on(t, bay, std::nullopt);
    }
    return Applied{};
}

Outcome apply(Transition&, const SignInRefused&) { return Applied{}; }

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
    const std::vector<Role> proposers{Role::administrator, Role::manufacturing_engineer};
    if (!has_any(*by, proposers)) {
        return Refused{RefusalCode::not_entitled,
                       "an administrator or a manufacturing engineer must do this"};
    }
    if (!approves(*second))
        return Refused{RefusalCode::not_entitled, "an operator cannot approve rules"};
    if (t.state.rules == approved.revision)
        return Refused{RefusalCode::already_settled, "this revision is in force"};
    if (auto refused = needs_empty_bay(t, *station))
        return *refused;
    t.state.rules = approved.revision;
    take_in_parts(t.state, *station, approved.tokens);
    return Applied{};
}

}  // namespace tautgate::interlock
