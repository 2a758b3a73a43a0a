// A serial line without a cable: a pseudo-terminal whose near end a simulated device holds, and whose far end
// has a path that somebody opens as a serial device. It changes nothing of what goes over it.
#pragma once

#include <expected>
#include <string>

namespace tautgate::simulation {

// Whoever takes it closes both ends.
struct PseudoTerminal {
    int near = -1;
    int far = -1;  // held open, so that the line does not hang up with its last user
    std::string device;
};

// The error is one sentence.
[[nodiscard]] std::expected<PseudoTerminal, std::string> open_pseudo_terminal();

}  // namespace tautgate::simulation
