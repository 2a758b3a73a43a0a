// How a link hands a trace on: the event, and beside it the samples that the event only names. Called where
// the link's results go, on the loop's thread.
#pragma once

#include <algorithm>
#include <cstdint>
#include <functional>
#include <string>
#include <utility>

#include "protocol/trace.hpp"
#include "service/interlock/event.hpp"
#include "service/journal/digest.hpp"
#include "service/journal/stored_event.hpp"

namespace tautgate::links {

struct ArrivedTrace {
    interlock::TraceReceived event;
    journal::TraceSamples samples;
    bool operator==(const ArrivedTrace&) const = default;
};

using TraceSink = std::function<void(ArrivedTrace)>;

// `trace` is one in which protocol::fault_of finds nothing; the key is that of its result.
[[nodiscard]] inline ArrivedTrace arrived(domain::ToolId tool, std::string epoch, std::uint64_t counter,
                                          const protocol::Trace& trace) {
    std::string bytes = protocol::encode_trace(trace);
    std::string digest = journal::hex(journal::sha256(bytes));
    return {.event = {.tool = std::move(tool),
                      .epoch = std::move(epoch),
                      .counter = counter,
                      .digest = digest,
                      .samples = static_cast<std::uint32_t>(trace.samples()),
                      .bytes = static_cast<std::uint32_t>(bytes.size())},
            .samples = {std::move(digest), std::move(bytes)}};
}

// How many curves a tool may still send: one for each of its results, and some for those that it kept while
// nobody heard it. Whoever sends more would fill the disk with what belongs to nothing.
class TraceAllowance {
  public:
    void new_result() noexcept { left_ = std::min(left_ + 1, most); }
    // False: not this one.
    [[nodiscard]] bool take() noexcept {
        if (left_ == 0)
            return false;
        --left_;
        return true;
    }

  private:
    static constexpr std::uint32_t most = 256;
    static constexpr std::uint32_t from_before = 64;
    std::uint32_t left_ = from_before;
};

}  // namespace tautgate::links
