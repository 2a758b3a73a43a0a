#include "tools/cli/label_lines.hpp"

#include <cerrno>

#include <fmt/format.h>
#include <unistd.h>

namespace tautgate::cli {
namespace {

constexpr char typed_break = 0x03;
constexpr char typed_end = 0x04;  // EOT, by which an envelope of ISO/IEC 15434 ends
constexpr char backspace = 0x08;
constexpr char delete_back = 0x7F;

[[nodiscard]] bool is_control(char c) { return static_cast<unsigned char>(c) < 0x20; }
[[nodiscard]] std::string visible(char c) {
    return is_control(c) ? std::string{'^', static_cast<char>(c + '@')} : std::string{c};
}

}  // namespace

LabelLines::LabelLines(int input, int shown)
    : input_(input), shown_(shown), at_terminal_(::tcgetattr(input, &before_) == 0) {
    if (!at_terminal_)
        return;
    as_it_comes_ = before_;
    as_it_comes_.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO | ISIG | IEXTEN);
    as_it_comes_.c_iflag &= ~static_cast<tcflag_t>(IXON);
    as_it_comes_.c_cc[VMIN] = 1;
    as_it_comes_.c_cc[VTIME] = 0;
    at_terminal_ = ::tcsetattr(input_, TCSADRAIN, &as_it_comes_) == 0;
}

LabelLines::~LabelLines() { give_back(); }

void LabelLines::give_back() const {
    if (at_terminal_)
        ::tcsetattr(input_, TCSADRAIN, &before_);
}

void LabelLines::take_again() const {
    if (at_terminal_)
        ::tcsetattr(input_, TCSADRAIN, &as_it_comes_);
}

std::optional<LabelLines::Line> LabelLines::next() {
    std::string line;
    while (const auto c = character()) {
        if (ends_it(*c, line.empty())) {
            show("\n");
            return std::nullopt;
        }
        const bool is_end = *c == '\n' || *c == '\r';
        if (!is_end)
            add(line, *c);
        if (!is_end || line.empty())
            continue;
        if (at_terminal_)
            show("\n");
        if (line.size() > longest)
            return NoLabel{
                fmt::format("the line is longer than the {} characters of any label and was not sent; "
                            "scan it again",
                            longest)};
        return line;
    }
    if (line.empty())
        return std::nullopt;
    return NoLabel{"the input ended within a line, which was not sent; end each label with a line end"};
}

bool LabelLines::ends_it(char c, bool at_beginning) const {
    return at_terminal_ && (c == typed_break || (c == typed_end && at_beginning));
}

// One more than the longest is kept, so that the line is known to be too long.
void LabelLines::add(std::string& line, char c) const {
    if (line.size() > longest)
        return;  // what was left out cannot be taken back either
    if (at_terminal_ && (c == backspace || c == delete_back))
        return take_back(line);
    line += c;
    if (at_terminal_)
        show(visible(c));
}

// Nothing: the input has ended.
std::optional<char> LabelLines::character() const {
    char c = 0;
    for (;;) {
        const auto got = ::read(input_, &c, 1);
        if (got == 1)
            return c;
        if (got == 0 || errno != EINTR)
            return std::nullopt;
    }
}

void LabelLines::show(const std::string& text) const {
    // What cannot be shown is typed all the same.
    [[maybe_unused]] const auto done = ::write(shown_, text.data(), text.size());
}

// The last character, with all bytes that UTF-8 gives it.
void LabelLines::take_back(std::string& line) const {
    if (line.empty())
        return;
    while (line.size() > 1 && (static_cast<unsigned char>(line.back()) & 0xC0U) == 0x80U)
        line.pop_back();
    show(is_control(line.back()) ? "\b\b  \b\b" : "\b \b");
    line.pop_back();
}

}  // namespace tautgate::cli
