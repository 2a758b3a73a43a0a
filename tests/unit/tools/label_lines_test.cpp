// Labels that are typed, at a pseudo-terminal and from a pipe.
#include <catch2/catch.hpp>

#include <array>
#include <string>

#include <unistd.h>

#include "tests/unit/links/pseudo_terminal.hpp"
#include "tools/cli/label_lines.hpp"

using namespace tautgate;
using cli::LabelLines;

namespace {

class Pipe {
  public:
    Pipe() { REQUIRE(::pipe(ends_.data()) == 0); }
    ~Pipe() {
        ::close(ends_[0]);
        end();
    }
    Pipe(const Pipe&) = delete;
    Pipe& operator=(const Pipe&) = delete;
    Pipe(Pipe&&) = delete;
    Pipe& operator=(Pipe&&) = delete;
    void say(const std::string& text) {
        REQUIRE(::write(ends_[1], text.data(), text.size()) == static_cast<ssize_t>(text.size()));
    }
    void end() {
        if (ends_[1] >= 0)
            ::close(ends_[1]);
        ends_[1] = -1;
    }
    [[nodiscard]] int reading() const { return ends_[0]; }

  private:
    std::array<int, 2> ends_{};
};

std::string text_of(const std::optional<LabelLines::Line>& line) {
    if (!line)
        return "(ended)";
    if (const auto* none = std::get_if<LabelLines::NoLabel>(&*line))
        return "(" + none->why + ")";
    return std::get<std::string>(*line);
}

}  // namespace

TEST_CASE("labels from a pipe come one a line, and what was cut off is told") {
    Pipe pipe;
    LabelLines lines(pipe.reading(), STDERR_FILENO);
    CHECK_FALSE(lines.at_terminal());
    pipe.say("D-1\r\n\nF-2\n" + std::string(LabelLines::longest + 7, 'x') +
             "\nD-\x1d"
             "3\nD-4");
    pipe.end();
    CHECK(text_of(lines.next()) == "D-1");
    CHECK(text_of(lines.next()) == "F-2");
    CHECK_THAT(text_of(lines.next()), Catch::Contains("longer than the 256 characters"));
    CHECK(text_of(lines.next()) == "D-\x1d"
                                   "3");
    CHECK_THAT(text_of(lines.next()), Catch::Contains("ended within a line, which was not sent"));
    CHECK(text_of(lines.next()) == "(ended)");
}

// The envelope as ISO/IEC 15434 has it: [)> RS 05 GS ... RS EOT.
TEST_CASE(
    "a scanner that types at a terminal may type every character that a label has, and people correct") {
    links::testing::PseudoTerminal line;
    const int terminal = ::open(line.device().c_str(), O_RDWR | O_NOCTTY);
    REQUIRE(terminal >= 0);
    termios before{};
    REQUIRE(::tcgetattr(terminal, &before) == 0);
    {
        LabelLines lines(terminal, terminal);
        REQUIRE(lines.at_terminal());
        const std::string envelope = "[)>\x1e"
                                     "05\x1d"
                                     "10ABC\x1e\x04";
        REQUIRE(line.send(envelope + "\r"));
        CHECK(text_of(lines.next()) == envelope);
        REQUIRE(line.send("D-19\x7f\x7f"
                          "2\r"));
        CHECK(text_of(lines.next()) == "D-2");
        REQUIRE(line.send("\x13\x11"
                          "D-3\x1a\r"));  // XON, XOFF and Ctrl-Z are characters like others
        CHECK(text_of(lines.next()) == "\x13\x11"
                                       "D-3\x1a");
        REQUIRE(line.send("\x04"));
        CHECK(text_of(lines.next()) == "(ended)");
        REQUIRE(line.send("D-4\x03"));
        CHECK(text_of(lines.next()) == "(ended)");
    }
    termios after{};
    REQUIRE(::tcgetattr(terminal, &after) == 0);
    CHECK(after.c_lflag == before.c_lflag);
    CHECK(after.c_iflag == before.c_iflag);
    ::close(terminal);
}
