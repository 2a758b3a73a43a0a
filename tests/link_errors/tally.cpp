
#include "tests/link_errors/tally.hpp"

#include <algorithm>
#include <charconv>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <future>
#include <optional>
#include <stdexcept>
#include <string_view>

#include <fmt/format.h>

#include "protocol/link_errors.hpp"

namespace tautgate::link_errors {

namespace {

constexpr std::uint64_t first_seed = 20'261'126;

[[nodiscard]] const char* environment(const char* name) {
    return std::getenv(name);  // NOLINT(concurrency-mt-unsafe): nobody sets it
}

[[nodiscard]] std::uint64_t number_of(const char* name, std::uint64_t otherwise) {
    const char* const said = environment(name);
    if (said == nullptr)
        return otherwise;
    const std::string_view text{said};
    std::uint64_t count = 0;
    const auto [end, failed] = std::from_chars(text.data(), text.data() + text.size(), count);
    if (failed != std::errc{} || end != text.data() + text.size() || count == 0)
        throw std::runtime_error(fmt::format("{} is '{}', which is no number from 1 on", name, text));
    return count;
}

[[nodiscard]] std::optional<std::filesystem::path> progress_file(const std::string& link) {
    const char* const folder = environment("TAUTGATE_PROGRESS");
    if (folder == nullptr)
        return std::nullopt;
    std::filesystem::create_directories(folder);
    std::string name = link;
    std::ranges::replace(name, ' ', '_');
    return std::filesystem::path(folder) / name;
}

// Numbers only: slices that are done, then what they counted.
[[nodiscard]] std::uint64_t read_progress(const std::filesystem::path& file, Tally& tally) {
    std::ifstream in{file};
    std::uint64_t slices = 0;
    std::int64_t longest = 0;
    Tally read;
    in >> slices >> longest;
    for (Count& count : read.counts)
        in >> count.injected >> count.noticed >> count.harmless >> count.beyond;
    if (!in)
        return 0;
    read.longest_to_withhold = std::chrono::milliseconds(longest);
    tally.add(read);
    return slices;
}

void note_progress(const std::filesystem::path& file, std::uint64_t slices, const Tally& tally) {
    const std::filesystem::path next = file.string() + ".next";
    {
        std::ofstream out{next};
        out << slices << ' ' << tally.longest_to_withhold.count() << '\n';
        for (const Count& count : tally.counts)
            out << count.injected << ' ' << count.noticed << ' ' << count.harmless << ' ' << count.beyond
                << '\n';
        if (!out.flush())
            throw std::runtime_error(fmt::format("cannot write {}", next.string()));
    }
    std::filesystem::rename(next, file);
}

}  // namespace

std::uint64_t Tally::injected() const {
    std::uint64_t sum = 0;
    for (const Count& count : counts)
        sum += count.injected;
    return sum;
}

void Tally::count(LinkError error, bool noticed, bool beyond) {
    Count& of_error = of(error);
    ++of_error.injected;
    if (beyond)
        ++of_error.beyond;
    else
        ++(noticed ? of_error.noticed : of_error.harmless);
}

void Tally::add(const Tally& more) {
    for (std::size_t i = 0; i < counts.size(); ++i) {
        counts.at(i).injected += more.counts.at(i).injected;
        counts.at(i).noticed += more.counts.at(i).noticed;
        counts.at(i).harmless += more.counts.at(i).harmless;
        counts.at(i).beyond += more.counts.at(i).beyond;
    }
    longest_to_withhold = std::max(longest_to_withhold, more.longest_to_withhold);
    violations.insert(violations.end(), more.violations.begin(), more.violations.end());
}

std::string to_text(const std::string& link, const Tally& tally) {
    std::string text = fmt::format("{}: {} errors\n{:18} {:>8} {:>8} {:>8} {:>8}\n", link, tally.injected(),
                                   "", "injected", "noticed", "harmless", "beyond");
    for (const LinkError error : all_link_errors) {
        const Count& count = tally.counts.at(static_cast<std::size_t>(error));
        text += fmt::format("{:18} {:8} {:8} {:8} {:8}\n", protocol::link_error_text(error), count.injected,
                            count.noticed, count.harmless, count.beyond);
    }
    return text;
}

Tally run_slices(const std::string& link, std::uint64_t ordinary,
                 Tally (*slice)(std::uint64_t seed, std::uint64_t injections)) {
    const std::uint64_t wanted = number_of("TAUTGATE_INJECTIONS", ordinary);
    const std::uint64_t at_once = number_of("TAUTGATE_AT_ONCE", 1);
    const auto file = progress_file(link);
    Tally tally;
    std::uint64_t done = file ? read_progress(*file, tally) : 0;
    while (done * slice_length < wanted && tally.violations.empty()) {
        std::vector<std::future<Tally>> running;
        for (; running.size() < at_once && done * slice_length < wanted; ++done)
            running.push_back(std::async(std::launch::async, slice, first_seed + done,
                                         std::min(slice_length, wanted - done * slice_length)));
        for (std::future<Tally>& one : running)
            tally.add(one.get());
        if (file && tally.violations.empty())
            note_progress(*file, done, tally);
    }
    fmt::print("{}\n", to_text(link, tally));
    return tally;
}

}  // namespace tautgate::link_errors
