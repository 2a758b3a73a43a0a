// How the command line puts words on a person's screen. Whatever came from outside (a label, a name, an
// answer of the service, a file) goes through plain(): bytes that could move the cursor, change colours or
// turn the direction of writing are shown as \xNN and never reach the terminal. Pure; any thread.
#pragma once

#include <charconv>
#include <concepts>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <system_error>
#include <vector>

namespace tautgate::cli {

// Printable UTF-8 stays as it is; control characters (C0, DEL, C1), line and direction marks of Unicode and
// bytes that are no UTF-8 become \xNN, byte by byte.
[[nodiscard]] std::string plain(std::string_view text);
// Whether plain() would change nothing.
[[nodiscard]] bool is_plain(std::string_view text);

// The whole number that the text is, from its first character to its last; nothing for any other text.
template <std::integral Number>
[[nodiscard]] std::optional<Number> whole_number(std::string_view text) {
    Number number = 0;
    const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), number);
    return fault == std::errc{} && end == text.data() + text.size() ? std::optional(number) : std::nullopt;
}

// Characters as a terminal counts them: code points, marks that combine not counted.
[[nodiscard]] std::size_t width_of(std::string_view text);

// After IEC 60073: green normal, yellow attention, red wrong or dangerous. Never the only carrier of a
// meaning: the word stands there too.
enum class Colour : std::uint8_t { none, green, yellow, red };

struct Cell {
    std::string text;  // plain() is applied when it is written
    Colour colour = Colour::none;
};

// Safe to print and at most `width` characters: of a longer text the beginning, with "..." after it.
[[nodiscard]] std::string shortened(std::string_view text, std::size_t width);

// Whole words in lines of at most `width` characters; a word that is longer is cut. 0: one line.
[[nodiscard]] std::vector<std::string> wrapped(std::string_view text, std::size_t width);

// Columns as wide as their widest cell, two blanks between them, no blank at the end of a line. Where the
// screen is narrower, the last column is wrapped; where even that leaves it no room, each row is a block of
// lines.
class Table {
  public:
    explicit Table(std::vector<std::string> heads) : heads_(std::move(heads)) {}
    // As many cells as heads.
    void row(std::vector<Cell> cells);
    [[nodiscard]] bool empty() const noexcept { return rows_.empty(); }
    // `indent` blanks before each line; at most `screen` characters in it, if that is not 0.
    [[nodiscard]] std::string text(bool colours, std::size_t indent = 0, std::size_t screen = 0) const;

  private:
    [[nodiscard]] std::string columns(bool colours, std::size_t indent,
                                      const std::vector<std::size_t>& widths, std::size_t last) const;
    [[nodiscard]] std::string blocks(bool colours, std::size_t indent, std::size_t screen) const;

    std::vector<std::string> heads_;
    std::vector<std::vector<Cell>> rows_;
};

[[nodiscard]] std::string painted(std::string_view text, Colour colour, bool colours);

// "override_joint" as words: "override joint".
[[nodiscard]] std::string words(std::string_view name);
// "2026-11-25T06:14:03.120000Z" as a person reads it: "2026-11-25 06:14:03Z". Other texts stay.
[[nodiscard]] std::string short_time(std::string_view utc);

}  // namespace tautgate::cli
