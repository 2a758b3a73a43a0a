#include "service/people/check.hpp"

#include <algorithm>
#include <chrono>
#include <string>

namespace tautgate::people {
namespace {

using config::ConfigFinding;
using config::Role;
using config::Severity;

bool approves(Role role) noexcept { return role != Role::line_operator; }

bool only_operators(const std::vector<Role>& roles) noexcept {
    return !roles.empty() && std::ranges::none_of(roles, approves);
}

void check_roles(const std::vector<Role>& roles, const std::string& pointer, const std::string& act,
                 std::vector<ConfigFinding>& found) {
    if (only_operators(roles))
        found.push_back({Severity::error, pointer,
                         "only line operators may " + act + ", and they are who tightened",
                         "name a role besides line_operator"});
}

void check_overrides(const config::PeopleRules& rules, std::vector<ConfigFinding>& found) {
    for (std::size_t i = 0; i < rules.overrides.size(); ++i) {
        const auto& rule = rules.overrides[i];
        const auto pointer = "/people/overrides/" + std::to_string(i);
        check_roles(rule.roles, pointer + "/roles", "let a joint count without proof", found);
        if (rule.risk == config::RiskClass::a && rule.people < 2)
            found.push_back({Severity::error, pointer + "/people",
                             "one person alone could let a class A joint count without proof",
                             "ask for 2 people"});
    }
}

void check_sign_in(const config::PeopleRules& rules, std::vector<ConfigFinding>& found) {
    using namespace std::chrono_literals;
    if (rules.sign_in_lasts < 30s)
        found.push_back({Severity::error, "/people/sign_in_lasts",
                         "a sign-in ends after " + std::to_string(rules.sign_in_lasts.count()) +
                             " s, sooner than a second person can be fetched and sign in, too",
                         "give at least 30 s"});
    if (rules.sign_in_lasts > 8h)
        found.push_back(
            {Severity::warning, "/people/sign_in_lasts",
             "an unused sign-in outlasts a shift of 8 h, so that the next shift could act in its name",
             "give a few minutes"});
}

}  // namespace

std::vector<ConfigFinding> check(const config::Station& station) {
    std::vector<ConfigFinding> found;
    check_overrides(station.people, found);
    check_roles(station.people.leaving_incomplete, "/people/leaving_incomplete", "let a unit leave unproven",
                found);
    check_roles(station.people.decisions, "/people/decisions", "answer what the station asks", found);
    check_sign_in(station.people, found);
    return found;
}

}  // namespace tautgate::people
