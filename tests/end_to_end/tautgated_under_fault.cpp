// tautgated that fails on purpose, for tests: the same station, started by a main() of its own that dies,
// stands still or loses its disk at a named point, or breaks one of the promises. Which pass of the point it
// is counts from the moment in which the file named by --armed-by exists, so that a test decides when.
//
// Points: turn, before_acknowledgement, after_acknowledgement (probes.hpp); before_write, before_sync,
// after_sync (the journal's writer); before_release, after_release (the block that begins to release goes out
// on the wire to the controller); before_register_acknowledgement, after_register_acknowledgement (the write
// to a polled tool).
#include <atomic>
#include <chrono>
#include <csignal>
#include <cstdint>
#include <dlfcn.h>
#include <exception>
#include <filesystem>
#include <map>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <thread>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <spdlog/sinks/stdout_color_sinks.h>
#include <spdlog/spdlog.h>
#include <sqlite3.h>
#include <sys/socket.h>

#include "protocol/permissive_block.hpp"
#include "service/station/start.hpp"
#include "tests/faults/power_cut_vfs.hpp"

namespace {

using namespace tautgate;

constexpr std::chrono::milliseconds look_every{5};
constexpr std::chrono::seconds longest_stall{60};
constexpr std::chrono::seconds release_may_take{2};
const std::string disk_name = "under-fault";

enum class Act : std::uint8_t {
    nothing,
    die,
    die_if_released,  // waits whether a release goes out meanwhile; only then dies
    stall,            // until the file is gone
    fill_disk,
    break_writes,
    break_syncs
};
const std::map<std::string, Act> acts{{"die", Act::die},
                                      {"die-if-released", Act::die_if_released},
                                      {"stall", Act::stall},
                                      {"fill-disk", Act::fill_disk},
                                      {"break-writes", Act::break_writes},
                                      {"break-syncs", Act::break_syncs}};

struct Orders {
    std::string point;
    std::uint64_t pass = 1;
    Act act = Act::nothing;
    std::filesystem::path armed_by;
    Act disk_from_start = Act::nothing;
    bool forgetful_disk = false;
    std::uint64_t tear = 0;
    bool without_syncs = false;
    bool release_before_durable = false;

    [[nodiscard]] bool need_a_disk() const {
        return forgetful_disk || disk_from_start != Act::nothing || act >= Act::fill_disk;
    }
};

class Faults {
  public:
    void prepare(Orders orders);
    void at(std::string_view point);
    void release_is_out(bool out) { released_ = out; }
    void opened(sqlite3* connection);

  private:
    [[nodiscard]] bool armed() const;
    void act(Act what);
    [[noreturn]] void die();
    void forgo_syncs();

    Orders orders_;
    faults::PowerCutDisk* disk_ = nullptr;
    sqlite3* writer_ = nullptr;  // the connection that was opened last for writing
    std::atomic<std::uint64_t> passes_ = 0;
    std::atomic<bool> released_ = false;
};

// What takes the place of a library's function finds its way here.
Faults& faults_of_this_run() {
    static Faults one;
    return one;
}

void Faults::prepare(Orders orders) {
    orders_ = std::move(orders);
    if (!orders_.need_a_disk())
        return;
    disk_ = &faults::PowerCutDisk::register_as(disk_name);
    disk_->tear(orders_.tear);
    act(orders_.disk_from_start);
}

void Faults::opened(sqlite3* connection) {
    if (sqlite3_db_readonly(connection, "main") == 0)
        writer_ = connection;
}

bool Faults::armed() const {
    std::error_code ignored;  // a file that cannot be looked at is not there
    return std::filesystem::exists(orders_.armed_by, ignored);
}

void Faults::at(std::string_view point) {
    // Once is enough; the later transactions are begun before their events are there, and refuse it.
    if (orders_.without_syncs && point == "before_write" && sqlite3_get_autocommit(writer_) != 0)
        forgo_syncs();
    if (point != orders_.point || !armed())
        return;
    const bool each_time = orders_.act == Act::die_if_released || orders_.act == Act::stall;
    if (const auto pass = ++passes_; pass == orders_.pass || (each_time && pass > orders_.pass))
        act(orders_.act);
}

void Faults::act(Act what) {
    const auto began = std::chrono::steady_clock::now();
    const auto within = [began](auto limit) { return std::chrono::steady_clock::now() - began < limit; };
    switch (what) {
    case Act::nothing: return;
    case Act::die: die();
    case Act::die_if_released:
        while (!released_ && within(release_may_take))
            std::this_thread::sleep_for(look_every);
        if (released_)
            die();
        return;
    case Act::stall:
        while (armed() && within(longest_stall))
            std::this_thread::sleep_for(look_every);
        return;
    case Act::fill_disk: return disk_->fail(faults::Failure::full);
    case Act::break_writes: return disk_->fail(faults::Failure::write);
    case Act::break_syncs: return disk_->fail(faults::Failure::sync);
    }
}

// With a disk that forgets, what was not synced dies too.
void Faults::die() {
    if (disk_ != nullptr)
        disk_->cut();
    std::raise(SIGKILL);
    std::abort();  // nothing outlives that signal
}

void Faults::forgo_syncs() {
    if (sqlite3_exec(writer_, "PRAGMA synchronous = OFF", nullptr, nullptr, nullptr) != SQLITE_OK)
        std::abort();  // the test would take a sound station for a faulty one
}

int note_connection(sqlite3* connection, const char** /*error*/, const struct sqlite3_api_routines* /*api*/) {
    // One without a file is for comparing only.
    if (const char* file = sqlite3_db_filename(connection, "main"); file != nullptr && *file != '\0')
        faults_of_this_run().opened(connection);
    return SQLITE_OK;
}

// ---- the wire -------------------------------------------------------------------------------------------

// The words of a request that writes registers (function 16 in a Modbus TCP frame). Empty: it is something
// else.
std::vector<std::uint16_t> words_written(std::span<const std::uint8_t> frame) {
    constexpr std::size_t before_words = 13;
    constexpr std::uint8_t write_registers = 0x10;
    const bool fits = frame.size() > before_words && frame[2] == 0 && frame[3] == 0 &&
                      frame[7] == write_registers && frame.size() == before_words + std::size_t{frame[12]};
    std::vector<std::uint16_t> words;
    for (std::size_t at = before_words; fits && at + 1 < frame.size(); at += 2)
        words.push_back(static_cast<std::uint16_t>(frame[at] << 8U | frame[at + 1]));
    return words;
}

bool is_permissives(std::span<const std::uint16_t> words) {
    return words.size() % protocol::permissive_words == 0;
}

bool releases(std::span<const std::uint16_t> words) {
    for (; words.size() >= protocol::permissive_words; words = words.subspan(protocol::permissive_words)) {
        const protocol::BlockAddress own{words[1], words[2], words[3]};
        const auto block = protocol::decode_permissive(words.first(protocol::permissive_words), own);
        if (block && block->code != protocol::Code::withheld)
            return true;
    }
    return false;
}

// ---- the command line -------------------------------------------------------------------------------------

struct CommandLine {
    station::StartOptions station;
    Orders orders;
};

void describe(CLI::App& app, CommandLine& line) {
    app.add_option("--config", line.station.config)->required();
    app.add_option("--state-dir", line.station.state_folder)->required();
    app.add_option("--at", line.orders.point, "the point at which something happens");
    app.add_option("--pass", line.orders.pass, "at which pass of it, from 1");
    app.add_option("--act", line.orders.act)->transform(CLI::Transformer(acts));
    app.add_option("--armed-by", line.orders.armed_by, "passes count while this file exists");
    app.add_option("--disk", line.orders.disk_from_start, "how the disk fails from the start on")
        ->transform(CLI::Transformer(acts));
    app.add_flag("--forgetful-disk", line.orders.forgetful_disk, "what is not synced dies with the process");
    app.add_option("--tear", line.orders.tear, "parts of it do not, drawn by this seed");
    app.add_flag("--without-syncs", line.orders.without_syncs, "planted: PRAGMA synchronous = OFF");
    app.add_flag("--release-before-durable", line.orders.release_before_durable, "planted: no waiting");
}

int serve(int argc, char** argv) {
    CLI::App app("tautgated under fault", "tautgated_under_fault");
    CommandLine line;
    describe(app, line);
    CLI11_PARSE(app, argc, argv);
    auto log = spdlog::stderr_color_mt("tautgated");
    spdlog::set_default_logger(std::move(log));
    auto& faults = faults_of_this_run();
    line.station.program_version = "under-fault";
    line.station.probes = {.at_point = [&faults](std::string_view point) { faults.at(point); },
                           .release_before_durable = line.orders.release_before_durable};
    if (line.orders.need_a_disk())
        line.station.vfs = disk_name;
    if (line.orders.without_syncs)
        sqlite3_auto_extension(reinterpret_cast<void (*)()>(note_connection));
    faults.prepare(std::move(line.orders));
    return static_cast<int>(station::run(line.station));
}

}  // namespace

// In the place of the system's function of this name, which does the work: here the bytes leave.
extern "C" ssize_t send(int socket, const void* data, std::size_t size, int flags) {
    static const auto real = reinterpret_cast<decltype(&send)>(dlsym(RTLD_NEXT, "send"));
    static std::atomic<bool> out = false;
    const auto words = words_written({static_cast<const std::uint8_t*>(data), size});
    if (words.empty())
        return real(socket, data, size, flags);
    auto& faults = faults_of_this_run();
    const bool to_tool = !is_permissives(words);
    const bool release = !to_tool && releases(words);
    const bool begins = release && !out;
    const auto tell = [&](const std::string& when) {
        if (to_tool)
            faults.at(when + "register_acknowledgement");
        else if (begins)
            faults.at(when + "release");
    };
    tell("before_");
    const ssize_t sent = real(socket, data, size, flags);
    if (!to_tool && sent == static_cast<ssize_t>(size)) {
        out = release;
        faults.release_is_out(release);
    }
    tell("after_");
    return sent;
}

int main(int argc, char** argv) {
    try {
        return serve(argc, argv);
    } catch (const std::exception& error) {
        std::fputs(fmt::format("tautgated_under_fault: ended by {}\n", error.what()).c_str(), stderr);
        return static_cast<int>(station::ExitCode::core_failed);
    }
}
