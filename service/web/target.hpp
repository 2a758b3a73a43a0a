// Takes a request's target apart: path segments and query, percent-decoded. Pure; any thread.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tautgate::web {

struct Target {
    std::vector<std::string> segments;  // of "/v1/units/LT26%2F7": "v1", "units", "LT26/7"
    std::map<std::string, std::string> query;
};

// Nothing: it is no absolute path, has a broken escape, a NUL, more than 16 segments or the same query key
// twice.
[[nodiscard]] std::optional<Target> read_target(std::string_view target);

// A whole decimal number; nothing for anything else.
[[nodiscard]] std::optional<std::uint64_t> number_from(std::string_view text) noexcept;

}  // namespace tautgate::web
