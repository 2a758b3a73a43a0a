// tautgate look: what one tool of a station's description says, for the person who wires it: over its own
// wire, or out of a capture. The service is not asked and nothing of it is changed. Blocking; one thread.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "protocol/link_error.hpp"
#include "tools/cli/questions.hpp"

namespace tautgate::cli {

struct LookOrder {
    std::string file;  // the station's description
    std::string tool;  // its id; empty with a capture: the one that it was made of
    bool orders = false;
    bool once = false;
    bool acknowledge = false;
    std::uint64_t for_ms = 0;  // 0: without end
    std::uint16_t port = 0;    // where a tool of the line protocol calls; 0: the tool port of the description
    std::string keys = {};     // folder of the keys of tools that have one
    std::string record;        // file to write
    std::string replay;        // file to read instead of asking
};

// Which errors of a message a link detects, and which not.
[[nodiscard]] std::string link_errors_line(const std::vector<protocol::LinkError>& detected);

// Exit::no where the last that was seen, or anything in the only look, is nothing that the station could use.
[[nodiscard]] Asked<Exit> look_at(const Desk& desk, const LookOrder& order);

}  // namespace tautgate::cli
