// What the station does with the link to one tool, whatever the tool speaks: it says what is stored and
// whether the tool may run, asks how the link is, and takes it down. Results and words of the tool go the
// other way, into the sink that each kind of link is given.
//
// Every function is called on the loop's thread, never from within the sink of the same link's own function.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "service/interlock/decide.hpp"
#include "service/links/freshness.hpp"
#include "service/links/tool_talk.hpp"

namespace tautgate::links {

// The newest result of a tool that the journal has.
struct KnownOfTool {
    std::string epoch;
    std::uint64_t counter = 0;
    std::optional<std::uint64_t> digest{};
    bool complete = true;  // everything before it came, so that the tool may be told that it is stored
};

class ToolLink {
  public:
    ToolLink() = default;
    virtual ~ToolLink() = default;
    ToolLink(const ToolLink&) = delete;
    ToolLink& operator=(const ToolLink&) = delete;
    ToolLink(ToolLink&&) = delete;
    ToolLink& operator=(ToolLink&&) = delete;

    virtual void start() = 0;
    // Lets the tool drop what is stored, if it waits for that.
    virtual void acknowledge(const interlock::Acknowledge& stored) = 0;
    // Of a tool that obeys: whether it may run. Only the newest order matters. At stop() it is told not to.
    virtual void order(RunOrder order) = 0;
    [[nodiscard]] virtual SourceHealth health() const = 0;
    // Nothing reaches the sink afterwards. More than once is fine.
    virtual void stop() = 0;
};

}  // namespace tautgate::links
