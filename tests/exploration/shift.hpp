// A long shift at a small station, as chance has it: units come and go, tools tighten well and badly, links
// are lost, the service restarts, people decide. What happens is drawn from a seed by arithmetic that is the
// same on every machine and in every build; each event goes through the real decide().
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "tests/unit/interlock/story.hpp"

namespace tautgate::exploration {

// splitmix64, as published by its authors in the public domain (from memory); what matters here is only that
// it is arithmetic on 64 bits and nothing of a library.
class Draw {
  public:
    explicit Draw(std::uint64_t seed) : state_(seed) {}
    std::uint64_t operator()();
    // From 0 up to, but not, `below`.
    std::uint32_t under(std::uint32_t below) { return static_cast<std::uint32_t>((*this)() % below); }

  private:
    std::uint64_t state_;
};

struct Journal {
    std::vector<interlock::Event> events;
    std::vector<std::string> records;  // canonical bytes of each event's record
    std::vector<std::string> states;   // and of the state after it
};

// Stations by name; each stresses other rules.
[[nodiscard]] std::vector<std::string> shift_stations();
[[nodiscard]] interlock::RuleBook rules_of_shift(const std::string& station);
// `events` of them, and those that bring the station into service before.
[[nodiscard]] Journal work_a_shift(const std::string& station, std::uint64_t seed, std::size_t events);

}  // namespace tautgate::exploration
