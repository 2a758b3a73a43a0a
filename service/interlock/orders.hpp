// Orders of the works and what units are joined from. Planning says what is to be built; the tickets of the
// unit in the bay must fit that, its order must be open, and no sub-assembly may be in another unit.
//
// Once a unit is known to be an order's, what the order said then is kept with its stay: an order that is
// cancelled or changed later withholds and says so, until people decide. Nothing is planned anew by itself.
// Rules without `orders` ask for none of it. Used by decide() only; pure.
#pragma once

#include <cstddef>
#include <string_view>
#include <vector>

#include "service/interlock/transition.hpp"

namespace tautgate::interlock {

// Every event is recorded with the whole state, so that what is open is bounded.
inline constexpr std::size_t open_orders_most = 1000;

[[nodiscard]] const Order* order_of(const State& state, std::string_view number);

// ---- the unit in the bay ------------------------------------------------------------------------------

// Takes the order of the unit, or notes what became of it since.
void follow_order(const Transition& t, Stay& stay);
// The unit is gone: its order is built, or may be built by this unit only.
void close_order(const Transition& t, const Stay& stay, Leaving how);
// What people decided about a sub-assembly that is not in the unit any more.
void forget_former_reuses(Stay& stay);

void order_holds(const State& state, const config::Station& station, const Stay& stay,
                 std::vector<Reason>& reasons);
void subassembly_holds(const State& state, const config::Station& station, const Stay& stay,
                       std::vector<Reason>& reasons);

// ---- decisions ----------------------------------------------------------------------------------------

// Something happened to it that people have not decided about.
[[nodiscard]] bool order_waits(const StayOrder& order);
[[nodiscard]] bool can_be_taken_anew(const State& state, const StayOrder& order);
void settle_order(const Transition& t, Stay& stay, OrderChoice choice);

// Tickets of sub-assemblies that are in another unit, as far as nobody decided otherwise.
// In a unit that left, or in one that stands at another bay.
[[nodiscard]] std::vector<Ticket> used_subassemblies(const State& state, const config::Station& station,
                                                     const Stay& stay);
// The unit of this stay leaves with what its tickets name: whoever has the same sub-assembly elsewhere is to
// know.
void leaves_with_subassemblies(Transition& t, const Stay& stay);
void accept_reuse(const Transition& t, const config::Station& station, Stay& stay, const Serial& serial);

}  // namespace tautgate::interlock
