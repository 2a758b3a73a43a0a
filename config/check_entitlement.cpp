// The authorisation matrix: rows that would lock everybody out, let an operator approve, or take away the
// second person whom the class asks for.
#include <algorithm>
#include <optional>
#include <string>
#include <vector>

#include "config/entitlement.hpp"
#include "config/findings.hpp"

namespace tautgate::config {

namespace {

constexpr std::uint32_t most_people = 2;

std::string row_name(const DecisionRule& row) {
    const std::string what = fmt::format("\"{}\"", name_of(row.decision));
    return row.risk ? fmt::format("{} in class {}", what, letter(*row.risk)) : what;
}

void check_people_of(Findings& findings, const DecisionRule& row, const std::string& pointer) {
    const std::uint32_t fewest = fewest_people(row.decision, row.risk);
    if (row.people < fewest) {
        findings.error(pointer + "/people",
                       fmt::format("{} takes {} different people, not {}", row_name(row), fewest, row.people),
                       fmt::format("give {}", fewest));
    }
    if (row.people == most_people && needs_no_unit(row.decision)) {
        findings.error(pointer + "/people",
                       fmt::format("{} may have to be decided while no unit is there, and a first signature "
                                   "waits with a unit: everybody would be locked out",
                                   row_name(row)),
                       "ask for 1 person, of a narrower role");
    }
}

void check_class_of(Findings& findings, const Station& station, const DecisionRule& row,
                    const std::string& pointer) {
    if (row.risk && !has_class(row.decision)) {
        findings.error(pointer + "/risk_class",
                       fmt::format("\"{}\" is about neither a joint nor a unit, so that it has no class",
                                   name_of(row.decision)),
                       "leave the key out");
        return;
    }
    const bool used = !row.risk || std::any_of(station.joints.begin(), station.joints.end(),
                                               [&](const Joint& joint) { return joint.risk == *row.risk; });
    if (!used) {
        findings.warning(
            pointer + "/risk_class",
            fmt::format("no joint of the station is of class {}: the row does nothing", letter(*row.risk)),
            "leave the row out, or give a class that is in use");
    }
}

void check_quality_lifts(Findings& findings, const DecisionRule& row, const std::string& pointer) {
    if (row.decision != DecisionKind::lift_hold) {
        return;
    }
    for (std::size_t index = 0; index < row.roles.size(); ++index) {
        if (row.roles[index] != Role::quality_engineer) {
            findings.error(fmt::format("{}/roles/{}", pointer, index),
                           "a quality hold stands until quality lifts it, and this role is another one",
                           "give quality_engineer alone, or leave the row out");
        }
    }
}

// Who is locked is unlocked by somebody with a role that the locked one has not.
void check_somebody_unlocks(Findings& findings, const DecisionRule& row, const std::string& pointer) {
    if (row.decision == DecisionKind::unlock_person && row.roles.size() == 1) {
        findings.error(
            pointer + "/roles",
            "somebody who is locked is unlocked by another role, and whoever has this one could be "
            "unlocked by nobody",
            "name a second role");
    }
}

}  // namespace

void check_matrix(Findings& findings, const Station& station) {
    const auto& matrix = station.people.matrix;
    for (std::size_t index = 0; index < matrix.size(); ++index) {
        const DecisionRule& row = matrix[index];
        const auto pointer = fmt::format("/people/matrix/{}", index);
        check_roles(findings, row.roles, pointer + "/roles", fmt::format("decide {}", row_name(row)));
        check_people_of(findings, row, pointer);
        check_class_of(findings, station, row, pointer);
        check_quality_lifts(findings, row, pointer);
        check_somebody_unlocks(findings, row, pointer);
    }
    check_unique(
        findings, matrix, row_name, [](std::size_t index) { return fmt::format("/people/matrix/{}", index); },
        "row of");
}

}  // namespace tautgate::config
