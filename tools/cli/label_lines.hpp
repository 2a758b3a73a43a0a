// Labels that are typed, one a line: by hand, or by a scanner that types like a keyboard. Such a scanner
// types the separators of a label too, as control characters, and some of them mean something to a terminal:
// so the terminal gives every character as it comes while this lives. Blocking; one thread.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <variant>

#include <termios.h>

#include "protocol/ticket_rule.hpp"

namespace tautgate::cli {

class LabelLines {
  public:
    static constexpr std::size_t longest = protocol::label_limit;

    // What came is no label: the line was longer than any, or the input ended in it.
    struct NoLabel {
        std::string why;  // a sentence with the remedy
    };
    using Line = std::variant<std::string, NoLabel>;

    // `input` and `shown` stay open; where `input` is a terminal what is typed is shown at `shown`, control
    // characters as ^X.
    LabelLines(int input, int shown);
    ~LabelLines();
    LabelLines(const LabelLines&) = delete;
    LabelLines& operator=(const LabelLines&) = delete;
    LabelLines(LabelLines&&) = delete;
    LabelLines& operator=(LabelLines&&) = delete;

    [[nodiscard]] bool at_terminal() const noexcept { return at_terminal_; }
    // The terminal is as it was before, for whatever else asks there, until it is taken again.
    void give_back() const;
    void take_again() const;
    // Without its end; empty lines are passed over. Nothing: the input has ended, or at a terminal somebody
    // typed Ctrl-C, or Ctrl-D at the beginning of a line.
    [[nodiscard]] std::optional<Line> next();

  private:
    [[nodiscard]] std::optional<char> character() const;
    [[nodiscard]] bool ends_it(char c, bool at_beginning) const;
    void add(std::string& line, char c) const;
    void show(const std::string& text) const;
    void take_back(std::string& line) const;

    int input_;
    int shown_;
    termios before_{};
    termios as_it_comes_{};
    bool at_terminal_;
};

}  // namespace tautgate::cli
