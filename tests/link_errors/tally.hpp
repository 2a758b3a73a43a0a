// What came of the injections of one kind of link, and how many there are to be. One thread.
#pragma once

#include <array>
#include <chrono>
#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

#include "tests/link_errors/link_error.hpp"

namespace tautgate::link_errors {

struct Count {
    std::uint64_t injected = 0;
    std::uint64_t noticed = 0;   // withheld, counted or told
    std::uint64_t harmless = 0;  // without effect: what was taken is what was sent
    std::uint64_t beyond = 0;    // of a kind that the link does not claim to detect
};

struct Tally {
    std::array<Count, all_link_errors.size()> counts{};
    std::chrono::milliseconds longest_to_withhold{0};
    std::vector<std::string> violations;

    [[nodiscard]] Count& of(LinkError error) { return counts.at(static_cast<std::size_t>(error)); }
    // One more of them, and what came of it.
    void count(LinkError error, bool noticed, bool beyond = false);
    [[nodiscard]] std::uint64_t injected() const;
    void add(const Tally& more);
};
// A table with one line for each error.
[[nodiscard]] std::string to_text(const std::string& link, const Tally& tally);

// Injections are made in slices, each on a link and with a seed of its own.
inline constexpr std::uint64_t slice_length = 500;

// Injects as many errors as TAUTGATE_INJECTIONS says (without it `ordinary`) and says what came of it. Where
// TAUTGATE_PROGRESS names a folder, each slice without a violation is noted there, and not made again by the
// next run. TAUTGATE_AT_ONCE: so many slices are made beside each other, each on a thread of its own; most of
// their time is waiting.
[[nodiscard]] Tally run_slices(const std::string& link, std::uint64_t ordinary,
                               Tally (*slice)(std::uint64_t seed, std::uint64_t injections));

}  // namespace tautgate::link_errors
