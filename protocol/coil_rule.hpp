// The rule of simple equipment that knows coils and inputs only: one coil that is on while a movement is
// released, one that the station switches over with its beats, and what it shows the station in return.
// PERMISSIVE.md beside this file is the definition for the controls engineer. Pure; any thread.
//
// A coil carries no unit, no count and no check characters. So a release counts only if it was seen off since
// the unit came, since the last movement, and since the alive coil stood still last: a coil that is stuck on
// releases nothing, and one that was forgotten on releases nothing twice. And it must have been seen on from
// then at two changes of the alive coil: the station writes each release coil before it switches the alive
// coil over, so one wrong write is written over before it counts.
//
// In doubt nothing moves. This is a process permissive, an added reason not to move; it is not a safety
// function.
#pragma once

#include <cstdint>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

struct CoilSettings {
    std::uint32_t beat_limit_ms = 500;  // the alive coil that stands still for this long withholds
    std::uint32_t heartbeat_ms = 200;   // the heartbeat is switched over that often
    std::uint32_t moved_ms = 1000;      // for how long moved is shown after the release was seen off
    bool operator==(const CoilSettings&) const = default;
};
TAUTGATE_FIELDS(CoilSettings, beat_limit_ms, heartbeat_ms, moved_ms);

// What all permissives of a bay have in common. Nothing of it outlives a start of the program.
struct CoilLine {
    bool scanned = false;            // the first scan is over
    bool alive = false;              // the level last seen, which is also the echo
    std::uint64_t switched_ms = 0;   // when it was last seen to be switched over
    bool good = false;               // it has been since the start, and within the limit
    bool interrupted = false;        // it stood still until this scan, or does so now
    bool switched = false;           // it was switched over since the last scan
    bool heartbeat = false;          // the equipment's own
    std::uint64_t heartbeat_ms = 0;  // when it was last switched over
    bool operator==(const CoilLine&) const = default;
};
TAUTGATE_FIELDS(CoilLine, scanned, alive, switched_ms, good, interrupted, switched, heartbeat, heartbeat_ms);

// One scan: `alive` is the coil as it stands, `now_ms` a clock that never goes back.
[[nodiscard]] CoilLine coil_line_step(CoilLine line, const CoilSettings& settings, bool alive,
                                      std::uint64_t now_ms) noexcept;

struct CoilInputs {
    bool release = false;  // the coil as it stands
    bool present = false;  // debounced
    bool moved = false;    // rises once when the movement that the permissive names was made; debounced
    bool operator==(const CoilInputs&) const = default;
};
TAUTGATE_FIELDS(CoilInputs, release, present, moved);

struct CoilPointState {
    bool scanned = false;
    bool armed = false;    // the release was seen off since all that ends one
    bool seen_on = false;  // and then on at a change of the alive coil
    bool counts = false;   // and at the next one still
    bool release = false;  // as last seen
    bool present = false;
    bool moved = false;
    bool shows_moved = false;
    std::uint64_t not_off_ms = 0;  // when the release was last seen not to be off, or the line not to be good
    bool operator==(const CoilPointState&) const = default;
};
TAUTGATE_FIELDS(CoilPointState, scanned, armed, seen_on, counts, release, present, moved, shows_moved,
                not_off_ms);

// One scan of one permissive, after that of the line.
[[nodiscard]] CoilPointState coil_point_step(CoilPointState point, const CoilSettings& settings,
                                             const CoilLine& line, const CoilInputs& inputs,
                                             std::uint64_t now_ms) noexcept;

// The equipment ANDs it with its own conditions, never ORs it.
[[nodiscard]] bool may_move(const CoilLine& line, const CoilPointState& point) noexcept;

}  // namespace tautgate::protocol
