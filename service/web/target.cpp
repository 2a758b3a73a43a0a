#include "service/web/target.hpp"

#include <charconv>
#include <cstdint>

namespace tautgate::web {
namespace {

constexpr std::size_t segments_max = 16;

std::optional<std::string> decoded(std::string_view text) {
    std::string out;
    for (std::size_t i = 0; i < text.size(); ++i) {
        if (text[i] != '%') {
            out += text[i];
            continue;
        }
        unsigned value = 0;
        const auto* begin = text.data() + i + 1;
        if (i + 2 >= text.size() || std::from_chars(begin, begin + 2, value, 16).ptr != begin + 2 ||
            value == 0)
            return std::nullopt;
        out += static_cast<char>(value);
        i += 2;
    }
    return out;
}

// Calls `take` with each piece; false as soon as one is refused.
template <class Take>
bool split(std::string_view text, char at, Take take) {
    while (true) {
        const auto end = text.find(at);
        if (!take(text.substr(0, end)))
            return false;
        if (end == std::string_view::npos)
            return true;
        text.remove_prefix(end + 1);
    }
}

}  // namespace

std::optional<Target> read_target(std::string_view target) {
    if (!target.starts_with('/'))
        return std::nullopt;
    Target out;
    const auto mark = target.find('?');
    const auto add_segment = [&](std::string_view piece) {
        auto segment = decoded(piece);
        if (!segment || out.segments.size() == segments_max)
            return false;
        out.segments.push_back(std::move(*segment));
        return true;
    };
    if (!split(target.substr(1, mark == std::string_view::npos ? mark : mark - 1), '/', add_segment))
        return std::nullopt;
    if (mark == std::string_view::npos || mark + 1 == target.size())
        return out;
    const auto add_query = [&](std::string_view piece) {
        const auto equals = piece.find('=');
        auto key = decoded(piece.substr(0, equals));
        auto value =
            decoded(equals == std::string_view::npos ? std::string_view{} : piece.substr(equals + 1));
        return key && value && out.query.emplace(std::move(*key), std::move(*value)).second;
    };
    if (!split(target.substr(mark + 1), '&', add_query))
        return std::nullopt;
    return out;
}

std::optional<std::uint64_t> number_from(std::string_view text) noexcept {
    std::uint64_t value = 0;
    const auto* end = text.data() + text.size();
    const auto read = std::from_chars(text.data(), end, value);
    return read.ec == std::errc{} && read.ptr == end ? std::optional{value} : std::nullopt;
}

}  // namespace tautgate::web
