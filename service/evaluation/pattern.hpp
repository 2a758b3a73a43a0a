// What a bad tightening looks like, in the words of people who turn bolts, with what speaks for it and what
// to do. A pattern is a hint for whoever stands before the joint: it makes no verdict, takes none back, and
// several may fit. All of the rules stand in one table, in pattern.cpp. Pure; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "config/station.hpp"
#include "protocol/curve.hpp"
#include "protocol/describe.hpp"
#include "protocol/reading.hpp"

namespace tautgate::evaluation {

// The names are part of the HTTP interface: never rename one.
enum class Pattern : std::uint8_t {
    under_tightened,
    over_tightened,
    cross_threaded,
    stripped,
    part_missing,    // it turned further than parts of this kind let it
    short_way,       // tight after too few degrees: something in between, or a part too many
    bottomed,        // the bolt met the bottom of its hole, or the end of its thread
    rehit,           // it was tight before
    run_down_only,   // never more than the torque of turning freely
    slipped_off,     // the torque broke off on its way up
    stopped_early,   // it ended before its target, by its operator or by itself
    wrong_fastener,  // the torque rises more or less steeply than that of this joint
    yielded,         // stretched for good
    false_seat,      // something gave way before the parts met
    sticks_and_slips,
    relaxed  // torque was lost at the stop without turning, or a later pass turned far
};
TAUTGATE_ENUM(Pattern, under_tightened, over_tightened, cross_threaded, stripped, part_missing, short_way,
              bottomed, rehit, run_down_only, slipped_off, stopped_early, wrong_fastener, yielded, false_seat,
              sticks_and_slips, relaxed);

struct PatternText {
    std::string_view sentence;
    std::string_view advice;
};
[[nodiscard]] PatternText text_of(Pattern pattern) noexcept;

// N·m per degree that the torque of a joint rises by where all is well.
struct GradientRange {
    double lowest = 0;
    double highest = 0;
};
// Of what the plan limits; else of good tightenings of the joint in this pass, which friction alone may
// spread by a factor of 1.7 (from 0.08 to 0.16: friction class B of VDI 2230-1, from memory). Nothing: fewer
// than three are known.
[[nodiscard]] std::optional<GradientRange> usual_gradient(const config::Window& window,
                                                          std::vector<double> of_good_ones);

// What is known of one tightening.
struct PatternFacts {
    const config::Window& window;
    std::optional<protocol::Angle> rehit_angle_max{};
    const protocol::Reading& reading;
    const protocol::CurveShape* shape = nullptr;  // null: no curve, or none that could be read
    std::optional<GradientRange> gradient{};      // nothing: not known
    bool tightened_before = false;  // in an earlier pass, so that the parts were clamped already
};
struct SeenPattern {
    Pattern pattern = Pattern::under_tightened;
    std::string evidence;  // as people read it, with units
    bool operator==(const SeenPattern&) const = default;
};
// In the order of the table: what explains more comes first. Empty: nothing is odd.
[[nodiscard]] std::vector<SeenPattern> patterns_in(const PatternFacts& facts);

}  // namespace tautgate::evaluation
