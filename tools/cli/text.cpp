#include "tools/cli/text.hpp"

#include <algorithm>
#include <cassert>
#include <utility>

#include <fmt/format.h>

#include "protocol/text.hpp"

namespace tautgate::cli {
namespace {

std::size_t length_of(unsigned char lead) {
    if (lead < 0x80)
        return 1;
    if (lead >= 0xC2 && lead < 0xE0)
        return 2;
    if (lead >= 0xE0 && lead < 0xF0)
        return 3;
    return lead >= 0xF0 && lead < 0xF5 ? 4 : 0;
}

std::uint32_t code_point(std::string_view bytes) {
    static constexpr std::uint32_t lead_bits[]{0x7F, 0x7F, 0x1F, 0x0F, 0x07};
    std::uint32_t point = static_cast<unsigned char>(bytes.front()) & lead_bits[bytes.size()];
    for (const char next : bytes.substr(1))
        point = (point << 6U) | (static_cast<unsigned char>(next) & 0x3FU);
    return point;
}

// Would do something to the screen other than show a character.
bool acts_on_screen(std::uint32_t point) {
    return point < 0x20 || (point >= 0x7F && point < 0xA0) || point == 0x061C ||
           (point >= 0x200B && point <= 0x200F) || (point >= 0x2028 && point <= 0x202E) ||
           (point >= 0x2060 && point <= 0x206F) || point == 0xFEFF || (point >= 0xFFF9 && point <= 0xFFFB) ||
           (point >= 0xE0000 && point <= 0xE0FFF);
}

bool combines(std::uint32_t point) {
    return (point >= 0x0300 && point < 0x0370) || (point >= 0x1AB0 && point < 0x1B00) ||
           (point >= 0x1DC0 && point < 0x1E00) || (point >= 0x20D0 && point < 0x2100) ||
           (point >= 0xFE20 && point < 0xFE30);
}

// The next whole character, or one byte of what is none.
struct Piece {
    std::string_view bytes;
    bool shown = false;
};
Piece next_piece(std::string_view rest) {
    const auto length = length_of(static_cast<unsigned char>(rest.front()));
    if (length == 0 || length > rest.size() || !protocol::is_utf8(rest.substr(0, length)))
        return {rest.substr(0, 1), false};
    return {rest.substr(0, length), !acts_on_screen(code_point(rest.substr(0, length)))};
}

}  // namespace

std::string plain(std::string_view text) {
    std::string result;
    result.reserve(text.size());
    while (!text.empty()) {
        const auto piece = next_piece(text);
        if (piece.shown)
            result += piece.bytes;
        else
            for (const char byte : piece.bytes)
                result += fmt::format("\\x{:02X}", static_cast<unsigned char>(byte));
        text.remove_prefix(piece.bytes.size());
    }
    return result;
}

bool is_plain(std::string_view text) {
    while (!text.empty()) {
        const auto piece = next_piece(text);
        if (!piece.shown)
            return false;
        text.remove_prefix(piece.bytes.size());
    }
    return true;
}

std::size_t width_of(std::string_view text) {
    std::size_t width = 0;
    while (!text.empty()) {
        const auto piece = next_piece(text);
        width += !piece.shown || !combines(code_point(piece.bytes)) ? 1 : 0;
        text.remove_prefix(piece.bytes.size());
    }
    return width;
}

std::string painted(std::string_view text, Colour colour, bool colours) {
    if (!colours)
        return std::string(text);
    switch (colour) {
    case Colour::none: return std::string(text);
    case Colour::green: return fmt::format("\x1b[32m{}\x1b[0m", text);
    case Colour::yellow: return fmt::format("\x1b[33m{}\x1b[0m", text);
    case Colour::red: return fmt::format("\x1b[31m{}\x1b[0m", text);
    }
    return std::string(text);
}

void Table::row(std::vector<Cell> cells) {
    assert(cells.size() == heads_.size());
    for (auto& cell : cells)
        cell.text = plain(cell.text);
    rows_.push_back(std::move(cells));
}

namespace {

// As many whole characters as fit, with the marks that combine with the last.
std::string_view beginning(std::string_view text, std::size_t width) {
    std::size_t taken = 0;
    std::size_t bytes = 0;
    while (bytes < text.size()) {
        const auto piece = next_piece(text.substr(bytes));
        const std::size_t wide = piece.shown && combines(code_point(piece.bytes)) ? 0 : 1;
        if (taken + wide > width)
            break;
        taken += wide;
        bytes += piece.bytes.size();
    }
    return text.substr(0, bytes);
}

constexpr std::size_t least_for_last_column = 20;

}  // namespace

std::string shortened(std::string_view text, std::size_t width) {
    constexpr std::string_view cut = "...";
    auto whole = plain(text);
    return width_of(whole) <= width
               ? whole
               : fmt::format("{}{}", beginning(whole, width - std::min(width, cut.size())), cut);
}

std::vector<std::string> wrapped(std::string_view text, std::size_t width) {
    if (width == 0 || width_of(text) <= width)
        return {std::string(text)};
    std::vector<std::string> lines;
    std::string line;
    while (!text.empty()) {
        auto word = text.substr(0, text.find(' '));
        text.remove_prefix(std::min(word.size() + 1, text.size()));
        if (!line.empty() && width_of(line) + 1 + width_of(word) > width)
            lines.push_back(std::exchange(line, {}));
        while (line.empty() && width_of(word) > width) {
            lines.emplace_back(beginning(word, width));
            word.remove_prefix(lines.back().size());
        }
        line += (line.empty() ? "" : " ") + std::string(word);
    }
    if (!line.empty())
        lines.push_back(std::move(line));
    return lines;
}

std::string Table::text(bool colours, std::size_t indent, std::size_t screen) const {
    std::vector<std::size_t> widths;
    std::size_t before_last = indent;
    for (std::size_t column = 0; column < heads_.size(); ++column) {
        widths.push_back(width_of(heads_[column]));
        for (const auto& row : rows_)
            widths.back() = std::max(widths.back(), width_of(row[column].text));
        before_last += column + 1 < heads_.size() ? widths.back() + 2 : 0;
    }
    if (screen == 0 || before_last + widths.back() <= screen)
        return columns(colours, indent, widths, 0);
    if (before_last + std::max(least_for_last_column, width_of(heads_.back())) <= screen)
        return columns(colours, indent, widths, screen - before_last);
    return blocks(colours, indent, screen);
}

// `last`: width at which the last column is wrapped; 0: it is not.
std::string Table::columns(bool colours, std::size_t indent, const std::vector<std::size_t>& widths,
                           std::size_t last) const {
    std::string result;
    const auto end_of_line = [&](std::string line) {
        line.erase(line.find_last_not_of(' ') + 1);
        result += line + "\n";
    };
    const auto add = [&](const auto& text_at, const auto& colour_at) {
        std::string line(indent, ' ');
        std::size_t at = indent;
        for (std::size_t column = 0; column + 1 < heads_.size(); ++column) {
            const std::string& text = text_at(column);
            line += text.empty() ? text : painted(text, colour_at(column), colours);
            line += std::string(widths[column] - width_of(text) + 2, ' ');
            at += widths[column] + 2;
        }
        for (const auto& part : wrapped(text_at(heads_.size() - 1), last)) {
            if (!part.empty())
                line += painted(part, colour_at(heads_.size() - 1), colours);
            end_of_line(std::exchange(line, std::string(at, ' ')));
        }
    };
    add([&](std::size_t column) -> const std::string& { return heads_[column]; },
        [](std::size_t) { return Colour::none; });
    for (const auto& row : rows_)
        add([&](std::size_t column) -> const std::string& { return row[column].text; },
            [&](std::size_t column) { return row[column].colour; });
    return result;
}

// The first cell opens a block; of the others, those that say something follow under their heads.
std::string Table::blocks(bool colours, std::size_t indent, std::size_t screen) const {
    std::string result;
    const auto add = [&](const std::string& head, const Cell& cell, std::size_t from) {
        const auto start = from + width_of(head);
        const auto room = screen > start + least_for_last_column ? screen - start : least_for_last_column;
        std::string line = std::string(from, ' ') + head;
        for (const auto& part : wrapped(cell.text, room))
            result +=
                std::exchange(line, std::string(start, ' ')) + painted(part, cell.colour, colours) + "\n";
    };
    for (const auto& row : rows_)
        for (std::size_t column = 0; column < heads_.size(); ++column) {
            const auto& cell = row[column];
            if (column == 0)
                add("", cell, indent);
            else if (!cell.text.empty() && cell.text != "-")
                add(heads_[column] + ": ", cell, indent + 2);
        }
    return result;
}

std::string words(std::string_view name) {
    std::string result(name);
    std::ranges::replace(result, '_', ' ');
    return result;
}

std::string short_time(std::string_view utc) {
    constexpr std::size_t to_second = 19;  // "2026-11-25T06:14:03"
    if (utc.size() <= to_second || utc[10] != 'T' || utc.back() != 'Z')
        return std::string(utc);
    return fmt::format("{} {}Z", utc.substr(0, 10), utc.substr(11, 8));
}

}  // namespace tautgate::cli
