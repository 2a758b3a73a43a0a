#include "service/links/trace_gate.hpp"

#include <algorithm>
#include <utility>
#include <variant>

namespace tautgate::links {

void TraceGate::heard(const interlock::Payload& told) {
    const auto* result = std::get_if<interlock::ResultReceived>(&told);
    if (result == nullptr)
        return;
    Allowance& of = tools_[result->tool.text];
    if (of.epoch == result->epoch && result->reading.counter <= of.newest)
        return;
    of.epoch = result->epoch;
    of.newest = result->reading.counter;
    of.left = std::min(of.left + 1, most);
}

bool TraceGate::take(ArrivedTrace trace) {
    Allowance& of = tools_[trace.event.tool.text];
    if (of.left == 0) {
        ++of.refused;
        return false;
    }
    --of.left;
    onward_(std::move(trace));
    return true;
}

std::uint64_t TraceGate::refused(const std::string& tool) const {
    const auto found = tools_.find(tool);
    return found == tools_.end() ? 0 : found->second.refused;
}

}  // namespace tautgate::links
