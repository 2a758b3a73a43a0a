#include "tools/cli/secret.hpp"

#include <cerrno>
#include <string>
#include <system_error>

#include <fcntl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include <fmt/format.h>

#include "tools/cli/text.hpp"

namespace tautgate::cli {
namespace {

constexpr std::size_t longest_secret = 1024;
constexpr char ctrl_c = 3;

// The reason that the system gave for the call that has just failed.
std::string why_not() { return std::generic_category().message(errno); }

class File {
  public:
    explicit File(int number) : number_(number) {}
    ~File() {
        if (number_ >= 0)
            ::close(number_);
    }
    File(const File&) = delete;
    File& operator=(const File&) = delete;
    File(File&&) = delete;
    File& operator=(File&&) = delete;
    [[nodiscard]] bool open() const noexcept { return number_ >= 0; }
    [[nodiscard]] int number() const noexcept { return number_; }

  private:
    int number_;
};

// The terminal shows nothing of what is typed as long as this lives.
class NoEcho {
  public:
    explicit NoEcho(int terminal) : terminal_(terminal), changed_(::tcgetattr(terminal, &before_) == 0) {
        if (!changed_)
            return;
        termios quiet = before_;
        quiet.c_lflag &= ~static_cast<tcflag_t>(ECHO);
        // Ctrl-C would leave the terminal without echo; it ends the line instead.
        quiet.c_lflag &= ~static_cast<tcflag_t>(ISIG);
        quiet.c_cc[VEOL] = ctrl_c;
        changed_ = ::tcsetattr(terminal_, TCSAFLUSH, &quiet) == 0;
    }
    ~NoEcho() {
        if (changed_)
            ::tcsetattr(terminal_, TCSAFLUSH, &before_);
    }
    NoEcho(const NoEcho&) = delete;
    NoEcho& operator=(const NoEcho&) = delete;
    NoEcho(NoEcho&&) = delete;
    NoEcho& operator=(NoEcho&&) = delete;
    [[nodiscard]] bool quiet() const noexcept { return changed_; }

  private:
    int terminal_;
    termios before_{};
    bool changed_;
};

// Up to the end of the line; without it. Nothing: it broke off.
std::expected<std::string, std::string> line_from(int number) {
    std::string line;
    char next = 0;
    for (;;) {
        const auto got = ::read(number, &next, 1);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return std::unexpected(why_not());
        if (got == 0 || next == '\n' || next == '\r')
            return line;
        if (next == ctrl_c)
            return std::unexpected("it was broken off");
        line += next;
        if (line.size() > longest_secret)
            return std::unexpected("the line is too long");
    }
}

bool say(int number, std::string_view text) {
    return ::write(number, text.data(), text.size()) == static_cast<ssize_t>(text.size());
}

}  // namespace

std::expected<std::string, std::string> ask_secret(std::string_view question) {
    const File terminal{::open("/dev/tty", O_RDWR | O_CLOEXEC | O_NOCTTY)};
    if (!terminal.open())
        return std::unexpected(
            fmt::format("{}: no terminal to type a secret at; give it in a file of your own "
                        "(mode 600) with --secret-file or --second-secret-file",
                        plain(question)));
    const NoEcho silence{terminal.number()};
    if (!silence.quiet() || !say(terminal.number(), fmt::format("{}: ", plain(question))))
        return std::unexpected(
            "the terminal cannot hide what is typed; give the secret in a file (mode 600)");
    auto line = line_from(terminal.number());
    if (!say(terminal.number(), "\n") || !line)
        return std::unexpected(fmt::format("no secret was typed: {}; run the command again",
                                           line ? "the terminal went away" : line.error()));
    if (line->empty())
        return std::unexpected("no secret was typed: the line was empty; run the command again");
    return line;
}

std::expected<bool, std::string> ask_yes(std::string_view question) {
    const File terminal{::open("/dev/tty", O_RDWR | O_CLOEXEC | O_NOCTTY)};
    if (!terminal.open() || !say(terminal.number(), fmt::format("{} Type yes to go on: ", plain(question))))
        return std::unexpected(
            "no terminal to ask at; look with tautgate why, then give the event number that "
            "it shows with --seen");
    const auto line = line_from(terminal.number());
    return line && *line == "yes";
}

std::expected<std::string, std::string> secret_from_file(const std::string& path) {
    const auto refuse = [&](std::string_view why, std::string_view remedy) {
        return std::unexpected(
            fmt::format("the secret file {} cannot be used: {}; {}", plain(path), why, remedy));
    };
    const File file{::open(path.c_str(), O_RDONLY | O_CLOEXEC)};
    struct stat about {};
    if (!file.open() || ::fstat(file.number(), &about) != 0)
        return refuse(why_not(), "name a file that this user can read");
    if (!S_ISREG(about.st_mode) && !S_ISFIFO(about.st_mode))
        return refuse("it is no file", "name a file");
    if ((about.st_mode & (S_IRWXG | S_IRWXO)) != 0)
        return refuse("others may read it", "take that away with chmod 600");
    auto line = line_from(file.number());
    if (!line)
        return refuse(line.error(), "write the secret alone into its first line");
    if (line->empty())
        return refuse("its first line is empty", "write the secret alone into it");
    return line;
}

}  // namespace tautgate::cli
