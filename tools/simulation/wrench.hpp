// A power tool as it turns a bolt: runs down, shuts off at its program's torque, judges by the limits that
// it holds itself, and reports what it measured, not what is true. Pure but for the bolt and the chance that
// it is given. One thread at a time.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/line.hpp"
#include "protocol/trace.hpp"
#include "tools/simulation/bolt.hpp"

namespace tautgate::simulation {

// Limits inclusive; N·m and degrees.
struct Limits {
    double min = 0;
    double max = 0;
};

struct Program {
    std::string name;
    double shut_off = 0;  // N·m
    Limits torque;
    std::optional<Limits> angle;
    config::AngleOrigin origin = config::AngleOrigin::start;
    double threshold = 0;      // N·m, with AngleOrigin::threshold_torque
    double angle_abort = 540;  // degrees after contact at which the tool gives up
};

// Of one pass of a joint: the tool aims at the target, or at the middle of the window where there is none.
[[nodiscard]] Program program_of(const config::Pass& pass);

struct WrenchTraits {
    double shut_off_spread = 0.005;  // relative
    double measuring_spread = 0.002;
    double twist_per_nm = 0;        // degrees by which drive and socket twist under torque
    double full_speed_turn = 7200;  // degrees without any torque after which the tool gives up
};

struct TracePoint {
    double angle = 0;   // degrees since the start
    double torque = 0;  // N·m
};

// What the tool measured in one run.
struct Run {
    protocol::Direction direction = protocol::Direction::tighten;
    std::string program;
    double torque = 0;  // N·m
    double angle = 0;   // degrees from the program's origin
    bool aborted = false;
    bool ok = false;
    std::string reason;  // the tool's own word, empty when ok
    std::optional<Limits> torque_limits;
    std::optional<Limits> angle_limits;
    std::vector<TracePoint> trace;  // one point a degree, from contact on; then what came of it at the end
};

struct Trigger {
    // The operator lets go at this share of the torque aimed at; 1: lets the tool end by itself.
    double released_at = 1;
    bool slips_off = false;  // it is the socket that lets go there
};

[[nodiscard]] Run tighten(Bolt& bolt, const Program& program, const WrenchTraits& traits, Chance& chance,
                          const Trigger& trigger = {});
// Turns back until the bolt is free.
[[nodiscard]] Run loosen(Bolt& bolt, const Program& program, const WrenchTraits& traits, Chance& chance);

// The run as the line protocol writes it; numbers in steps of the tool's resolution. The counter is left to
// the tool.
[[nodiscard]] protocol::WrittenResult written(const Run& run, const config::Tool& tool,
                                              std::optional<std::uint32_t> position);

// The curve of the run as the tool sends it, torque over angle in steps of its resolution; nothing where the
// bolt was never in contact.
[[nodiscard]] std::optional<protocol::Trace> curve_of(const Run& run, const config::Tool& tool);

// A number in steps of `resolution` millionths, in decimal: 402.5
[[nodiscard]] std::string in_steps(double value, std::int64_t resolution_millionths);

}  // namespace tautgate::simulation
