#include "tools/benchmark/traces.hpp"

#include <algorithm>
#include <cctype>
#include <fstream>
#include <optional>
#include <string_view>

#include <fmt/format.h>

namespace tautgate::benchmark {
namespace {

// "1234  name(..." begins a call; "<... name resumed>" ends one that another thread's had cut in two, and
// does not count again.
std::optional<std::string> call_in(std::string_view line) {
    line.remove_prefix(std::min(line.find_first_not_of("0123456789 "), line.size()));
    const auto name_end = line.find('(');
    if (name_end == std::string_view::npos || name_end == 0)
        return std::nullopt;
    const auto name = line.substr(0, name_end);
    const bool is_name =
        std::ranges::all_of(name, [](unsigned char c) { return std::isalnum(c) != 0 || c == '_'; });
    return is_name ? std::optional<std::string>(name) : std::nullopt;
}

}  // namespace

std::expected<std::map<std::string, std::uint64_t>, std::string>
calls_between(const std::filesystem::path& trace, std::uint64_t first, std::uint64_t last) {
    const auto mark = [](std::uint64_t counter) {
        return fmt::format(R"({{\"result\":{{\"counter\":\"{}\")", counter);
    };
    const std::string begin = mark(first);
    const std::string end = mark(last);
    std::ifstream in(trace);
    std::map<std::string, std::uint64_t> calls;
    bool inside = false;
    for (std::string line; std::getline(in, line);) {
        if (inside && line.find(end) != std::string::npos)
            return calls;
        inside = inside || line.find(begin) != std::string::npos;
        if (!inside)
            continue;
        if (const auto call = call_in(line))
            ++calls[*call];
    }
    return std::unexpected(
        fmt::format("the trace {} does not show results {} to {}", trace.string(), first, last));
}

}  // namespace tautgate::benchmark
