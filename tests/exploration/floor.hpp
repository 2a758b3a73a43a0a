// The shop floor of the exploration: what is physically so (and survives a crash of the station), what the
// station decided, and how much of that is on the disk; and everything that can happen next.
//
// The equipment and the tools are honest but may be cut off at any moment: they count on, and keep what was
// not acknowledged. Mishaps are counted, and a situation allows only so many; repairs are always possible.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "tests/unit/interlock/story.hpp"

namespace tautgate::exploration {

using namespace interlock;

struct Equipment {
    bool unit_there = false;
    std::uint16_t arrivals = 10;
    std::uint16_t departures = 10;
    std::uint16_t starts = 10;
    std::vector<Moved> moved;
    Token echoed;
    bool fault = false;
    // Of the stay that was begun for the very unit that is there now; zero from its arrival until then.
    Token units_own;
    bool operator==(const Equipment&) const = default;
};
TAUTGATE_FIELDS(Equipment, unit_there, arrivals, departures, starts, moved, echoed, fault, units_own);

enum class MadeIn : std::uint8_t { nobodys_time, last_stay, across, this_stay };
TAUTGATE_ENUM(MadeIn, nobodys_time, last_stay, across, this_stay);

// A result that the tool keeps until it is acknowledged.
struct Kept {
    protocol::Reading reading;
    MadeIn when = MadeIn::this_stay;
    bool operator==(const Kept&) const = default;
};
TAUTGATE_FIELDS(Kept, reading, when);

struct ToolOnFloor {
    std::string epoch = "e1";
    std::uint64_t made = 10;
    std::vector<Kept> kept;
    bool operator==(const ToolOnFloor&) const = default;
};
TAUTGATE_FIELDS(ToolOnFloor, epoch, made, kept);

struct Situation {
    Equipment equipment;
    std::vector<ToolOnFloor> tools;
    bool takes_orders = false;   // and nothing goes wrong with tools
    bool limits_curves = false;  // and little else goes wrong
    bool checks = false;         // mount is checked after it has relaxed; and little else goes wrong
    bool bypasses = false;       // cap may be done by hand for a while; and little else goes wrong
    bool relaxed = false;        // physically: nothing of mount was turned for long enough
    std::uint32_t arm_at = 0;    // physically, of T2; 0: at no fastener
    std::uint32_t mishaps_left = 0;
    std::uint32_t undurable = 0;   // events since the durable one
    std::optional<State> durable;  // where a crash leads back to; none: everything is durable
    State newest;
    [[nodiscard]] const State& on_disk() const { return durable ? *durable : newest; }
};

// How much goes wrong between the beginning and the situation looked at, at most.
inline constexpr std::uint32_t most_mishaps = 1;

struct Act {
    std::string name;
    bool mishap = false;
    bool recorded = true;  // an event, not something physical or of the disk
    Situation after;
    std::vector<Event> events;
    std::vector<Record> records;
    bool resent = false;  // a result that the station had counted before
};

[[nodiscard]] const RuleBook& rulebook();
// What may happen to tools, to orders, to curves, to passes and to bypasses is looked at apart: together it
// would be their product.
enum class About : std::uint8_t { tools, orders, curves, passes, bypasses };
// Curves are named for what they are.
inline constexpr const char* good_curve = "good";
[[nodiscard]] Situation in_service(std::uint32_t mishaps, About about, std::vector<Act>& told);
[[nodiscard]] std::vector<Act> everything_possible(const Situation& situation);
[[nodiscard]] WireOrder on_wire(const Situation& situation, const PermissiveState& permissive);

}  // namespace tautgate::exploration
