// What the tests of every kind of link do alike: a slice of injections on one stand, and what must be true of
// each tally.
#pragma once

#include <catch2/catch.hpp>

#include <cstdint>
#include <string>
#include <utility>

#include "protocol/link_errors.hpp"
#include "tests/link_errors/tally.hpp"

namespace tautgate::link_errors {

// The errors in turn, until there were so many or something was violated. `ready`: the stand works unspoilt;
// `else_violated` is said where it does not.
template <class Stand>
[[nodiscard]] Tally slice_on(Stand& stand, bool ready, const std::string& else_violated,
                             std::uint64_t injections) {
    if (!ready)
        stand.tally().violations.push_back(else_violated);
    for (std::uint64_t i = 0; i < injections && stand.tally().violations.empty(); ++i)
        stand.inject(all_link_errors.at(i % all_link_errors.size()));
    return std::move(stand.tally());
}

// The same where an error may spend the stand, so that the next one needs another: `make(seed)` gives it.
template <class Make>
[[nodiscard]] Tally slice_on_each(Make make, std::uint64_t seed, std::uint64_t injections) {
    Tally tally;
    decltype(make(seed)) stand;
    for (std::uint64_t i = 0; i < injections && tally.violations.empty(); ++i) {
        if (!stand || stand->is_spent()) {
            if (stand)
                tally.add(stand->tally());
            stand = make(seed + i * 1'000'003);
            if (!stand->next_result())
                stand->tally().violations.emplace_back("no result came before anything was spoilt");
        }
        stand->inject(all_link_errors.at(i % all_link_errors.size()));
        if (!stand->tally().violations.empty())
            break;
    }
    if (stand)
        tally.add(stand->tally());
    return tally;
}

// Nothing was violated, and each error was injected; `holds` says what more is true of one error's count.
template <class Holds>
void check_each_error(const Tally& tally, Holds holds) {
    for (const std::string& violation : tally.violations)
        FAIL_CHECK(violation);
    for (const LinkError error : all_link_errors) {
        INFO(protocol::link_error_text(error));
        const Count& count = tally.counts.at(static_cast<std::size_t>(error));
        CHECK(count.injected > 0);
        holds(error, count);
    }
}

}  // namespace tautgate::link_errors
