// Somebody the station knows, as far as rules need to know them. Plain values; any thread.
#pragma once

#include <string>
#include <vector>

#include "config/station.hpp"
#include "service/domain/ids.hpp"

namespace tautgate::domain {

using config::Role;

struct Person {
    PersonNumber number;
    std::vector<Role> roles;
    bool suspended = false;
    // By which the name and the secret are known again that are kept beside the record. In an enrolment,
    // empty: as before.
    std::string name_mark = {};
    std::string secret_mark = {};
    bool operator==(const Person&) const = default;
};
TAUTGATE_FIELDS(Person, number, roles, suspended, name_mark, secret_mark);

}  // namespace tautgate::domain
