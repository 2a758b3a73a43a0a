// The interlock as it stands behind the link to a tool: one unit at one bay, with one joint that every result
// of the tool is for and none is ever good for. So each result that counts is attributed to that unit, and
// what a link error makes of the tool's count is decided as in the field. Supervisors accept a gap when they
// are told to. One thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "config/station.hpp"
#include "service/interlock/decide.hpp"

namespace tautgate::link_errors {

inline constexpr auto core_boot = "boot-1";

class StationCore {
  public:
    // A bay, a plan and a joint are added to the description of the tool.
    explicit StationCore(config::Station station);

    interlock::Outcome happens(interlock::Payload payload);
    // What the tool may be told, since the last call.
    [[nodiscard]] std::vector<interlock::Acknowledge> take_acknowledgements();
    // People accept that the count has a gap, or began anew. False: there was nothing to accept.
    bool accept_gap();

    // The count goes on, and nothing of it is missing or in doubt.
    [[nodiscard]] bool is_whole() const;
    // It will not become so by what the tool sends.
    [[nodiscard]] bool needs_people() const;
    // Events after which it was not whole.
    [[nodiscard]] std::uint64_t doubts() const noexcept { return doubts_; }
    // What must be true of every state, and was not.
    [[nodiscard]] const std::string& broken() const noexcept { return broken_; }

  private:
    [[nodiscard]] const interlock::ToolState& tool() const { return state_.tools.front(); }
    interlock::Outcome happens_at(std::int64_t monotonic_ns, interlock::Payload payload);
    void come_into_service();
    void receive_a_unit();

    interlock::RuleBook rules_;
    interlock::State state_;
    std::int64_t before_ns_;  // what happens before the test begins
    std::uint64_t doubts_ = 0;
    std::string broken_;
    std::vector<interlock::Acknowledge> acknowledgements_;
};

}  // namespace tautgate::link_errors
