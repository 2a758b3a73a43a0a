// What the station does about curves on which decisions rest, apart from deciding: it reads from a curve what
// the rules want to know, so that the record holds it and a replay needs no samples, and it says when a curve
// has not come in time. In doubt a value is not there, and a curve is missing. The loop's thread.
#pragma once

#include <chrono>
#include <optional>
#include <string_view>
#include <vector>

#include "protocol/curve_measure.hpp"
#include "service/interlock/curves.hpp"

namespace tautgate::station {

// `bytes` are those of the curve, as protocol/TRACE.md has them. Wanted is what any joint limits that the
// tool may tighten, by the rules in force and by those of the stays that are open. Nothing: nobody looks at
// it.
[[nodiscard]] std::optional<protocol::CurveReport> read_curve(const interlock::RuleBook& rules,
                                                              const interlock::State& state,
                                                              const domain::ToolId& tool,
                                                              std::string_view bytes);

// Those whose tools can tell: a curve is not missing while nobody could ask for it, and the way out of a link
// that stays away is a decision about the joint.
[[nodiscard]] std::vector<interlock::AwaitedCurve> within_reach(std::vector<interlock::AwaitedCurve> awaited,
                                                                const interlock::State& state);

class CurvePatience {
  public:
    // The curves of which the time is over. To be asked about once a second, with all that are awaited and
    // within reach: the time of a curve runs from when it was first among them.
    [[nodiscard]] std::vector<interlock::CurveGivenUp>
    overdue(const std::vector<interlock::AwaitedCurve>& awaited, std::chrono::nanoseconds now);

  private:
    struct Since {
        interlock::AwaitedCurve curve;
        std::chrono::nanoseconds since{0};
    };
    std::vector<Since> waiting_;
};

}  // namespace tautgate::station
