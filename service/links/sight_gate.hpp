// Says in time that nobody saw the unit. Where the whole program stood still for longer than a controller may
// be silent, what a tool sends is read before anybody has noticed the silence: the unit that was seen last
// may be gone, and another one may have been tightened. So what tools tell passes here, and a bay that was
// seen last too long ago is told as not seen before it. Its link is lost with that, so that the link says
// when the bay is seen again.
//
// Everything that the links tell goes through in its order. Pure but for what it asks; belongs to one thread.
#pragma once

#include <chrono>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "service/interlock/event.hpp"

namespace tautgate::links {

class SightGate {
  public:
    using Onward = std::function<void(interlock::Payload)>;
    struct Sight {
        std::chrono::milliseconds age{0};  // of the controller that was not heard for longest
        bool too_old = false;              // for one of them
    };
    // What it asks of the links of a bay, and what it has them do.
    struct Links {
        std::function<Sight(const domain::BayId&)> sight;
        std::function<void(const domain::BayId&)> lose_sight;
    };

    // `station` is only read here.
    SightGate(const config::Station& station, Links links, Onward onward);

    void take(interlock::Payload told);

  private:
    void look(const std::string& tool);

    Links links_;
    Onward onward_;
    std::map<std::string, std::vector<std::string>> bays_;  // of each tool
    std::map<std::string, bool> seen_;                      // by bay, as told
};

}  // namespace tautgate::links
