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

std::string Table::text(bool colours, std::size_t indent) const {
    std::vector<std::size_t> widths;
    for (std::size_t column = 0; column < heads_.size(); ++column) {
        widths.push_back(width_of(heads_[column]));
        for (const auto& row : rows_)
            widths.back() = std::max(widths.back(), width_of(row[column].text));
    }
    std::string result;
    const auto line = [&](const auto& text_at, const auto& colour_at) {
        std::string written(indent, ' ');
        std::size_t blanks = 0;
        for (std::size_t column = 0; column < heads_.size(); ++column) {
            const std::string& text = text_at(column);
            if (!text.empty()) {
                written += std::string(blanks, ' ') + painted(text, colour_at(column), colours);
                blanks = 0;
            }
            blanks += widths[column] - width_of(text) + 2;
        }
        result += written + "\n";
    };
    line([&](std::size_t column) -> const std::string& { return heads_[column]; },
         [](std::size_t) { return Colour::none; });
    for (const auto& row : rows_)
        line([&](std::size_t column) -> const std::string& { return row[column].text; },
             [&](std::size_t column) { return row[column].colour; });
    return result;
}

std::string api_name(std::string_view kind) {
    std::string name;
    for (const char c : kind) {
        const bool upper = c >= 'A' && c <= 'Z';
        if (upper && !name.empty())
            name += '_';
        name += upper ? static_cast<char>(c - 'A' + 'a') : c;
    }
    return name;
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
