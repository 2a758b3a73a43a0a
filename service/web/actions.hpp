// Turns the `action` of a decision request into what the person decides. One table names every action; its
// names are those of the API. Used by web/*.cpp only.
#pragma once

#include <span>
#include <string_view>

#include "service/interlock/event.hpp"
#include "service/web/body.hpp"
#include "service/web/station_port.hpp"

namespace tautgate::web {

// `body` holds exactly one member, named like the action. What cannot be read becomes a fault of `body`; the
// answer then means nothing. Fasteners come by their names in the plan of the bay's stay.
[[nodiscard]] interlock::Action read_action(Body& body, const StationPort& station,
                                            const interlock::BayId& bay);

// Which step of the plan a person has done; who has, and what was seen, is left to the caller.
[[nodiscard]] interlock::CheckConfirmed read_confirmation(Body& body, const StationPort& station,
                                                          const interlock::BayId& bay);

// What a person measured by hand; who did, and what was seen, is left to the caller.
[[nodiscard]] interlock::HandChecked read_hand_check(Body& body, const StationPort& station,
                                                     const interlock::BayId& bay);

// Which fastener a person says is next; who does, and what was seen, is left to the caller.
[[nodiscard]] interlock::FastenerSelected read_selection(Body& body, const StationPort& station,
                                                         const interlock::BayId& bay);

// In the order of the alternatives of interlock::Action.
[[nodiscard]] std::span<const std::string_view> action_names() noexcept;
[[nodiscard]] std::string_view name_of(const interlock::Action& action) noexcept;

}  // namespace tautgate::web
