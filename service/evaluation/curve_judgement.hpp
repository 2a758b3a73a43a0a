// Judges the curve of a tightening whose values are good already against what its pass limits of curves.
// Every limit that it breaks is named. A curve never makes a verdict better: whatever it lacks is not
// decidable. Pure: no clock, no I/O; any thread.
#pragma once

#include <string_view>
#include <vector>

#include "config/station.hpp"
#include "protocol/curve_measure.hpp"
#include "protocol/reading.hpp"
#include "service/evaluation/judgement.hpp"

namespace tautgate::evaluation {

// What has to be read from a curve of the pass, each once; nothing where the pass limits no curve.
[[nodiscard]] std::vector<protocol::CurveMeasure> measures_of(const config::Pass& pass);
// The same of every pass that the tool may tighten, each once; nothing: nobody looks at its curves.
[[nodiscard]] std::vector<protocol::CurveMeasure> measures_for(const config::Station& station,
                                                               std::string_view tool);

// What the tool said of the tightening itself.
struct ToldValues {
    protocol::Measured<protocol::Torque> torque;
    protocol::Measured<protocol::Angle> angle;
    bool operator==(const ToldValues&) const = default;
};
TAUTGATE_FIELDS(ToldValues, torque, angle);

// The pass limits curves.
[[nodiscard]] Judgement judge_curve(const config::Joint& joint, const config::Pass& pass,
                                    const ToldValues& told, const protocol::CurveReport& report);
// No curve came; `why` for people, as the end of a sentence.
[[nodiscard]] Judgement judge_without_curve(const config::Joint& joint, const config::Pass& pass,
                                            std::string_view why);

}  // namespace tautgate::evaluation
