#include "config/entitlement.hpp"

#include <algorithm>

#include <boost/describe/enumerators.hpp>
#include <boost/mp11/algorithm.hpp>

namespace tautgate::config {
namespace {

const DecisionRule* row_of(const PeopleRules& people, DecisionKind what, std::optional<RiskClass> risk) {
    const auto found = std::ranges::find_if(
        people.matrix, [&](const DecisionRule& row) { return row.decision == what && row.risk == risk; });
    return found == people.matrix.end() ? nullptr : &*found;
}

// Quality lifts what quality holds; who is locked is let in again by others than administrators, too, since
// one of those may be the one who is locked.
std::vector<Role> usual_roles(const PeopleRules& people, DecisionKind what) {
    switch (what) {
    case DecisionKind::lift_hold: return {Role::quality_engineer};
    case DecisionKind::record_calibration: return {Role::maintenance, Role::quality_engineer};
    case DecisionKind::place_bypass:
    case DecisionKind::verify_restart: return {Role::quality_engineer, Role::manufacturing_engineer};
    case DecisionKind::approve_rules: return {Role::administrator, Role::manufacturing_engineer};
    case DecisionKind::unlock_person:
        return {Role::administrator, Role::quality_engineer, Role::production_supervisor};
    case DecisionKind::take_back_override:
    case DecisionKind::accept_gap:
    case DecisionKind::accept_source:
    case DecisionKind::unlock_fastener:
    case DecisionKind::assign_result:
    case DecisionKind::set_result_aside:
    case DecisionKind::unit_still_here:
    case DecisionKind::unit_has_left:
    case DecisionKind::correct_ticket:
    case DecisionKind::accept_return:
    case DecisionKind::acknowledge_move:
    case DecisionKind::rearm_permissive:
    case DecisionKind::dispose_set_aside:
    case DecisionKind::accept_difference:
    case DecisionKind::place_hold:
    case DecisionKind::settle_order:
    case DecisionKind::end_bypass:
    case DecisionKind::witness_joint:
    case DecisionKind::accept_reuse: return people.decisions;
    }
    return {};
}

}  // namespace

Entitlement entitlement(const PeopleRules& people, DecisionKind what, std::optional<RiskClass> risk) {
    const std::uint32_t fewest = fewest_people(what, risk);
    const DecisionRule* row = risk ? row_of(people, what, risk) : nullptr;
    if (row == nullptr)
        row = row_of(people, what, std::nullopt);
    if (row == nullptr)
        return {fewest, usual_roles(people, what)};
    return {std::max(row->people, fewest), row->roles};
}

std::string_view name_of(DecisionKind what) noexcept {
    std::string_view name;
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<DecisionKind>>([&](auto each) {
        if (each.value == what)
            name = each.name;
    });
    return name;
}

bool has_class(DecisionKind what) noexcept {
    return what != DecisionKind::place_hold && what != DecisionKind::lift_hold &&
           what != DecisionKind::approve_rules && what != DecisionKind::unlock_person;
}

bool needs_no_unit(DecisionKind what) noexcept {
    return what == DecisionKind::accept_gap || what == DecisionKind::accept_source ||
           what == DecisionKind::record_calibration || what == DecisionKind::place_hold ||
           what == DecisionKind::lift_hold || what == DecisionKind::place_bypass ||
           what == DecisionKind::end_bypass || what == DecisionKind::verify_restart ||
           what == DecisionKind::unlock_person;
}

std::uint32_t fewest_people(DecisionKind what, std::optional<RiskClass> risk) noexcept {
    if (what == DecisionKind::approve_rules)
        return 2;
    const bool moves_proof = what == DecisionKind::assign_result || what == DecisionKind::correct_ticket;
    return moves_proof && risk == RiskClass::a ? 2 : 1;
}

}  // namespace tautgate::config
