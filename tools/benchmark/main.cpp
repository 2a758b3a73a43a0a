// Measures the built daemon and prints one JSON object. tools/bench builds and calls it.
#include <array>
#include <cstdio>
#include <exception>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <string>
#include <thread>

#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <sched.h>
#include <sqlite3.h>
#include <sys/utsname.h>
#include <sys/vfs.h>

#include "tools/benchmark/crowd.hpp"
#include "tools/benchmark/latency.hpp"
#include "tools/benchmark/resources.hpp"
#include "tools/benchmark/throughput.hpp"
#include "tools/benchmark/trial_pace.hpp"
#include "version.hpp"

namespace {

using namespace tautgate::benchmark;
using nlohmann::json;
using std::chrono::milliseconds;
using std::chrono::seconds;

constexpr int void_run = 1;
constexpr int wrong_usage = 2;
constexpr int not_measured = 3;

// Noise: a floor that differs from itself by more says nothing about anything else.
constexpr double self_ratio_min = 0.95;
constexpr double self_ratio_max = 1.05;

struct Extent {
    LatencyPlan busy;
    LatencyPlan idle;
    ThroughputPlan throughput;
    unsigned counted = 0;
    unsigned traced = 0;
    unsigned starts = 0;
    milliseconds idle_time{};
    CrowdPlan crowd{};
    unsigned attempts = 3;  // for a floor that agrees with itself
    bool judges_itself = true;
};

const Extent full{{160, 50, true},
                  {40, 25, false},
                  {12, milliseconds(500), {1, 8, 32}},
                  400,
                  40,
                  25,
                  seconds(30),
                  {seconds(20), {60, seconds(1)}, {600, milliseconds(200)}},
                  3,
                  true};
const Extent quick{{12, 30, true},
                   {6, 8, false},
                   {3, milliseconds(300), {1, 8, 32}},
                   200,
                   20,
                   9,
                   seconds(5),
                   {seconds(5), {10, seconds(1)}, {60, milliseconds(200)}},
                   2,
                   true};
// Says nothing about speed: shows that everything runs, and counts.
const Extent smallest{{2, 5, true},
                      {1, 2, false},
                      {1, milliseconds(100), {1, 8, 32}},
                      40,
                      10,
                      2,
                      milliseconds(500),
                      {milliseconds(500), {2, milliseconds(250)}, {2, milliseconds(200)}},
                      1,
                      false};

void say(const std::string& what) { std::fputs((what + "\n").c_str(), stderr); }

std::string first_value(const char* file, const std::string& key) {
    std::ifstream in(file);
    for (std::string line; std::getline(in, line);)
        if (line.starts_with(key))
            return line.substr(std::min(line.find_first_not_of(" \t:", key.size()), line.size()));
    return "not told";
}

// By the number that the kernel gives (statfs(2)); others are shown by it.
std::string file_system_of(const std::filesystem::path& folder) {
    struct statfs told {};
    if (statfs(folder.c_str(), &told) != 0)
        return "not told";
    const auto number = static_cast<unsigned long>(told.f_type);
    for (const auto& [magic, name] : {std::pair{0xEF53UL, "ext4"},
                                      {0x58465342UL, "xfs"},
                                      {0x9123683EUL, "btrfs"},
                                      {0x01021994UL, "tmpfs"},
                                      {0x794C7630UL, "overlay"},
                                      {0xF2F52010UL, "f2fs"}})
        if (magic == number)
            return name;
    return fmt::format("{:#x}", number);
}

json machine(const Surroundings& around) {
    utsname kernel{};
    uname(&kernel);
    std::array<double, 1> load{};
    const bool known = getloadavg(load.data(), 1) == 1;
    return {{"cpu", first_value("/proc/cpuinfo", "model name")},
            {"cpus", std::thread::hardware_concurrency()},
            {"memory", first_value("/proc/meminfo", "MemTotal")},
            {"kernel", fmt::format("{} {} {}", kernel.sysname, kernel.release, kernel.machine)},
            {"file_system", file_system_of(around.folder)},
            {"pinned", around.measured_cpu.has_value()},
            {"load_at_begin", known ? json(load.front()) : json(nullptr)}};
}

json versions() {
    return {{"tautgate", std::string(tautgate::program_version)},
            {"commit", std::string(tautgate::source_commit)},
            {"compiler", "g++ " __VERSION__},
            {"sqlite", sqlite3_libversion()}};
}

// With fewer than two CPUs, pinning would set both sides on one.
void choose_cpus(Surroundings& around) {
    cpu_set_t allowed{};
    if (sched_getaffinity(0, sizeof allowed, &allowed) != 0)
        return;
    std::vector<int> usable;
    for (int cpu = 0; cpu < CPU_SETSIZE; ++cpu)
        if (CPU_ISSET(static_cast<std::size_t>(cpu), &allowed))
            usable.push_back(cpu);
    if (usable.size() < 2)
        return;
    around.measured_cpu = usable.at(0);
    around.peers_cpu = usable.at(1);
    pin_this_thread(*around.peers_cpu);
}

bool agrees_with_itself(const json& view) {
    const double ratio = view.at("floor_self_ratio_p50");
    return ratio >= self_ratio_min && ratio <= self_ratio_max;
}

// A void run is measured again; the last one is told as it is.
json latency(Line& daemon, Line& floor, const LatencyPlan& plan, const Extent& extent) {
    json view;
    for (unsigned attempt = 1; attempt <= extent.attempts; ++attempt) {
        view = latency_view(measure_latency(daemon, floor, plan));
        view["attempts"] = attempt;
        view["void"] = extent.judges_itself && !agrees_with_itself(view);
        if (!view["void"].get<bool>())
            break;
        say(fmt::format("  void: the floor against itself gave {:.3f}",
                        view["floor_self_ratio_p50"].get<double>()));
    }
    return view;
}

json latency_and_counts(const Surroundings& around, const Extent& extent) {
    say("bench: a station with 3 tools: people, rules, a unit");
    Plant plant(around, {.beat_interval_ms = 20}, "latency");
    plant.start();
    plant.set_up();
    plant.connect();
    plant.receive_units();
    DaemonLine daemon(plant);
    daemon.get_ready();
    json view;
    {
        const std::size_t row = row_size(plant);
        view["row_bytes"] = row;
        FloorLine floor(around, plant.shop(), row);
        say("bench: latency, busy");
        view["latency_busy"] = latency(daemon, floor, extent.busy, extent);
        say("bench: latency, idle");
        view["latency_idle"] = latency(daemon, floor, extent.idle, extent);
    }
    plant.stop();
    say("bench: counts of calls, pages and bytes");
    view["counts"] = count_calls(plant, extent.counted);
    say("bench: counts of system calls");
    view["system_calls"] = count_system_calls(plant, extent.traced);
    return view;
}

json throughput(const Surroundings& around, const Extent& extent) {
    say("bench: a station with 32 tools at 4 bays: people, rules, units");
    Plant plant(around, {.bays = 4, .tools_per_bay = 8, .fasteners = 1}, "throughput");
    plant.start();
    plant.set_up();
    plant.connect();
    plant.receive_units();
    say("bench: throughput");
    json view = measure_throughput(plant, extent.throughput);
    plant.stop();
    return view;
}

json idleness(const Surroundings& around, const Extent& extent) {
    say("bench: a station with 8 polled tools: people, rules");
    Plant plant(around, {.tools_per_bay = 1, .polled_tools = 8}, "idle");
    plant.start();
    plant.set_up();
    plant.connect();
    say("bench: memory and CPU while nothing happens");
    json view{{"idle", measure_idleness(plant, extent.idle_time)}};
    plant.stop();
    say("bench: start");
    view["start"] = measure_start(plant, extent.starts);
    return view;
}

json crowd(const Surroundings& around, const Extent& extent) {
    say("bench: a station with 32 polled tools and 32 that call: people, rules");
    Plant plant(around,
                {.bays = 4, .tools_per_bay = 8, .polled_tools = 32, .poll_interval_ms = 50, .fasteners = 1},
                "crowd");
    plant.start();
    plant.set_up();
    plant.connect();
    say("bench: all of them polled, and at work");
    json view = measure_crowd(plant, extent.crowd);
    plant.stop();
    return view;
}

json figures(const json& all) {
    const auto at_32 = all["throughput"]["by_tools"].back();
    const auto& counts = all["counts"];
    json flat{{"latency_busy_ratio_p50", all["latency_busy"]["ratio_p50"]},
              {"latency_busy_ratio_p90", all["latency_busy"]["ratio_p90"]},
              {"latency_idle_ratio_p50", all["latency_idle"]["ratio_p50"]},
              {"latency_idle_ratio_p90", all["latency_idle"]["ratio_p90"]},
              {"floor_self_ratio", all["latency_busy"]["floor_self_ratio_p50"]},
              {"throughput_ratio_32_tools", at_32["ratio"]},
              {"fdatasync_per_result", counts["per_result"]["fdatasync"]},
              {"wal_pages_per_result", counts["wal_pages"]["per_result"]},
              {"allocations_per_result", counts["per_result"]["allocations"]},
              {"written_bytes_per_result", counts["per_result"]["written_bytes"]},
              {"start_to_withheld_ms", all["start"]["ms"]["p50"]},
              {"resident_mib", all["idle"]["resident_mib"]},
              {"idle_cpu_percent", all["idle"]["cpu_percent"]},
              {"crowd_quiet_cpu_percent", all["crowd"]["quiet_cpu_percent"]},
              {"crowd_hour_cpu_percent", all["crowd"]["hour_cpu_percent"]},
              {"crowd_missed", all["crowd"]["missed"]}};
    if (!all["system_calls"].is_null())
        flat["system_calls_per_result"] = all["system_calls"]["per_result"];
    return flat;
}

int measure(const Surroundings& around, const Extent& extent, const std::string& name) {
    json all{{"extent", name}, {"machine", machine(around)}, {"versions", versions()}};
    all.update(latency_and_counts(around, extent));
    all["throughput"] = throughput(around, extent);
    all.update(idleness(around, extent));
    all["crowd"] = crowd(around, extent);
    all["figures"] = figures(all);
    const bool is_void = all["latency_busy"]["void"].get<bool>() || all["latency_idle"]["void"].get<bool>();
    all["void"] = is_void;
    std::cout << all.dump(2) << '\n';
    if (!is_void)
        return 0;
    say("bench: void: the floor did not agree with itself within 5 %; something else ran on this machine. "
        "Run it "
        "again when it is quiet.");
    return void_run;
}

// Only that: it needs no daemon.
int measure_trial_only(const std::filesystem::path& journal, const std::filesystem::path& proposal) {
    json all{{"versions", versions()}};
    all["trial"] = measure_trial(journal, proposal, seconds(5));
    std::cout << all.dump(2) << '\n';
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    CLI::App app("tautgate-bench: measures the daemon that lies beside it, and prints one JSON object",
                 "tautgate-bench");
    Surroundings around;
    bool is_quick = false;
    bool is_smallest = false;
    std::filesystem::path disk = std::filesystem::temp_directory_path();
    app.add_flag("--quick", is_quick, "at most a minute");
    app.add_flag("--smallest", is_smallest, "not pinned, hardly a sample: shows that it runs, and counts");
    app.add_option("--disk", disk, "a folder on the disk that is measured")->check(CLI::ExistingDirectory);
    std::filesystem::path trial;
    std::filesystem::path rules;
    auto* proposal =
        app.add_option("--rules", rules, "the station's description that is tried")->check(CLI::ExistingFile);
    app.add_option("--trial", trial, "instead: how fast rules are tried on the units of this journal")
        ->check(CLI::ExistingFile)
        ->needs(proposal);
    app.footer("Exit codes: 0 measured; 1 void, the floor did not agree with itself; 2 wrong usage; 3 not "
               "measured.");
    try {
        app.parse(argc, argv);
    } catch (const CLI::ParseError& error) {
        return app.exit(error) == 0 ? 0 : wrong_usage;
    }
    try {
        if (!trial.empty())
            return measure_trial_only(trial, rules);
        around.programs = std::filesystem::read_symlink("/proc/self/exe").parent_path();
        const Folder folder(disk);
        around.folder = folder.path();
        if (!is_smallest)
            choose_cpus(around);
        const Extent& extent = is_smallest ? smallest : is_quick ? quick : full;
        return measure(around, extent, is_smallest ? "smallest" : is_quick ? "quick" : "full");
    } catch (const std::exception& error) {
        say(std::string("bench: not measured: ") + error.what());
        return not_measured;
    }
}
