// Somebody the station knows, as far as rules need to know them. Plain values; any thread.
#pragma once

#include <vector>

#include "config/station.hpp"
#include "service/domain/ids.hpp"

namespace tautgate::domain {

using config::Role;

struct Person {
    PersonNumber number;
    std::vector<Role> roles;
    bool suspended = false;
    bool operator==(const Person&) const = default;
};
TAUTGATE_FIELDS(Person, number, roles, suspended);

}  // namespace tautgate::domain
