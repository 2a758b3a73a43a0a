#include "protocol/frame_stamp.hpp"

#include <algorithm>
#include <string>

#include <fmt/format.h>

#include "protocol/utc.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::array<std::string_view, 6> part_names{"YYYY", "MM", "DD", "hh", "mm", "ss"};

}  // namespace

std::optional<StampParts> stamp_parts(std::string_view pattern) {
    StampParts parts{};
    for (std::size_t i = 0; i < part_names.size(); ++i) {
        parts[i] = pattern.find(part_names[i]);
        if (parts[i] == std::string_view::npos ||
            pattern.find(part_names[i], parts[i] + 1) != std::string_view::npos)
            return std::nullopt;
    }
    return parts;
}

std::optional<std::int64_t> stamp_in(std::string_view pattern, std::string_view text) {
    const auto parts = stamp_parts(pattern);
    if (!parts || text.size() != pattern.size())
        return std::nullopt;
    std::string rest(text);
    std::array<std::string, part_names.size()> found;
    for (std::size_t i = 0; i < part_names.size(); ++i) {
        const auto part = text.substr((*parts)[i], part_names[i].size());
        if (!std::ranges::all_of(part, [](char c) { return c >= '0' && c <= '9'; }))
            return std::nullopt;
        found[i] = part;
        rest.replace((*parts)[i], part.size(), part_names[i]);
    }
    if (rest != pattern)
        return std::nullopt;
    const auto stamp = parse_utc(
        fmt::format("{}-{}-{}T{}:{}:{}Z", found[0], found[1], found[2], found[3], found[4], found[5]));
    if (!stamp || stamp->leap_second)
        return std::nullopt;
    return stamp->micros;
}

}  // namespace tautgate::protocol
