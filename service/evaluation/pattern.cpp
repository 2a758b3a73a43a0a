#include "service/evaluation/pattern.hpp"

#include <algorithm>
#include <array>

#include <fmt/format.h>

namespace tautgate::evaluation {
namespace {

using config::Window;
using protocol::Angle;
using protocol::CurveShape;
using protocol::to_text;
using protocol::Torque;

// What the rules ask for; each is false where it is not known.
class Known {
  public:
    explicit Known(const PatternFacts& facts)
        : facts_(facts), torque_(std::get_if<Torque>(&facts.reading.torque)),
          angle_(std::get_if<Angle>(&facts.reading.angle)) {}

    [[nodiscard]] bool tightening() const { return facts_.reading.direction == protocol::Direction::tighten; }
    [[nodiscard]] bool torque_low() const { return torque_ != nullptr && *torque_ < window().torque.min; }
    [[nodiscard]] bool torque_high() const { return torque_ != nullptr && *torque_ > window().torque.max; }
    [[nodiscard]] bool torque_reached() const { return torque_ != nullptr && !torque_low(); }
    [[nodiscard]] bool angle_low() const {
        return angle_ != nullptr && window().angle && *angle_ < window().angle->min;
    }
    [[nodiscard]] bool angle_high() const {
        return angle_ != nullptr && window().angle && *angle_ > window().angle->max;
    }
    [[nodiscard]] bool hardly_turned() const {
        return angle_ != nullptr && facts_.rehit_angle_max && *angle_ <= *facts_.rehit_angle_max;
    }
    // Less than a fifth of what is asked for: no thread was under load.
    [[nodiscard]] bool free_torque_only() const {
        constexpr std::int64_t share = 5;
        return torque_ != nullptr && torque_->micro_nm * share < window().torque.min.micro_nm;
    }
    [[nodiscard]] const CurveShape* shape() const { return facts_.shape; }
    [[nodiscard]] const Window& window() const { return facts_.window; }
    [[nodiscard]] std::string torque() const { return torque_ != nullptr ? to_text(*torque_) : ""; }
    [[nodiscard]] std::string angle() const { return angle_ != nullptr ? to_text(*angle_) : ""; }
    [[nodiscard]] std::string both() const {
        return angle_ != nullptr ? fmt::format("{} at {}", torque(), angle()) : torque();
    }
    [[nodiscard]] const PatternFacts& facts() const { return facts_; }

  private:
    const PatternFacts& facts_;
    const Torque* torque_;
    const Angle* angle_;
};

using Evidence = std::optional<std::string>;

Evidence when(bool holds, std::string words) {
    return holds ? std::optional(std::move(words)) : std::nullopt;
}

std::string point_words(const protocol::CurvePoint& point) {
    return fmt::format("{:.1f} N·m at {:.1f} deg of the curve", point.torque, point.angle);
}

// ---- what speaks for each pattern -----------------------------------------------------------------------
// Shares and spreads below are common practice, no source.

Evidence rehit(const Known& known) {
    return when(known.torque_reached() && !known.torque_high() && known.hardly_turned(), known.both());
}
Evidence cross_threaded(const Known& known) {
    return when(known.torque_reached() && known.angle_low() && !known.hardly_turned(), known.both());
}
Evidence run_down_only(const Known& known) { return when(known.free_torque_only(), known.both()); }
// It turned on while it gave way: metal does that, a socket that slips off does not.
bool gave_way_turning(const CurveShape& shape) {
    constexpr double least_deg = 3;
    return shape.yield && shape.stop_angle - shape.yield->angle >= least_deg;
}
Evidence stripped(const Known& known) {
    constexpr double fallen = 0.9;
    const CurveShape* shape = known.shape();
    const bool falls =
        shape != nullptr && gave_way_turning(*shape) && shape->stop_torque < fallen * shape->peak.torque;
    return when(known.torque_low() && !known.free_torque_only() && (known.angle_high() || falls),
                known.both());
}
// It rose straight to the end and then broke off.
Evidence slipped_off(const Known& known) {
    constexpr double broken_off = 0.5;
    const CurveShape* shape = known.shape();
    return when(known.torque_low() && shape != nullptr && shape->clamp && !gave_way_turning(*shape) &&
                    shape->stop_torque < broken_off * shape->peak.torque,
                shape != nullptr ? point_words(shape->peak) : "");
}
Evidence stopped_early(const Known& known) {
    const CurveShape* shape = known.shape();
    const bool rising = shape == nullptr || !shape->yield;
    return when(known.torque_low() && !known.free_torque_only() && !known.angle_high() && rising &&
                    !slipped_off(known),
                known.both());
}
Evidence under_tightened(const Known& known) {
    return when(known.torque_low(),
                fmt::format("{} instead of {} at least", known.torque(), to_text(known.window().torque.min)));
}
Evidence over_tightened(const Known& known) {
    return when(known.torque_high(),
                fmt::format("{} instead of {} at most", known.torque(), to_text(known.window().torque.max)));
}
std::string too_far(const Known& known) {
    return fmt::format("{} instead of {} at most", known.angle(),
                       known.window().angle ? to_text(known.window().angle->max) : "");
}
Evidence part_missing(const Known& known) {
    return when(known.torque_reached() && known.angle_high() && !known.facts().tightened_before,
                too_far(known));
}
Evidence short_way(const Known& known) {
    return when(known.torque_reached() && known.angle_low(),
                fmt::format("{} instead of {} at least", known.angle(),
                            known.window().angle ? to_text(known.window().angle->min) : ""));
}
Evidence bottomed(const Known& known) {
    const CurveShape* shape = known.shape();
    return shape != nullptr && shape->bottomed ? Evidence(point_words(*shape->bottomed)) : std::nullopt;
}
Evidence yielded(const Known& known) {
    const CurveShape* shape = known.shape();
    return shape != nullptr && shape->yield ? Evidence(point_words(*shape->yield)) : std::nullopt;
}
Evidence false_seat(const Known& known) {
    const CurveShape* shape = known.shape();
    if (shape == nullptr || !shape->false_seat)
        return std::nullopt;
    return fmt::format("{}, then {:.1f} N·m", point_words(shape->false_seat->top),
                       shape->false_seat->bottom.torque);
}
Evidence wrong_fastener(const Known& known) {
    const CurveShape* shape = known.shape();
    const auto& usual = known.facts().gradient;
    // A bolt that bottoms and one that gave way have a steepness of their own.
    if (shape == nullptr || !shape->clamp || !usual || !known.torque_reached() || shape->bottomed)
        return std::nullopt;
    const double gradient = shape->clamp->gradient;
    return when(gradient < usual->lowest || gradient > usual->highest,
                fmt::format("{:.2f} N·m a degree instead of {:.2f} to {:.2f}", gradient, usual->lowest,
                            usual->highest));
}
Evidence sticks_and_slips(const Known& known) {
    constexpr double spread = 0.03;
    constexpr double up_and_down = 0.5;
    const CurveShape* shape = known.shape();
    if (shape == nullptr || !shape->clamp || shape->clamp->spread < spread || shape->reversals < up_and_down)
        return std::nullopt;
    return fmt::format("{:.0f} % up and down about its line", 100 * shape->clamp->spread);
}
Evidence relaxed(const Known& known) {
    constexpr double share = 0.1;
    const CurveShape* shape = known.shape();
    if (known.torque_reached() && known.angle_high() && known.facts().tightened_before)
        return too_far(known) + ", though the pass before had tightened it";
    return when(shape != nullptr && shape->relaxed > share * shape->peak.torque,
                shape != nullptr ? fmt::format("{:.1f} N·m of {:.1f} N·m", shape->relaxed, shape->peak.torque)
                                 : "");
}

struct Rule {
    Pattern pattern;
    Evidence (*seen)(const Known&);
    PatternText text;
};

constexpr std::array<Rule, 16> rules{{
    {Pattern::rehit,
     rehit,
     {"it was tight already", "look which fastener is still open; this run counts for none"}},
    {Pattern::cross_threaded,
     cross_threaded,
     {"it got tight before the parts can have met",
      "take the bolt out, look at both threads, start it by hand"}},
    {Pattern::bottomed,
     bottomed,
     {"the bolt met something solid before the parts were clamped",
      "look at the length of the bolt, the depth of the hole, and for chips or oil in it"}},
    {Pattern::stripped,
     stripped,
     {"the thread gave way", "do not tighten on; replace the bolt and look at the thread it turns in"}},
    {Pattern::slipped_off,
     slipped_off,
     {"the torque broke off on its way up",
      "look at socket and head for wear, and whether the tool sat straight; loosen and tighten again"}},
    {Pattern::run_down_only,
     run_down_only,
     {"it only turned freely", "look whether the tool was let go, and whether the bolt found its thread"}},
    {Pattern::part_missing,
     part_missing,
     {"it turned further than the parts should let it",
      "look for a missing washer or part, a soft one, or a bolt that stretched"}},
    {Pattern::relaxed,
     relaxed,
     {"the joint relaxed: what was clamped gave way",
      "look for soft or uneven parts, paint or a burr in between; let it rest, then go over the pass before "
      "anew and check it once more"}},
    {Pattern::short_way,
     short_way,
     {"it got tight after too few degrees",
      "look for dirt or a part too many in between, and for a bolt that was tight already"}},
    {Pattern::false_seat,
     false_seat,
     {"something gave way before the parts met",
      "look for a burr, paint, or a part that sat askew and was pulled straight"}},
    {Pattern::stopped_early,
     stopped_early,
     {"it ended before its target", "hold the trigger until the tool ends by itself; tighten again"}},
    {Pattern::under_tightened, under_tightened, {"the torque is too low", "tighten again"}},
    {Pattern::over_tightened,
     over_tightened,
     {"the torque is too high", "let somebody say whether the bolt has to be replaced"}},
    {Pattern::yielded,
     yielded,
     {"the bolt or its thread yielded",
      "if the plan does not ask for that, replace the bolt and look at the thread"}},
    {Pattern::wrong_fastener,
     wrong_fastener,
     {"the torque does not rise as it does at this joint",
      "look whether it is the right bolt, with the right washer and coating"}},
    {Pattern::sticks_and_slips,
     sticks_and_slips,
     {"it stuck and slipped", "look at threads and faces for dirt, paint or missing oil"}},
}};

}  // namespace

std::optional<GradientRange> usual_gradient(const Window& window, std::vector<double> of_good_ones) {
    constexpr std::size_t fewest = 3;
    constexpr double by_friction = 1.7;
    constexpr double micro = 1e-6;
    if (window.curve && window.curve->rate) {
        const auto& rate = window.curve->rate->rate;
        return GradientRange{micro * static_cast<double>(rate.min.micro_nm_per_deg),
                             micro * static_cast<double>(rate.max.micro_nm_per_deg)};
    }
    if (of_good_ones.size() < fewest)
        return std::nullopt;
    const auto middle = of_good_ones.begin() + static_cast<std::ptrdiff_t>(of_good_ones.size() / 2);
    std::ranges::nth_element(of_good_ones, middle);
    return GradientRange{*middle / by_friction, *middle * by_friction};
}

PatternText text_of(Pattern pattern) noexcept {
    return std::ranges::find(rules, pattern, &Rule::pattern)->text;
}

std::vector<SeenPattern> patterns_in(const PatternFacts& facts) {
    std::vector<SeenPattern> seen;
    const Known known(facts);
    if (!known.tightening())
        return seen;
    for (const Rule& rule : rules)
        if (auto evidence = rule.seen(known))
            seen.push_back({rule.pattern, std::move(*evidence)});
    return seen;
}

}  // namespace tautgate::evaluation
