// The link errors of OPC 10000-15, Table 2, on the line to the equipment's controller: what
// protocol/PERMISSIVE.md claims to detect is detected, and nothing that happens on the wire releases.
#include <catch2/catch.hpp>
#include <fmt/format.h>

#include "tests/link_errors/permissive_stand.hpp"
#include "tests/link_errors/slice.hpp"
#include "tests/link_errors/turning.hpp"

using namespace tautgate;
using namespace tautgate::link_errors;
using config::WireRole;
using std::chrono::milliseconds;

namespace {

constexpr std::uint64_t ordinary_permissive = 2000;

template <WireRole Role>
Tally permissive_slice(std::uint64_t seed, std::uint64_t injections) {
    PermissiveStand stand{Role, seed, {}};
    const bool ready = stand.release_to_a_unit();
    return slice_on(stand, ready, "no unit was released before anything was spoilt", injections);
}

void check_permissive(const Tally& tally) {
    check_each_error(tally, [](LinkError, const Count& count) { CHECK(count.noticed > 0); });
}

}  // namespace

TEST_CASE("no link error makes a permissive that the station writes read as released") {
    check_permissive(
        run_slices("permissive as client", ordinary_permissive, permissive_slice<WireRole::client>));
}

TEST_CASE("no link error makes a permissive that the controller reads read as released") {
    check_permissive(
        run_slices("permissive as server", ordinary_permissive, permissive_slice<WireRole::server>));
}

TEST_CASE("the controller withholds within 500 ms after the last good block, whoever calls") {
    const auto role = GENERATE(WireRole::client, WireRole::server);
    // As the description has it by default, with the time agreed at the PLC shorter by a scan and a request.
    PermissiveStand stand{role, 1, {.echo = milliseconds(450), .beat = milliseconds(100), .delays = {}}};
    const auto took = quickest(
        [&] {
            return stand.until([&] { return stand.quality() == interlock::Quality::good; }) &&
                   stand.release_to_a_unit();
        },
        [&] { return stand.time_to_withhold(); });
    CHECK(stand.tally().violations.empty());
    // The rule itself is exact: no scan allowed a movement 450 ms after the last accepted block or later.
    // What the clock shows is that and the time to the next scan.
    fmt::print("time to withhold: {} ms\n", took.count());
    CHECK(took <= milliseconds(500));
}
