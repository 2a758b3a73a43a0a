// The stations that the benchmarks run: descriptions as an engineer would write them, of the invented
// Larkmoor Tram Works, with as many bays and tools as asked for and free ports.
//
// Every tool serves one joint, by the program "A" for the first of a bay and a letter further on for each
// other. The permissive that is watched needs the joints of class A (the first of each bay's unit); another
// needs every joint, and one joint, which no run ever touches, holds that one for good. So the runs on other
// joints change the state and what is written down, and decide nothing.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include <nlohmann/json.hpp>

#include "config/station.hpp"

namespace tautgate::benchmark {

struct StationSize {
    unsigned bays = 1;
    unsigned tools_per_bay = 3;  // with the line protocol
    unsigned polled_tools = 0;   // by registers, all at the first bay
    unsigned poll_interval_ms = 100;
    unsigned fasteners = 8;  // of the watched joint; the others have one
    unsigned beat_interval_ms = 100;
};

struct BenchStation {
    nlohmann::json description;
    config::Station read;
    std::uint16_t api_port = 0;
    std::uint16_t tool_port = 0;
    std::vector<std::uint16_t> controller_ports;  // one a bay
    std::vector<std::uint16_t> polled_ports;

    // Tool `tool` (0..) of bay `bay` (0..).
    [[nodiscard]] static std::string tool_id(unsigned bay, unsigned tool);
    [[nodiscard]] static std::string polled_id(unsigned tool);
    [[nodiscard]] static std::string bay_id(unsigned bay);
    [[nodiscard]] static std::string program(unsigned tool);
    [[nodiscard]] static std::string ticket(unsigned bay);
};

// How long after an arrival a result can have been made before it: until then none is this unit's.
inline constexpr std::chrono::milliseconds undecided_after_arrival{2200};
inline constexpr const char* watched_permissive = "gate";

[[nodiscard]] BenchStation bench_station(const StationSize& size);

}  // namespace tautgate::benchmark
