// Where the fields of a result lie, each with its place in the profile: for those who look at its addresses.
// Pure; any thread.
#pragma once

#include <string>
#include <vector>

#include "protocol/register_plan.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

struct RegisterPlace {
    std::string place;  // in the profile: "/torque/field"
    FieldPlace at;
};
[[nodiscard]] std::vector<RegisterPlace> places_in(const RegisterProfile& profile);

}  // namespace tautgate::protocol
