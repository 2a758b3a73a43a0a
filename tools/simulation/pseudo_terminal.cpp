#include "tools/simulation/pseudo_terminal.hpp"

#include <array>
#include <cerrno>
#include <cstdlib>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <termios.h>
#include <unistd.h>

namespace tautgate::simulation {

namespace {

bool make_raw(int terminal) {
    termios settings{};
    if (tcgetattr(terminal, &settings) != 0)
        return false;
    cfmakeraw(&settings);
    return tcsetattr(terminal, TCSANOW, &settings) == 0;
}

}  // namespace

std::expected<PseudoTerminal, std::string> open_pseudo_terminal() {
    PseudoTerminal made;
    made.near = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    std::array<char, 64> name{};
    const bool has_far_end = made.near >= 0 && grantpt(made.near) == 0 && unlockpt(made.near) == 0 &&
                             ptsname_r(made.near, name.data(), name.size()) == 0;
    made.device = name.data();
    made.far = has_far_end ? ::open(name.data(), O_RDWR | O_NOCTTY | O_CLOEXEC) : -1;
    if (made.far >= 0 && make_raw(made.far))
        return made;
    std::string why = "cannot open a pseudo-terminal: " + std::generic_category().message(errno);
    for (const int end : {made.near, made.far})
        if (end >= 0)
            close(end);
    return std::unexpected(std::move(why));
}

}  // namespace tautgate::simulation
