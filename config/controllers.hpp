// The controllers of a bay one by one: the main one, which tells of the unit, and the further ones, each with
// its line and with the permissives that it carries, in the order of their blocks. A permissive that no
// further one names belongs to the main one. Pure.
#pragma once

#include <string>
#include <vector>

#include "config/station.hpp"

namespace tautgate::config {

struct BayController {
    std::string id;  // empty: the main one
    const ControllerLink* link = nullptr;
    std::vector<const Permissive*> permissives;
    std::string key;  // its place in the description, below the bay's: "/further_controllers/0"
};

// The main one first. Points into the station, which must outlive the list.
[[nodiscard]] std::vector<BayController> controllers_of(const Station& station, const Bay& bay);

// The controller alone, as if it were all that the bay has: a description of one bay with its permissives.
[[nodiscard]] Station alone(const Station& station, const Bay& bay, const BayController& controller);

// For people: "its main controller", "controller carrier-plc".
[[nodiscard]] std::string name_of(const BayController& controller);

}  // namespace tautgate::config
