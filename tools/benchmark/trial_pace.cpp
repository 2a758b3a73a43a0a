#include "tools/benchmark/trial_pace.hpp"

#include <algorithm>
#include <limits>
#include <stdexcept>
#include <vector>

#include <fmt/format.h>

#include "config/reader.hpp"
#include "service/history/trial_json.hpp"
#include "service/journal/reader.hpp"

namespace tautgate::benchmark {
namespace {

using Clock = std::chrono::steady_clock;

history::Trial one_trial(journal::Reader& reader, const config::Station& proposal) {
    auto trial =
        history::try_on_past(reader, history::Newest{std::numeric_limits<std::uint32_t>::max()}, proposal);
    if (!trial)
        throw std::runtime_error(journal::to_text(trial.error()));
    if (trial->results == 0)
        throw std::runtime_error(fmt::format("{}: no unit has come and left", reader.path().string()));
    return std::move(*trial);
}

double seconds_since(Clock::time_point begin) {
    return std::chrono::duration<double>(Clock::now() - begin).count();
}

}  // namespace

nlohmann::json measure_trial(const std::filesystem::path& journal, const std::filesystem::path& proposal,
                             std::chrono::milliseconds time) {
    const auto loading = config::load_station_file(proposal);
    if (!loading.station)
        throw std::runtime_error(
            fmt::format("{}: the description has mistakes; see tautgate check-config", proposal.string()));
    auto reader = journal::Reader::open(journal);
    if (!reader)
        throw std::runtime_error(journal::to_text(reader.error()));
    const auto first = one_trial(**reader, *loading.station);
    const auto differing = std::ranges::count_if(first.differing, &history::StayFindings::differs);
    std::vector<double> paces;
    const auto end = Clock::now() + time;
    while (paces.empty() || Clock::now() < end) {
        const auto begin = Clock::now();
        const auto trial = one_trial(**reader, *loading.station);
        paces.push_back(static_cast<double>(trial.results) / seconds_since(begin));
    }
    std::ranges::sort(paces);
    return {{"stays", first.stays},
            {"results", first.results},
            {"stays_with_differences", differing},
            {"trials", paces.size()},
            {"results_per_second",
             {{"p50", paces[paces.size() / 2]}, {"lowest", paces.front()}, {"highest", paces.back()}}}};
}

}  // namespace tautgate::benchmark
