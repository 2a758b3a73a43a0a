// Who may decide what, and by how many, when the description says nothing and when it does.
#include <catch2/catch.hpp>

#include <array>
#include <string>
#include <vector>

#include <boost/describe/enumerators.hpp>
#include <boost/mp11/algorithm.hpp>

#include "config/entitlement.hpp"

using namespace tautgate::config;

namespace {

const std::vector<Role> deciders{Role::production_supervisor, Role::maintenance};

PeopleRules rules(std::vector<DecisionRule> matrix = {}) {
    PeopleRules people;
    people.decisions = deciders;
    people.matrix = std::move(matrix);
    return people;
}

}  // namespace

TEST_CASE("without a row decisions are as the station says, holds quality's and class A two people's") {
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<DecisionKind>>([](auto each) {
        for (const std::optional<RiskClass> risk :
             {std::optional<RiskClass>{}, {RiskClass::a}, {RiskClass::b}, {RiskClass::c}}) {
            std::vector<Role> roles = deciders;
            if (each.value == DecisionKind::lift_hold)
                roles = {Role::quality_engineer};
            if (each.value == DecisionKind::record_calibration)
                roles = {Role::maintenance, Role::quality_engineer};
            if (each.value == DecisionKind::place_bypass || each.value == DecisionKind::verify_restart)
                roles = {Role::quality_engineer, Role::manufacturing_engineer};
            if (each.value == DecisionKind::approve_rules)
                roles = {Role::administrator, Role::manufacturing_engineer};
            if (each.value == DecisionKind::unlock_person)
                roles = {Role::administrator, Role::quality_engineer, Role::production_supervisor};
            const bool moves_proof =
                each.value == DecisionKind::assign_result || each.value == DecisionKind::correct_ticket;
            const bool two =
                each.value == DecisionKind::approve_rules || (moves_proof && risk == RiskClass::a);
            INFO(each.name << (risk ? static_cast<int>(*risk) : -1));
            CHECK(entitlement(rules(), each.value, risk) == Entitlement{two ? 2U : 1U, roles});
        }
        CHECK(name_of(each.value) == each.name);
    });
}

TEST_CASE("a row for the class comes before one for every class, and no row asks for fewer than the class") {
    const std::vector<Role> quality{Role::quality_engineer};
    const std::vector<Role> others{Role::manufacturing_engineer};
    const auto people = rules({{DecisionKind::assign_result, {}, 1, others},
                               {DecisionKind::assign_result, RiskClass::b, 2, quality},
                               {DecisionKind::unit_has_left, {}, 2, others}});
    CHECK(entitlement(people, DecisionKind::assign_result, RiskClass::a) == Entitlement{2, others});
    CHECK(entitlement(people, DecisionKind::assign_result, RiskClass::b) == Entitlement{2, quality});
    CHECK(entitlement(people, DecisionKind::assign_result, RiskClass::c) == Entitlement{1, others});
    CHECK(entitlement(people, DecisionKind::assign_result, std::nullopt) == Entitlement{1, others});
    CHECK(entitlement(people, DecisionKind::unit_has_left, RiskClass::c) == Entitlement{2, others});
    CHECK(entitlement(people, DecisionKind::unit_still_here, RiskClass::c) == Entitlement{1, deciders});
}
