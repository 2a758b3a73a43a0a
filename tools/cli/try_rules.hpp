// tautgate try-rules: what a proposed station description would have made of units of the past. Reads a
// journal's file, the running station's own or a copy, and never writes; needs no service. One thread.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "tools/cli/questions.hpp"

namespace tautgate::cli {

struct TrialAsked {
    std::string file;     // the proposed description
    std::string journal;  // a file
    std::vector<std::string> serials;
    std::string from;  // UTC, as in 2026-11-26T06:00:00Z; empty: from the first unit on
    std::string to;
    std::uint32_t newest = 0;  // 0: not asked for
    bool csv = false;
};
// Of --newest, --serial, and --from with --to one is asked for; otherwise the hundred newest units are tried.
[[nodiscard]] Asked<Exit> try_rules(const Desk& desk, const TrialAsked& asked);

// What it found (service/history/trial_json.hpp), as a person reads it; pure.
[[nodiscard]] std::string trial_text(const nlohmann::json& trial, Style style);
// One line for each difference, comma-separated, with a head.
[[nodiscard]] std::string trial_table(const nlohmann::json& trial);

}  // namespace tautgate::cli
