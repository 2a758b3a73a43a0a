#include "tools/benchmark/bench_station.hpp"

#include <fmt/format.h>

#include "config/reader.hpp"
#include "tools/benchmark/child.hpp"
#include "tools/benchmark/register_device.hpp"

namespace tautgate::benchmark {

using nlohmann::json;

namespace {

constexpr unsigned stage_limit = 26;  // programs have one letter

json polled_layout() {
    return {
        {"name", "Result block"},
        {"table", "holding"},
        {"start", 100},
        {"length", 10},
        {"epoch", {{"address", 100}, {"type", "uint16"}}},
        {"verdict", {{"field", {{"address", 101}, {"type", "uint16"}}}, {"ok", {1}}, {"not_ok", {2}}}},
        {"torque", {{"field", {{"address", 102}, {"type", "float32"}, {"order", "abcd"}}}, {"unit", "N.m"}}},
        {"angle", {{"address", 104}, {"type", "float32"}, {"order", "abcd"}}},
        {"counter", {{"field", {{"address", 109}, {"type", "uint16"}}}, {"lowest", 1}, {"highest", 65535}}},
        {"second_read", "block"},
        {"written_within_ms", 0},  // the tools here write a result at once
        {"range",
         {{"torque_resolution", {{"value", 0.1}, {"unit", "N.m"}}},
          {"angle_resolution", {{"value", 0.1}, {"unit", "deg"}}},
          {"torque_max", {{"value", 200}, {"unit", "N.m"}}}}}};
}

json tool(const std::string& id, const std::string& bay, json link) {
    return {{"id", id},
            {"name", "Tool " + id},
            {"bay", bay},
            {"simulated", true},
            {"link", std::move(link)},
            {"torque", {{"unit", "N.m"}, {"min", 20}, {"max", 200}, {"resolution", 0.1}}},
            {"angle", {{"unit", "deg"}, {"resolution", 0.1}}},
            {"silence_limit_ms", 2000},
            {"settling_ms", 100},
            {"longest_run_ms", 100}};
}

// Fasteners are named by the tool: the same one can be loosened and tightened over and over.
json joint(const std::string& id, const std::string& risk, unsigned fasteners, const std::string& program,
           json tools) {
    json list = json::array();
    for (unsigned i = 1; i <= fasteners; ++i)
        list.push_back({{"name", std::to_string(i)}});
    json window{{"torque", {{"unit", "N.m"}, {"min", 67}, {"target", 71}, {"max", 75}}},
                {"angle", {{"unit", "deg"}, {"min", 8}, {"max", 30}, {"origin", "start"}}}};
    return {{"id", id},
            {"name", "Joint " + id},
            {"risk_class", risk},
            {"thread", "M12"},
            {"placement", "by_tool"},
            {"fasteners", std::move(list)},
            {"passes", {{{"name", "final"}, {"program", program}, {"window", std::move(window)}}}},
            {"tools", std::move(tools)},
            {"audit", {{"unit", "N.m"}, {"min", 62}, {"max", 80}}}};
}

// The first tool of a bay tightens the joint of class A, and so its lines bear a seal.
json line_link(unsigned bay, unsigned tool) {
    json link{{"peer", "127.0.0.1"}};
    if (tool == 0)
        link["key"] = BenchStation::tool_id(bay, tool) + ".key";
    return link;
}

void add_bays(json& station, const StationSize& size, const std::vector<std::uint16_t>& ports) {
    for (unsigned bay = 0; bay < size.bays; ++bay) {
        const std::string id = BenchStation::bay_id(bay);
        station["bays"].push_back({{"id", id},
                                   {"number", bay + 1},
                                   {"name", "Bay " + id},
                                   {"simulated", true},
                                   {"controller",
                                    {{"role", "client"},
                                     {"host", "127.0.0.1"},
                                     {"port", ports.at(bay)},
                                     {"permissive_address", ControllerDevice::permissive_address},
                                     {"feedback_address", ControllerDevice::feedback_address},
                                     {"beat_interval_ms", size.beat_interval_ms},
                                     {"echo_timeout_ms", 1000},
                                     {"settling_ms", 100}}}});
        // The names are the station's, so those of further bays differ.
        const std::string suffix = bay == 0 ? "" : "-" + id;
        station["permissives"].push_back({{"id", watched_permissive + suffix},
                                          {"number", 2 * bay + 1},
                                          {"bay", id},
                                          {"name", "Gate"},
                                          {"movement", "the gate opens"},
                                          {"scope", "classes"},
                                          {"classes", {"A"}}});
        station["permissives"].push_back({{"id", "exit" + suffix},
                                          {"number", 2 * bay + 2},
                                          {"bay", id},
                                          {"name", "Exit"},
                                          {"movement", "the unit leaves"},
                                          {"leaving", true}});
        for (unsigned one = 0; one < size.tools_per_bay; ++one)
            station["tools"].push_back(
                tool(BenchStation::tool_id(bay, one), id, {{"line", line_link(bay, one)}}));
    }
}

void add_polled(json& station, const StationSize& size, const std::vector<std::uint16_t>& ports) {
    if (size.polled_tools > 0)
        station["profiles"].push_back({{"id", "block"}, {"layout", polled_layout()}});
    for (unsigned one = 0; one < size.polled_tools; ++one)
        station["tools"].push_back(tool(BenchStation::polled_id(one), BenchStation::bay_id(0),
                                        {{"registers",
                                          {{"host", "127.0.0.1"},
                                           {"port", ports.at(one)},
                                           {"profile", "block"},
                                           {"poll_interval_ms", size.poll_interval_ms}}}}));
}

// One joint for each tool of a bay, and one that no run touches.
void add_joints(json& station, const StationSize& size) {
    json exits = json::array();
    for (const json& permissive : station["permissives"])
        if (permissive.value("leaving", false))
            exits.push_back(permissive["id"]);
    json steps = json::array();
    for (unsigned one = 0; one < size.tools_per_bay; ++one) {
        json tools = json::array();
        for (unsigned bay = 0; bay < size.bays; ++bay)
            tools.push_back(BenchStation::tool_id(bay, one));
        const bool last = one + 1 == size.tools_per_bay;
        const std::string id = fmt::format("joint-{}", one + 1);
        station["joints"].push_back(joint(id, one == 0 ? "A" : "C", one == 0 ? size.fasteners : 1,
                                          BenchStation::program(one), tools));
        steps.push_back({{"tighten", id}});
        if (last) {
            station["joints"].push_back(joint("untouched", "C", 1, "untouched", tools));
            steps.push_back({{"tighten", "untouched"}});
        }
    }
    station["plans"].push_back({{"id", "join"},
                                {"name", "Join"},
                                {"revision", "1"},
                                {"stages",
                                 {{{"name", "ticket"}, {"steps", {{{"scan", "M"}}}}},
                                  {{"name", "joints"}, {"steps", std::move(steps)}}}},
                                {"leaving_incomplete", {{"permissives", exits}}}});
}

json people() {
    const json approvers{"production_supervisor", "quality_engineer"};
    return {{"overrides",
             {{{"risk_class", "A"}, {"people", 2}, {"roles", approvers}, {"hand_checked_value", true}},
              {{"risk_class", "C"}, {"roles", approvers}}}},
            {"leaving_incomplete", approvers},
            {"decisions", approvers},
            {"reason_codes", {{{"code", "by-hand"}, {"text", "Checked by hand"}}}},
            {"sign_in_lasts_s", 3600}};
}

}  // namespace

std::string BenchStation::tool_id(unsigned bay, unsigned tool) {
    return fmt::format("T{}-{}", bay + 1, tool + 1);
}
std::string BenchStation::polled_id(unsigned tool) { return fmt::format("P{}", tool + 1); }
std::string BenchStation::bay_id(unsigned bay) { return fmt::format("B{}", bay + 1); }
std::string BenchStation::program(unsigned tool) {
    return std::string(1, static_cast<char>('A' + tool % stage_limit));
}
std::string BenchStation::ticket(unsigned bay) { return fmt::format("M 26 plain {}", 100001 + bay); }

BenchStation bench_station(const StationSize& size) {
    const auto ports = free_ports(2 + size.bays + size.polled_tools);
    BenchStation made;
    made.api_port = ports.at(0);
    made.tool_port = ports.at(1);
    made.controller_ports.assign(ports.begin() + 2, ports.begin() + 2 + size.bays);
    made.polled_ports.assign(ports.begin() + 2 + size.bays, ports.end());
    json station{
        {"id", "bench"},
        {"number", 1},
        {"name", "Benchmark station"},
        {"site", "Larkmoor Tram Works (invented)"},
        {"journal", "bench.db"},
        {"api", {{"port", made.api_port}}},
        {"tool_port", {{"port", made.tool_port}}},
        {"tickets",
         {{{"kind", "M"}, {"pattern", "M (?P<order>[0-9]+) (?P<type>[a-z]+) (?P<serial>[0-9]+)"}}}},
        {"pair", {{"ticket_kinds", {"M"}}, {"unit_kind", "M"}, {"variant_kind", "M"}}},
        {"variants",
         {{{"id", "plain"},
           {"name", "Plain"},
           {"plan", "join"},
           {"types", {{{"ticket_kind", "M"}, {"types", {"plain"}}}}}}}},
        {"people", people()},
        {"calendar",
         {{"zone", "Europe/London"},
          {"shifts",
           {{{"name", "day"}, {"begin", "06:00"}, {"end", "18:00"}, {"days", {"monday", "tuesday"}}}}}}}};
    add_bays(station, size, made.controller_ports);
    add_polled(station, size, made.polled_ports);
    add_joints(station, size);
    auto loading = config::load_station(station.dump(), "the benchmark's station");
    if (!loading.station) {
        std::string faults;
        for (const auto& finding : loading.findings)
            faults += config::to_text(finding) + "\n";
        give_up("the benchmark's station is faulty:\n" + faults);
    }
    made.description = std::move(station);
    made.read = std::move(*loading.station);
    return made;
}

}  // namespace tautgate::benchmark
