// A curve as text for other programs: comma-separated values and JSON. Values are in N·m and degrees, to a
// millionth. Pure; any thread.
#pragma once

#include <string>

#include "protocol/trace.hpp"

namespace tautgate::protocol {

// A head with the units, then a line for each sample (RFC 4180); columns that the curve lacks are left out.
[[nodiscard]] std::string trace_csv(const Trace& trace);

// {"torque_unit_received":"N.m","time_us":[...],"torque_nm":[...],"angle_deg":[...]}; null for a list that
// the curve lacks.
[[nodiscard]] std::string trace_json(const Trace& trace);

}  // namespace tautgate::protocol
