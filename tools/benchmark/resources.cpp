#include "tools/benchmark/resources.hpp"

#include <cstdlib>
#include <fcntl.h>
#include <fstream>
#include <numeric>
#include <sys/mman.h>
#include <thread>
#include <unistd.h>

#include <fmt/format.h>

#include "tools/benchmark/counters.hpp"
#include "tools/benchmark/measures.hpp"
#include "tools/benchmark/traces.hpp"
#include "tools/benchmark/wal_pages.hpp"

namespace tautgate::benchmark {
namespace {

using protocol::Code;

constexpr std::chrono::seconds start_patience{20};
constexpr double mib = 1024.0 * 1024.0;

// The file that the counting library counts in.
class SharedCounters {
  public:
    explicit SharedCounters(const std::filesystem::path& file) {
        const int handle = open(file.c_str(), O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
        void* mapped = MAP_FAILED;
        if (handle >= 0 && ftruncate(handle, sizeof(Counters)) == 0)
            mapped = mmap(nullptr, sizeof(Counters), PROT_READ, MAP_SHARED, handle, 0);
        if (handle >= 0)
            close(handle);
        if (mapped == MAP_FAILED)
            give_up("cannot map " + file.string());
        counters_ = static_cast<const Counters*>(mapped);
    }
    ~SharedCounters() { munmap(const_cast<Counters*>(counters_), sizeof(Counters)); }
    SharedCounters(const SharedCounters&) = delete;
    SharedCounters& operator=(const SharedCounters&) = delete;
    SharedCounters(SharedCounters&&) = delete;
    SharedCounters& operator=(SharedCounters&&) = delete;
    [[nodiscard]] nlohmann::json now() const {
        return {{"allocations", counters_->allocations.load()},
                {"allocated_bytes", counters_->allocated_bytes.load()},
                {"fdatasync", counters_->syncs.load()},
                {"file_writes", counters_->file_writes.load()},
                {"written_bytes", counters_->written_bytes.load()}};
    }

  private:
    const Counters* counters_ = nullptr;
};

// The watched joint is loosened and tightened, one result after the other.
void loosen_and_tighten(Plant& plant, unsigned results) {
    for (unsigned i = 0; i < results / 2; ++i) {
        plant.run_all(0, 0, {{"A", Direction::loosen, 1}});
        plant.await(Code::withheld);
        plant.run_all(0, 0, {{"A", Direction::tighten, 1}});
        plant.await(Code::released);
    }
}

// A daemon that follows the one before on the same state: the links settle, and the proofs stand.
void resume(Plant& plant, const std::vector<std::string>& before,
            const std::vector<std::string>& environment) {
    plant.start(before, environment);
    plant.connect();
    plant.await_file_check();
    plant.run_all(0, 0, {{"A", Direction::loosen, 1}, {"A", Direction::tighten, 1}});
    plant.await(Code::released);
}

nlohmann::json pages_view(const PagesWritten& pages) {
    return {{"commits", pages.commits}, {"per_result", pages.per_commit}, {"by_table", pages.by_table}};
}

std::optional<std::filesystem::path> found_in_path(const std::string& program) {
    const char* const path = std::getenv("PATH");  // NOLINT(concurrency-mt-unsafe): nobody sets it
    std::string_view rest = path != nullptr ? path : "";
    while (!rest.empty()) {
        const auto end = rest.find(':');
        auto file = std::filesystem::path(rest.substr(0, end)) / program;
        if (access(file.c_str(), X_OK) == 0)
            return file;
        rest.remove_prefix(end == std::string_view::npos ? rest.size() : end + 1);
    }
    return std::nullopt;
}

}  // namespace

nlohmann::json count_calls(Plant& plant, unsigned results) {
    const auto file = plant.around().folder / "counters";
    const SharedCounters counters(file);
    resume(plant, {},
           {fmt::format("LD_PRELOAD={}", (plant.around().programs / "tautgate_bench_counting.so").string()),
            fmt::format("{}={}", counters_variable, file.string())});
    loosen_and_tighten(plant, 40);
    const auto before = counters.now();
    loosen_and_tighten(plant, results);
    const auto after = counters.now();
    const auto pages = pages_written(plant.journal(), results);
    if (!pages)
        give_up(pages.error());
    nlohmann::json view{{"results", results}, {"wal_pages", pages_view(*pages)}};
    for (const auto& [what, count] : after.items())
        view["per_result"][what] = (count.get<double>() - before.at(what).get<double>()) / results;
    plant.stop();
    if (view["per_result"]["allocations"] == 0.0 || view["per_result"]["fdatasync"] == 0.0)
        give_up("the counting library counts nothing");
    return view;
}

std::size_t row_size(const Plant& plant) {
    const auto bytes = result_row_bytes(plant.journal());
    if (!bytes)
        give_up(bytes.error());
    return static_cast<std::size_t>(*bytes);
}

nlohmann::json count_system_calls(Plant& plant, unsigned results) {
    const auto strace = found_in_path("strace");
    if (!strace)
        return nullptr;
    const auto trace = plant.around().folder / "trace";
    // -D: the process that was started becomes the daemon, and strace follows it from outside. -s: a line's
    // seal and the head of its result.
    resume(plant, {strace->string(), "-D", "-f", "-qq", "-s", "160", "-o", trace.string()}, {});
    loosen_and_tighten(plant, 10);
    const auto first = plant.tool(0, 0).counter();
    loosen_and_tighten(plant, results);
    const auto last = plant.tool(0, 0).counter();
    plant.stop();
    // strace writes the last lines after the daemon's end.
    auto calls = calls_between(trace, first, last);
    for (const auto end = Clock::now() + start_patience; !calls && Clock::now() < end;) {
        std::this_thread::sleep_for(std::chrono::milliseconds(20));  // the pace of asking
        calls = calls_between(trace, first, last);
    }
    if (!calls)
        give_up(calls.error());
    nlohmann::json view{{"results", last - first}, {"by_name", nlohmann::json::object()}};
    double all = 0;
    for (const auto& [name, count] : *calls) {
        view["by_name"][name] = static_cast<double>(count) / static_cast<double>(last - first);
        all += static_cast<double>(count);
    }
    view["per_result"] = all / static_cast<double>(last - first);
    return view;
}

nlohmann::json measure_start(Plant& plant, unsigned times) {
    std::vector<double> took;
    for (unsigned i = 0; i < times; ++i) {
        plant.start();
        if (!plant.shop().pump_until([&] { return plant.controller().first_good().has_value(); },
                                     start_patience))
            give_up("a daemon that was started writes nothing to its controller");
        const std::chrono::duration<double, std::milli> first =
            *plant.controller().first_good() - plant.daemon().begun();
        if (plant.controller().code() != Code::withheld)
            give_up("the first block of a daemon that was started is not withheld");
        took.push_back(first.count());
        plant.await_answer();  // until it listens for the order to stop
        plant.stop();
    }
    return {{"ms", percentiles(took)}};
}

nlohmann::json measure_idleness(Plant& plant, std::chrono::milliseconds time) {
    const auto before = plant.daemon().cpu_time();
    const auto begin = Clock::now();
    plant.shop().pump_for(time);
    const std::chrono::duration<double> used = plant.daemon().cpu_time() - before;
    const std::chrono::duration<double> took = Clock::now() - begin;
    const auto memory = plant.daemon().memory();
    return {{"polled_tools", plant.size().polled_tools},
            {"seconds", took.count()},
            {"cpu_percent", 100 * used.count() / took.count()},
            {"resident_mib", memory.resident_mib},
            {"proportional_mib", memory.proportional_mib}};
}

}  // namespace tautgate::benchmark
