// How a link hands a trace on: the event, and beside it the samples that the event only names. Called where
// the link's results go, on the loop's thread.
#pragma once

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

// False: the tool has sent more curves than results, and this one goes nowhere (trace_gate.hpp).
using TraceSink = std::function<bool(ArrivedTrace)>;
inline constexpr const char* too_many_curves = "more curves came than results";
inline constexpr const char* fewer_curves = "send each curve once, after its result";

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

}  // namespace tautgate::links
