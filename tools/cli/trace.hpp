// The command `tautgate trace`: the curve of a result as a picture in characters, as comma-separated values
// or as JSON, from the service or from a journal's file.
#pragma once

#include <cstdint>
#include <string>

#include <nlohmann/json_fwd.hpp>

#include "tools/cli/questions.hpp"
#include "tools/cli/views.hpp"

namespace tautgate::cli {

enum class Over : std::uint8_t { angle, time };

struct TraceAsked {
    std::uint64_t event = 0;      // of the result, or of the trace itself
    bool without_result = false;  // instead: those whose result never came
    std::string journal{};        // a file; empty: the service
    bool csv = false;
    bool ascii = false;
    Over over = Over::angle;  // where the curve has both
};
[[nodiscard]] Asked<Exit> show_trace(const Desk& desk, const TraceAsked& asked);

// GET /v1/traces/{event}, as a person reads it; pure.
[[nodiscard]] std::string trace_text(const nlohmann::json& stored, Style style, const TraceAsked& asked);
// Comma-separated values of the same, with the units in the head.
[[nodiscard]] std::string trace_table(const nlohmann::json& stored);

}  // namespace tautgate::cli
