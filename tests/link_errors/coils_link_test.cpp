// The link errors of OPC 10000-15, Table 2, on the line to simple equipment by coils: what
// protocol/PERMISSIVE.md claims under "Coils" is so, and no single error lets equipment move that is
// withheld.
#include <catch2/catch.hpp>
#include <fmt/format.h>

#include "tests/link_errors/coil_stand.hpp"
#include "tests/link_errors/slice.hpp"
#include "tests/link_errors/turning.hpp"

using namespace tautgate;
using namespace tautgate::link_errors;
using std::chrono::milliseconds;

namespace {

constexpr std::uint64_t ordinary_coils = 300;

Tally coil_slice(std::uint64_t seed, std::uint64_t injections) {
    CoilStand stand{seed, {}};
    const bool ready = stand.release_to_a_unit();
    return slice_on(stand, ready, "no unit was released before anything was spoilt", injections);
}

}  // namespace

TEST_CASE("no single link error lets equipment by coils move while it is withheld") {
    const Tally tally = run_slices("permissive by coils", ordinary_coils, coil_slice);
    fmt::print("longest from withheld by the station to refused at the equipment: {} ms\n",
               tally.longest_to_withhold.count());
    check_each_error(tally, [](LinkError, const Count& count) { CHECK(count.noticed > 0); });
}

TEST_CASE("equipment by coils and the station each withhold within their own limit") {
    // As the description has them by default.
    CoilStand stand{1,
                    {.echo = milliseconds(500),
                     .beat_timeout = milliseconds(450),
                     .beat = milliseconds(100),
                     .delays = {}}};
    auto equipment = milliseconds::max();
    const auto station = quickest(
        [&] {
            return stand.until([&] { return stand.quality() == interlock::Quality::good; }) &&
                   stand.release_to_a_unit();
        },
        [&] {
            const auto times = stand.times_to_withhold();
            equipment = std::min(equipment, times.equipment);
            return times.station;
        });
    CHECK(equipment <= milliseconds(450) + look_slack);
    CHECK(station <= milliseconds(500) + look_slack);
    CHECK(stand.tally().violations.empty());
}
