// A serial line whose far end the test holds: a pseudo-terminal.
#pragma once

#include <array>
#include <stdexcept>
#include <string>

#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

namespace tautgate::links::testing {

class PseudoTerminal {
  public:
    PseudoTerminal() : far_(posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC)) {
        std::array<char, 64> name{};
        if (far_ < 0 || grantpt(far_) != 0 || unlockpt(far_) != 0 ||
            ptsname_r(far_, name.data(), name.size()) != 0)
            throw std::runtime_error("no pseudo-terminal");
        device_ = name.data();
    }
    ~PseudoTerminal() { unplug(); }
    PseudoTerminal(const PseudoTerminal&) = delete;
    PseudoTerminal& operator=(const PseudoTerminal&) = delete;
    PseudoTerminal(PseudoTerminal&&) = delete;
    PseudoTerminal& operator=(PseudoTerminal&&) = delete;

    // The near end, as the PC sees it.
    [[nodiscard]] const std::string& device() const noexcept { return device_; }
    [[nodiscard]] bool send(const std::string& bytes) const {
        return write(far_, bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size());
    }
    // What the near end has sent by now.
    [[nodiscard]] std::string received() const {
        std::array<char, 1024> bytes{};
        pollfd waiting{far_, POLLIN, 0};
        if (poll(&waiting, 1, 0) != 1 || (waiting.revents & POLLIN) == 0)
            return {};
        const ssize_t count = read(far_, bytes.data(), bytes.size());
        return {bytes.data(), count > 0 ? static_cast<std::size_t>(count) : 0};
    }
    // What whoever has the near end has set up.
    [[nodiscard]] termios settings() const {
        termios now{};
        if (tcgetattr(far_, &now) != 0)
            throw std::runtime_error("no settings of the pseudo-terminal");
        return now;
    }
    // The near end reads an error from then on.
    void unplug() {
        if (far_ >= 0)
            close(far_);
        far_ = -1;
    }

  private:
    int far_;
    std::string device_;
};

}  // namespace tautgate::links::testing
