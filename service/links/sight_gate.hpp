// Says in time that nobody saw the unit. Where the whole program stood still for longer than a controller may
// be silent, what a tool sends is read before anybody has noticed the silence: the unit that was seen last
// may be gone, and another one may have been tightened. So what tools tell passes here, and a bay that was
// seen last too long ago is told as not seen before it; once it is seen again its link says so.
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
    // How long ago the bay was seen last, of all that see it, as a multiple of what each may be silent;
    // nothing: it never was.
    struct Sight {
        std::chrono::milliseconds age{0};
        bool too_old = false;
    };
    using Ask = std::function<Sight(const domain::BayId&)>;

    // `station` is only read here.
    SightGate(const config::Station& station, Ask ask, Onward onward);

    void take(interlock::Payload told);

  private:
    void look(const std::string& tool);

    Ask ask_;
    Onward onward_;
    std::map<std::string, std::vector<std::string>> bays_;  // of each tool
    std::map<std::string, bool> seen_;                      // by bay, as told
};

}  // namespace tautgate::links
