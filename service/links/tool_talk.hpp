// What a tool that obeys is told, and when what it says back is worth an event: the order that holds, whether
// it went out on this connection, and the last word about it. An order that the tool does not follow in time
// is sent again, and the tool's word is reported as it is. Pure: the caller brings the time. Belongs to one
// tool and one thread.
#pragma once

#include <chrono>
#include <optional>
#include <string>

#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"

namespace tautgate::links {

struct RunOrder {
    domain::EventNumber number;  // of the event that ordered it; 0: nobody did, and nothing is reported
    bool enabled = false;
    std::string program;  // empty: as the tool is set
    bool operator==(const RunOrder&) const = default;
};

struct RunSeen {
    bool enabled = false;
    std::string program;  // empty: the tool does not say
    std::string epoch;
    std::uint64_t counter = 0;  // of its newest result, looked at after `enabled`
};

class ToolTalk {
  public:
    ToolTalk(domain::ToolId tool, std::chrono::milliseconds answer_within)
        : tool_(std::move(tool)), answer_within_(answer_within) {}

    void order(RunOrder order) { order_ = std::move(order); }
    // A new connection: the tool is told again, and what it says is news.
    void connected();
    // What is to be sent now; nothing: it was, and was followed or may still be.
    [[nodiscard]] std::optional<RunOrder> to_tell(SteadyTime now) const;
    void told(SteadyTime now);
    [[nodiscard]] const RunOrder& order_told() const noexcept { return told_; }
    // The tool's word about the order that it was told last.
    [[nodiscard]] std::optional<interlock::ToolControlSeen> hear(const RunSeen& seen, SteadyTime now);

  private:
    [[nodiscard]] bool follows(const RunSeen& seen) const;

    domain::ToolId tool_;
    std::chrono::milliseconds answer_within_;
    RunOrder order_;
    RunOrder told_;
    std::optional<SteadyTime> told_at_;  // on this connection
    SteadyTime first_told_at_{};         // this order
    bool followed_ = false;
    std::optional<interlock::ToolControlSeen> reported_;
};

}  // namespace tautgate::links
