// The smallest good station as a value, for tests that spoil one thing in it.
#pragma once

#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "config/check.hpp"
#include "config/reader.hpp"

namespace tautgate::config {

inline const std::string config_folder = std::string(TAUTGATE_SOURCE_DIR) + "/config/";
inline const std::string test_folder = std::string(TAUTGATE_SOURCE_DIR) + "/tests/unit/config/";

inline Station smallest() {
    auto loading = load_station_file(test_folder + "good/smallest.json");
    REQUIRE(loading.station.has_value());
    return *loading.station;
}

inline Station larkmoor() {
    auto loading = load_station_file(config_folder + "larkmoor.json");
    REQUIRE(loading.station.has_value());
    return *loading.station;
}

// "pointer: what", errors only unless asked otherwise.
inline std::vector<std::string> found(const Station& station, Severity severity = Severity::error) {
    std::vector<std::string> out;
    for (const auto& finding : check(station)) {
        if (finding.severity == severity) {
            CHECK_FALSE(finding.remedy.empty());
            out.push_back(finding.pointer + ": " + finding.what);
        }
    }
    return out;
}

}  // namespace tautgate::config
