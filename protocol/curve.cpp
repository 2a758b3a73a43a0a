#include "protocol/curve.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>
#include <utility>

#include "protocol/quantity.hpp"

namespace tautgate::protocol {
namespace {

constexpr std::size_t fewest_points = 10;
constexpr std::size_t most_steps = 2000;
constexpr double finest_step_deg = 0.05;
constexpr double turned_back_deg = 5;

// Shares of the rise from the prevailing torque to the peak between which the clamp line is looked for.
constexpr double clamp_from = 0.3;
constexpr double clamp_to = 0.8;
constexpr std::size_t fewest_on_line = 5;
constexpr std::size_t most_on_line = 96;  // slopes grow with its square

constexpr double yield_share = 0.5;
constexpr double bottom_share = 2.5;
// Of the clamp line's own length, over which a gradient is looked at; never less than so many degrees.
constexpr double look_share = 0.15;
constexpr double look_least_deg = 1;
constexpr double seat_drop_share = 0.3;

double median(std::vector<double>& values) {
    const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::ranges::nth_element(values, middle);
    if (values.size() % 2 != 0)
        return *middle;
    return (*middle + *std::max_element(values.begin(), middle)) / 2;
}

// ---- even steps -----------------------------------------------------------------------------------------

// Samples that go forward; of several at one angle the highest, so that no peak is lost.
std::expected<std::vector<CurvePoint>, CurveFault> going_forward(const std::vector<CurvePoint>& samples) {
    std::vector<CurvePoint> forward;
    forward.reserve(samples.size());
    for (const CurvePoint& sample : samples) {
        if (forward.empty() || sample.angle > forward.back().angle) {
            forward.push_back(sample);
            continue;
        }
        if (sample.angle < forward.back().angle - turned_back_deg)
            return std::unexpected(CurveFault::turns_back);
        if (sample.angle == forward.back().angle)
            forward.back().torque = std::max(forward.back().torque, sample.torque);
    }
    return forward;
}

std::vector<CurvePoint> in_even_steps(const std::vector<CurvePoint>& forward) {
    const double first = forward.front().angle;
    const double length = forward.back().angle - first;
    const double finest = std::max(finest_step_deg, length / static_cast<double>(most_steps));
    const auto steps = std::max<std::size_t>(
        fewest_points, std::min(forward.size() - 1, static_cast<std::size_t>(length / finest)));
    std::vector<CurvePoint> even;
    even.reserve(steps + 1);
    std::size_t next = 1;
    for (std::size_t i = 0; i <= steps; ++i) {
        const double angle = first + length * static_cast<double>(i) / static_cast<double>(steps);
        while (next + 1 < forward.size() && forward[next].angle < angle)
            ++next;
        const CurvePoint& from = forward[next - 1];
        const CurvePoint& to = forward[next];
        const double share = std::clamp((angle - from.angle) / (to.angle - from.angle), 0.0, 1.0);
        even.push_back({angle, std::lerp(from.torque, to.torque, share)});
    }
    return even;
}

// The middle of five neighbours: one wild sample is gone, a steady rise is unchanged.
std::vector<CurvePoint> smoothed(const std::vector<CurvePoint>& points) {
    std::vector<CurvePoint> smooth = points;
    for (std::size_t i = 2; i + 2 < points.size(); ++i) {
        std::array<double, 5> near{points[i - 2].torque, points[i - 1].torque, points[i].torque,
                                   points[i + 1].torque, points[i + 2].torque};
        std::ranges::nth_element(near, near.begin() + 2);
        smooth[i].torque = near[2];
    }
    return smooth;
}

// ---- the clamp line -------------------------------------------------------------------------------------

std::vector<CurvePoint> thinned(std::span<const CurvePoint> points) {
    if (points.size() <= most_on_line)
        return {points.begin(), points.end()};
    std::vector<CurvePoint> few;
    few.reserve(most_on_line);
    for (std::size_t i = 0; i < most_on_line; ++i)
        few.push_back(points[i * (points.size() - 1) / (most_on_line - 1)]);
    return few;
}

// Of what lies before the torque first leaves its lowest fifth; a curve that begins in the rise has none.
std::optional<double> prevailing_of(const std::vector<CurvePoint>& points, double peak) {
    constexpr double still_free = 0.2;
    std::vector<double> free;
    for (const CurvePoint& point : points) {
        if (point.torque > still_free * peak)
            break;
        free.push_back(point.torque);
    }
    if (free.size() < fewest_points)
        return std::nullopt;
    return std::max(0.0, median(free));
}

struct Rise {
    std::size_t begin = 0;
    std::size_t end = 0;  // one behind the last
};
// From the last time that the torque was below the one share to the first time that it is above the other.
Rise rise_of(const std::vector<CurvePoint>& points, double low, double high) {
    const auto top =
        std::ranges::find_if(points, [&](const CurvePoint& point) { return point.torque >= high; });
    const auto end = static_cast<std::size_t>(top - points.begin());
    std::size_t begin = end;
    while (begin > 0 && points[begin - 1].torque >= low)
        --begin;
    return {begin, end};
}

// The gradient of the points in between, by least squares.
double gradient_over(std::span<const CurvePoint> points) {
    double angles = 0;
    double torques = 0;
    for (const CurvePoint& point : points) {
        angles += point.angle;
        torques += point.torque;
    }
    const auto count = static_cast<double>(points.size());
    double both = 0;
    double squares = 0;
    for (const CurvePoint& point : points) {
        const double turn = point.angle - angles / count;
        both += turn * (point.torque - torques / count);
        squares += turn * turn;
    }
    return both / squares;
}

// The first point from which on the gradient stays so until the end; nothing: it does not.
template <class Holds>
std::optional<CurvePoint> from_where(std::span<const CurvePoint> points, std::size_t window, Holds holds) {
    std::optional<std::size_t> since;
    for (std::size_t i = 0; i + window <= points.size(); ++i) {
        if (!holds(gradient_over(points.subspan(i, window))))
            since.reset();
        else if (!since)
            since = i;
    }
    if (!since)
        return std::nullopt;
    return points[*since + window / 2];
}

std::size_t window_of(const std::vector<CurvePoint>& points, const ClampLine& line) {
    const double step = points[1].angle - points[0].angle;
    const double wanted = std::max(look_least_deg, look_share * (line.to - line.from));
    return std::max<std::size_t>(3, static_cast<std::size_t>(std::ceil(wanted / step)) + 1);
}

void look_behind(CurveShape& shape, const std::vector<CurvePoint>& smooth) {
    const ClampLine& line = *shape.clamp;
    const std::size_t window = window_of(smooth, line);
    const auto first = std::ranges::find_if(
        smooth, [&](const CurvePoint& point) { return point.angle >= (line.from + line.to) / 2; });
    const std::span<const CurvePoint> rest(first, smooth.end());
    shape.yield = from_where(rest, window, [&](double g) { return g < yield_share * line.gradient; });
    shape.bottomed = from_where(rest, window, [&](double g) { return g > bottom_share * line.gradient; });
}

std::optional<FalseSeating> false_seat_in(const std::vector<CurvePoint>& smooth, std::size_t clamp_begin,
                                          double prevailing, double low) {
    const std::span<const CurvePoint> before(smooth.data(), clamp_begin);
    if (before.empty())
        return std::nullopt;
    const auto top = std::ranges::max_element(before, {}, &CurvePoint::torque);
    if (top->torque <= low)
        return std::nullopt;
    const auto bottom = std::ranges::min_element(top, before.end(), {}, &CurvePoint::torque);
    if (top->torque - bottom->torque < seat_drop_share * (top->torque - prevailing))
        return std::nullopt;
    return FalseSeating{*top, *bottom};
}

double reversals_in(std::span<const CurvePoint> points, double gradient) {
    std::size_t turns = 0;
    std::size_t steps = 0;
    double before = 0;
    for (std::size_t i = 1; i < points.size(); ++i) {
        const double rise =
            points[i].torque - points[i - 1].torque - gradient * (points[i].angle - points[i - 1].angle);
        turns += i > 1 && (rise > 0) != (before > 0) ? 1 : 0;
        steps += i > 1 ? 1 : 0;
        before = rise;
    }
    return steps == 0 ? 0 : static_cast<double>(turns) / static_cast<double>(steps);
}

}  // namespace

std::string_view text_of(CurveFault fault) noexcept {
    switch (fault) {
    case CurveFault::no_angle: return "the curve has no angle, only times";
    case CurveFault::too_short: return "the curve has fewer than ten points that go forward";
    case CurveFault::turns_back: return "the curve turns back by more than five degrees";
    case CurveFault::no_torque: return "the curve never rises above zero";
    }
    return "";
}

std::expected<Curve, CurveFault> curve_of(std::vector<CurvePoint> samples) {
    auto forward = going_forward(samples);
    if (!forward)
        return std::unexpected(forward.error());
    if (forward->size() < fewest_points)
        return std::unexpected(CurveFault::too_short);
    const CurvePoint peak = *std::ranges::max_element(*forward, {}, &CurvePoint::torque);
    if (!(peak.torque > 0))
        return std::unexpected(CurveFault::no_torque);
    auto even = in_even_steps(*forward);
    return Curve{std::move(even), peak, samples.back(), std::move(*forward)};
}

std::expected<Curve, CurveFault> curve_of(const Trace& trace) {
    if (!trace.angle)
        return std::unexpected(CurveFault::no_angle);
    std::vector<CurvePoint> samples;
    samples.reserve(trace.samples());
    for (std::size_t i = 0; i < trace.samples(); ++i)
        samples.push_back({in_degrees(*angle_at(trace, i)), in_newton_metres(torque_at(trace, i))});
    return curve_of(std::move(samples));
}

std::optional<ClampLine> fitted_line(const std::vector<CurvePoint>& points) {
    if (points.size() < fewest_on_line)
        return std::nullopt;
    const auto few = thinned(points);
    std::vector<double> slopes;
    slopes.reserve(few.size() * (few.size() - 1) / 2);
    for (std::size_t i = 0; i < few.size(); ++i)
        for (std::size_t j = i + 1; j < few.size(); ++j)
            if (few[j].angle != few[i].angle)
                slopes.push_back((few[j].torque - few[i].torque) / (few[j].angle - few[i].angle));
    if (slopes.empty())
        return std::nullopt;
    ClampLine line{.gradient = median(slopes), .from = points.front().angle, .to = points.back().angle};
    std::vector<double> offsets;
    offsets.reserve(few.size());
    for (const CurvePoint& point : few)
        offsets.push_back(point.torque - line.gradient * point.angle);
    line.offset = median(offsets);
    double beside = 0;
    for (const double offset : offsets)
        beside += std::abs(offset - line.offset) / static_cast<double>(offsets.size());
    const double middle = std::abs(line.at((line.from + line.to) / 2));
    line.spread = middle > 0 ? beside / middle : 0;
    return line;
}

CurveShape shape_of(const Curve& curve) {
    const auto smooth = smoothed(curve.points);
    CurveShape shape{.peak = curve.peak, .stop_angle = curve.stop.angle, .stop_torque = curve.stop.torque};
    const auto prevailing = prevailing_of(smooth, curve.peak.torque);
    shape.ran_down = prevailing.has_value();
    shape.prevailing = prevailing.value_or(0);
    // A rise at the stop itself is no loss.
    const bool at_the_stop = curve.stop.angle >= curve.points.back().angle - turned_back_deg;
    shape.relaxed = at_the_stop ? std::max(0.0, curve.points.back().torque - curve.stop.torque) : 0;
    const double rise = curve.peak.torque - shape.prevailing;
    const double low = shape.prevailing + clamp_from * rise;
    const Rise straight = rise_of(smooth, low, shape.prevailing + clamp_to * rise);
    const std::vector<CurvePoint> on_it(curve.points.begin() + static_cast<std::ptrdiff_t>(straight.begin),
                                        curve.points.begin() + static_cast<std::ptrdiff_t>(straight.end));
    shape.false_seat = false_seat_in(smooth, straight.begin, shape.prevailing, low);
    auto line = fitted_line(on_it);
    if (!line || !(line->gradient > 0))
        return shape;
    shape.clamp = line;
    shape.snug = (shape.prevailing - line->offset) / line->gradient;
    shape.reversals = reversals_in(on_it, line->gradient);
    look_behind(shape, smooth);
    return shape;
}

std::optional<double> CurveShape::turned_since_snug() const noexcept {
    return snug ? std::optional(stop_angle - *snug) : std::nullopt;
}

std::optional<CurveDisagreement> disagreement(const Curve& curve, const Reading& reading,
                                              std::optional<Torque> threshold,
                                              const CurveTolerance& tolerance) {
    CurveDisagreement found{.curve_torque = curve.peak.torque};
    if (const auto* torque = std::get_if<Torque>(&reading.torque)) {
        const double said = in_newton_metres(*torque);
        found.torque = std::abs(said - curve.peak.torque) > tolerance.torque_share * curve.peak.torque;
    }
    double origin = curve.points.front().angle;
    if (threshold) {
        const double level = in_newton_metres(*threshold);
        const auto passed = std::ranges::find_if(
            curve.points, [&](const CurvePoint& point) { return point.torque >= level; });
        if (passed != curve.points.end())
            origin = passed->angle;
    }
    found.curve_angle = curve.points.back().angle - origin;
    if (const auto* angle = std::get_if<Angle>(&reading.angle))
        found.angle = std::abs(in_degrees(*angle) - found.curve_angle) > tolerance.angle_deg;
    return found.torque || found.angle ? std::optional(found) : std::nullopt;
}

}  // namespace tautgate::protocol
