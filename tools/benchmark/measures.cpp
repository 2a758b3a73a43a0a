#include "tools/benchmark/measures.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <iterator>

namespace tautgate::benchmark {
namespace {

double present(std::vector<double> values, double part) {
    const auto found = quantile(std::move(values), part);
    assert(found);  // a block without samples ends the run before this
    return *found;
}

template <class RatioOf>
double median_ratio(const std::vector<Round>& rounds, RatioOf ratio_of) {
    std::vector<double> ratios;
    ratios.reserve(rounds.size());
    for (const Round& round : rounds)
        ratios.push_back(ratio_of(round));
    return median(std::move(ratios));
}

std::vector<double> both(const Round& round) {
    std::vector<double> all = round.floor;
    std::ranges::copy(round.floor_again, std::back_inserter(all));
    return all;
}

}  // namespace

std::optional<double> quantile(std::vector<double> values, double part) {
    if (values.empty())
        return std::nullopt;
    const auto rank = std::ceil(part * static_cast<double>(values.size()));
    const auto index = std::clamp(static_cast<std::ptrdiff_t>(rank) - 1, std::ptrdiff_t{0},
                                  static_cast<std::ptrdiff_t>(values.size()) - 1);
    std::ranges::nth_element(values, values.begin() + index);
    return values[static_cast<std::size_t>(index)];
}

double median(std::vector<double> values) { return present(std::move(values), 0.5); }

nlohmann::json percentiles(const std::vector<double>& values) {
    nlohmann::json out{{"samples", values.size()}};
    for (const auto& [name, part] :
         {std::pair{"p10", 0.1}, {"p25", 0.25}, {"p50", 0.5}, {"p75", 0.75}, {"p90", 0.9}, {"p99", 0.99}}) {
        const bool enough = part < 0.99 || values.size() >= samples_for_p99;
        const auto value = enough ? quantile(values, part) : std::nullopt;
        out[name] = value ? nlohmann::json(*value) : nlohmann::json(nullptr);
    }
    return out;
}

double ratio_to_floor(const std::vector<Round>& rounds, double part) {
    return median_ratio(rounds, [&](const Round& round) {
        return present(round.subject, part) / present(both(round), part);
    });
}

double floor_to_itself(const std::vector<Round>& rounds, double part) {
    return median_ratio(rounds, [&](const Round& round) {
        return present(round.floor, part) / present(round.floor_again, part);
    });
}

}  // namespace tautgate::benchmark
