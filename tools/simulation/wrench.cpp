#include "tools/simulation/wrench.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <span>
#include <utility>

#include "protocol/quantity.hpp"

namespace tautgate::simulation {

namespace {

constexpr double step = 0.25;  // degrees

bool origin_reached(const Program& program, const Bolt& bolt, double torque) {
    switch (program.origin) {
    case config::AngleOrigin::start: return true;
    case config::AngleOrigin::threshold_torque: return torque >= program.threshold;
    case config::AngleOrigin::snug_point: return bolt.faces_closed();
    case config::AngleOrigin::step_change: return bolt.in_contact();
    }
    return false;
}

bool inside(const Limits& limits, double value) { return value >= limits.min && value <= limits.max; }

void judge(Run& run, const Program& program) {
    if (!run.reason.empty())
        return;
    if (!inside(program.torque, run.torque))
        run.reason = run.torque < program.torque.min ? "torque low" : "torque high";
    else if (program.angle && !inside(*program.angle, run.angle))
        run.reason = run.angle < program.angle->min ? "angle low" : "angle high";
    run.ok = run.reason.empty();
}

Run begin(const Program& program, protocol::Direction direction) {
    Run run;
    run.direction = direction;
    run.program = program.name;
    if (direction == protocol::Direction::tighten) {
        run.torque_limits = program.torque;
        run.angle_limits = program.angle;
    }
    return run;
}

// Follows the motor's angle: the bolt's turn and the twist of the drive under torque.
class AngleCount {
  public:
    explicit AngleCount(double twist_per_nm) : twist_per_nm_(twist_per_nm) {}
    void turned(double degrees) noexcept { bolt_ += degrees; }
    [[nodiscard]] double bolt() const noexcept { return bolt_; }
    [[nodiscard]] double motor(double torque) const noexcept { return bolt_ + twist_per_nm_ * torque; }
    void set_origin(double torque) noexcept { origin_ = motor(torque); }
    [[nodiscard]] bool has_origin() const noexcept { return origin_.has_value(); }
    [[nodiscard]] double since_origin(double torque) const noexcept {
        return origin_ ? motor(torque) - *origin_ : 0;
    }

  private:
    double twist_per_nm_;
    double bolt_ = 0;
    std::optional<double> origin_;
};

// The end of the curve, where something happens there: the socket comes off, or the parts give.
void come_to_rest(Bolt& bolt, const Trigger& trigger, const TracePoint& stop, Run& run) {
    constexpr double comes_off_over = 0.2;  // degrees
    constexpr double left = 0.05;           // of the torque
    bolt.settle();
    if (trigger.slips_off) {
        run.trace.push_back(stop);
        run.trace.push_back({stop.angle + comes_off_over, left * stop.torque});
    } else if (bolt.design().settling > 0) {
        run.trace.push_back(stop);
        run.trace.push_back({stop.angle, bolt.torque_to_tighten(false)});
    }
}

double rounded(double value, double share_of_one) { return std::round(value / share_of_one) * share_of_one; }

}  // namespace

Program program_of(const config::Pass& pass) {
    const auto& window = pass.window;
    Program program;
    program.name = pass.program;
    program.torque = {protocol::in_newton_metres(window.torque.min),
                      protocol::in_newton_metres(window.torque.max)};
    program.shut_off = window.torque.target ? protocol::in_newton_metres(*window.torque.target)
                                            : (program.torque.min + program.torque.max) / 2;
    if (window.angle) {
        program.angle = {protocol::in_degrees(window.angle->min), protocol::in_degrees(window.angle->max)};
        program.origin = window.angle->origin;
        if (window.angle->threshold)
            program.threshold = protocol::in_newton_metres(*window.angle->threshold);
        // A tool that turned three times as far as ever asked for holds nothing.
        program.angle_abort = std::max(180.0, 3 * program.angle->max);
    }
    return program;
}

Run tighten(Bolt& bolt, const Program& program, const WrenchTraits& traits, Chance& chance,
            const Trigger& trigger) {
    Run run = begin(program, protocol::Direction::tighten);
    const double aim = program.shut_off * (1 + traits.shut_off_spread * chance.normal(0, 1));
    const double stop = aim * std::min(1.0, trigger.released_at);
    AngleCount angle{traits.twist_per_nm};

    double torque = bolt.torque_to_tighten(true);
    double peak = std::min(torque, stop);
    double beyond_contact = 0;
    const auto note_origin = [&] {
        if (angle.has_origin() || !origin_reached(program, bolt, torque))
            return;
        // A bolt that was tight already takes up torque without turning: the threshold lies on that way.
        const bool at_threshold = program.origin == config::AngleOrigin::threshold_torque;
        angle.set_origin(at_threshold ? program.threshold : angle.bolt() > 0 ? torque : 0);
    };
    note_origin();
    while (torque < stop) {
        bolt.tighten_by(step);
        angle.turned(step);
        torque = bolt.torque_to_tighten(false);
        peak = std::max(peak, std::min(torque, stop));
        note_origin();
        beyond_contact += bolt.in_contact() ? step : 0;
        if (bolt.in_contact() && std::fmod(angle.bolt(), 1.0) < step)
            run.trace.push_back({angle.motor(torque), torque});
        if (beyond_contact > program.angle_abort || angle.bolt() > traits.full_speed_turn) {
            run.reason = "no torque within the angle limit";
            break;
        }
    }
    if (run.reason.empty() && trigger.released_at < 1 && !trigger.slips_off)
        run.reason = "trigger released";
    come_to_rest(bolt, trigger, {angle.motor(torque), torque}, run);
    run.torque = peak * (1 + traits.measuring_spread * chance.normal(0, 1));
    run.angle = angle.since_origin(peak);
    judge(run, program);
    return run;
}

Run loosen(Bolt& bolt, const Program& program, const WrenchTraits& traits, Chance& chance) {
    Run run = begin(program, protocol::Direction::loosen);
    double peak = bolt.torque_to_loosen(true);
    double turned = 0;
    while (!bolt.at_its_start() && turned < traits.full_speed_turn) {
        bolt.loosen_by(step);
        turned += step;
        peak = std::max(peak, bolt.torque_to_loosen(false));
    }
    run.torque = peak * (1 + traits.measuring_spread * chance.normal(0, 1));
    run.angle = turned;
    run.ok = true;
    return run;
}

namespace {

protocol::Decimal decimal_in_steps(double value, std::int64_t resolution_millionths) {
    const double resolution = static_cast<double>(resolution_millionths) / 1e6;
    const auto steps = static_cast<std::int64_t>(std::llround(rounded(value, resolution) / resolution));
    std::int64_t mantissa = steps * resolution_millionths;
    std::int32_t exponent = -6;
    while (mantissa != 0 && mantissa % 10 == 0) {
        mantissa /= 10;
        ++exponent;
    }
    return mantissa == 0 ? protocol::Decimal{0, 0} : protocol::Decimal{mantissa, exponent};
}

}  // namespace

std::string in_steps(double value, std::int64_t resolution_millionths) {
    return protocol::to_text(decimal_in_steps(value, resolution_millionths));
}

std::optional<protocol::Trace> curve_of(const Run& run, const config::Tool& tool) {
    if (run.trace.empty())
        return std::nullopt;
    const std::size_t samples = std::min(run.trace.size(), protocol::trace_samples_limit);
    std::vector<protocol::Decimal> torque;
    std::vector<protocol::Decimal> angle;
    torque.reserve(samples);
    angle.reserve(samples);
    for (const TracePoint& point : std::span(run.trace).first(samples)) {
        torque.push_back(decimal_in_steps(point.torque, tool.torque_resolution.micro_nm));
        angle.push_back(decimal_in_steps(point.angle, tool.angle_resolution.micro_deg));
    }
    auto torques = protocol::column_of(torque, "torque");
    auto angles = protocol::column_of(angle, "the angle");
    if (!torques || !angles)
        return std::nullopt;  // beyond what any tool measures
    return protocol::Trace{.times = protocol::NoTimes{},
                           .torque_unit = protocol::TorqueUnit::newton_metre,
                           .torque = std::move(*torques),
                           .angle = std::move(*angles)};
}

protocol::WrittenResult written(const Run& run, const config::Tool& tool,
                                std::optional<std::uint32_t> position) {
    const auto torque = [&tool](double value) {
        return protocol::WrittenValue{in_steps(value, tool.torque_resolution.micro_nm), "N.m"};
    };
    const auto angle = [&tool](double value) {
        return protocol::WrittenValue{in_steps(value, tool.angle_resolution.micro_deg), "deg"};
    };
    protocol::WrittenResult result;
    result.program = run.program;
    result.direction = run.direction;
    result.aborted = run.aborted;
    result.torque = torque(run.torque);
    result.angle = angle(run.angle);
    result.verdict = run.ok ? protocol::ToolVerdict::ok : protocol::ToolVerdict::not_ok;
    result.reason = run.reason;
    if (run.torque_limits) {
        result.torque_min = torque(run.torque_limits->min);
        result.torque_max = torque(run.torque_limits->max);
    }
    if (run.angle_limits) {
        result.angle_min = angle(run.angle_limits->min);
        result.angle_max = angle(run.angle_limits->max);
    }
    result.position = position;
    return result;
}

}  // namespace tautgate::simulation
