// The one way by which curves leave the links, whatever kind of link they came by. A tool may send as many as
// results, and some for those that it kept while nobody heard it: whoever sends more would fill the disk with
// what belongs to nothing. What is beyond that is counted, goes nowhere, and its link refuses it.
//
// Results and curves pass it in the order in which the links hand them on. Belongs to one thread.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <string>

#include "service/interlock/event.hpp"
#include "service/links/trace_sink.hpp"

namespace tautgate::links {

class TraceGate {
  public:
    using Onward = std::function<void(ArrivedTrace)>;
    explicit TraceGate(Onward onward) : onward_(std::move(onward)) {}

    // Everything that the links tell: a new result lets one more curve through.
    void heard(const interlock::Payload& told);
    // False: not this one.
    [[nodiscard]] bool take(ArrivedTrace trace);
    // How many of the tool's curves went nowhere.
    [[nodiscard]] std::uint64_t refused(const std::string& tool) const;

  private:
    static constexpr std::uint32_t most = 256;
    static constexpr std::uint32_t from_before = 64;
    struct Allowance {
        std::uint32_t left = from_before;
        std::uint64_t refused = 0;
        // Of the newest result; an older one, or the same again, brings no curve of its own.
        std::string epoch{};
        std::uint64_t newest = 0;
    };

    Onward onward_;
    std::map<std::string, Allowance> tools_;
};

}  // namespace tautgate::links
