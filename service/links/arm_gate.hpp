// Where results of tools wait whose arm tells at which fastener they are: until the module with the arm's
// input was looked at after the result was made. A result that went on before that would be taken for one of
// the place where the arm was seen last, though it may have moved since; after a moment in which the whole
// program stood still that can be long ago. While nobody can look, nothing waits: the arm is known to be
// nowhere then.
//
// Everything that the links tell goes through here in its order; only such results come later than what was
// told after them. What waits at the end was never told, so that its tool still has it. Belongs to one
// thread.
#pragma once

#include <chrono>
#include <deque>
#include <functional>
#include <map>
#include <string>

#include "config/station.hpp"
#include "service/interlock/event.hpp"

namespace tautgate::links {

class ArmGate {
  public:
    using Onward = std::function<void(interlock::Payload)>;
    // `station` is only read here.
    ArmGate(const config::Station& station, Onward onward);

    void take(interlock::Payload told);
    // A look at all inputs of the module that began then, on the steady clock; what it brought was taken
    // before.
    void looked(const std::string& module, std::chrono::nanoseconds began);
    // Nobody looks at the module any more, until a look again.
    void lost(const std::string& module);

  private:
    struct Arm {
        std::string module;
        bool watched = false;
        std::deque<interlock::ResultReceived> waiting{};  // oldest first
    };
    void let_go(Arm& arm);  // the oldest

    Onward onward_;
    std::map<std::string, Arm> arms_;  // by tool
};

}  // namespace tautgate::links
