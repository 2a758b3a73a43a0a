#include "tools/cli/plot.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>

#include <fmt/format.h>

#include "tools/cli/text.hpp"

namespace tautgate::cli {
namespace {

struct Span {
    double low = 0;
    double high = 0;

    [[nodiscard]] double share(double value) const { return high > low ? (value - low) / (high - low) : 0; }
};

template <class Get>
Span span_of(const std::vector<PlotPoint>& points, Get get) {
    Span span{0, 0};
    for (const PlotPoint& point : points) {
        span.low = std::min(span.low, get(point));
        span.high = std::max(span.high, get(point));
    }
    return span;
}

// Dots in a grid, `per_column` and `per_line` of them in a character.
class DotGrid {
  public:
    DotGrid(std::size_t columns, std::size_t lines, bool braille)
        : columns_(columns), lines_(lines), across_(braille ? 2 : 1), down_(braille ? 4 : 1),
          cells_(columns * lines) {}

    [[nodiscard]] std::size_t width() const { return columns_ * across_; }
    [[nodiscard]] std::size_t height() const { return lines_ * down_; }

    void set(std::size_t x, std::size_t from_below) {
        // Unicode 15, block Braille Patterns: dots 1 to 8 are the bits 0 to 7, numbered down the left column,
        // then the right one, the lowest pair last.
        constexpr std::uint8_t bits[4][2] = {{0x01, 0x08}, {0x02, 0x10}, {0x04, 0x20}, {0x40, 0x80}};
        const std::size_t y = height() - 1 - from_below;
        std::uint8_t& cell = cells_[y / down_ * columns_ + x / across_];
        cell = static_cast<std::uint8_t>(cell | bits[y % down_][x % across_]);
    }
    [[nodiscard]] std::string line(std::size_t number) const {
        std::string text;
        for (std::size_t i = 0; i < columns_; ++i) {
            const std::uint8_t cell = cells_[number * columns_ + i];
            if (cell == 0)
                text += ' ';
            else if (down_ == 1)
                text += '*';
            else
                text +=
                    {'\xe2', static_cast<char>(0xa0 | cell >> 6), static_cast<char>(0x80 | (cell & 0x3f))};
        }
        text.erase(text.find_last_not_of(' ') + 1);
        return text;
    }

  private:
    std::size_t columns_;
    std::size_t lines_;
    std::size_t across_;
    std::size_t down_;
    std::vector<std::uint8_t> cells_;
};

std::size_t place(double share, std::size_t places) {
    return static_cast<std::size_t>(std::lround(share * static_cast<double>(places - 1)));
}

void draw(DotGrid& grid, const std::vector<PlotPoint>& points, const Span& x, const Span& y) {
    std::size_t before_x = 0;
    std::size_t before_y = 0;
    for (std::size_t i = 0; i < points.size(); ++i) {
        const std::size_t to_x = place(x.share(points[i].x), grid.width());
        const std::size_t to_y = place(y.share(points[i].y), grid.height());
        if (i == 0) {
            grid.set(to_x, to_y);
        } else {
            const auto far = [](std::size_t a, std::size_t b) { return a > b ? a - b : b - a; };
            const std::size_t steps = std::max({far(before_x, to_x), far(before_y, to_y), std::size_t{1}});
            for (std::size_t step = 1; step <= steps; ++step) {
                const auto between = [&](std::size_t from, std::size_t to) {
                    const double share = static_cast<double>(step) / static_cast<double>(steps);
                    return static_cast<std::size_t>(
                        std::lround(static_cast<double>(from) +
                                    share * (static_cast<double>(to) - static_cast<double>(from))));
                };
                grid.set(between(before_x, to_x), between(before_y, to_y));
            }
        }
        before_x = to_x;
        before_y = to_y;
    }
}

}  // namespace

std::string plot(const std::vector<PlotPoint>& points, const PlotStyle& style) {
    if (points.empty() || style.lines == 0)
        return {};
    const Span x = span_of(points, [](const PlotPoint& point) { return point.x; });
    const Span y = span_of(points, [](const PlotPoint& point) { return point.y; });
    const std::string high = fmt::format("{:.6g}", y.high);
    const std::string low = fmt::format("{:.6g}", y.low);
    const std::size_t margin = std::max(high.size(), low.size());
    constexpr std::size_t least_columns = 10;
    if (style.screen < margin + 3 + least_columns)
        return {};
    const std::size_t columns = style.screen - margin - 3;  // a blank, the axis, and none at the edge
    DotGrid grid(columns, style.lines, style.braille);
    draw(grid, points, x, y);

    std::string text = plain(style.y_name) + "\n";
    for (std::size_t i = 0; i < style.lines; ++i) {
        const std::string label = i == 0 ? high : i + 1 == style.lines ? low : "";
        const std::string dots = grid.line(i);
        text += fmt::format("{:>{}} |{}\n", label, margin, dots);
    }
    const std::string first = fmt::format("{:.6g}", x.low);
    const std::string last = fmt::format("{:.6g} {}", x.high, plain(style.x_name));
    text += fmt::format("{:>{}} +{}\n", "", margin, std::string(columns, '-'));
    // Where the screen has no room for both, the end of the axis is the one that tells more.
    const std::size_t both = first.size() + 1 + width_of(last);
    if (both <= columns)
        text +=
            fmt::format("{:>{}}  {}{}{}\n", "", margin, first, std::string(columns - both + 1, ' '), last);
    else if (width_of(last) <= columns)
        text += fmt::format("{:>{}}  {}{}\n", "", margin, std::string(columns - width_of(last), ' '), last);
    return text;
}

}  // namespace tautgate::cli
