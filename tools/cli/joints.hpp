// tautgate joints: what each window of a station's description means for its bolt and its tools
// (config/design.hpp), for the engineer who designs the joint. The description alone is read. Blocking; one
// thread.
#pragma once

#include <string>

#include <nlohmann/json_fwd.hpp>

#include "config/design.hpp"
#include "tools/cli/questions.hpp"

namespace tautgate::cli {

[[nodiscard]] std::string joints_text(const config::Station& station, Style style);
[[nodiscard]] nlohmann::ordered_json joints_json(const config::Station& station);
// Exit::no where the description cannot be read.
[[nodiscard]] Asked<Exit> show_joints(const Desk& desk, const std::string& file);

}  // namespace tautgate::cli
