// The link errors of OPC 10000-15, Table 2, on the line protocol: what protocol/LINE.md claims to be detected
// is detected, and each result comes as the tool made it, or as a repetition of that.
#include <catch2/catch.hpp>

#include "tests/link_errors/line_stand.hpp"
#include "tests/link_errors/slice.hpp"
#include "tests/link_errors/turning.hpp"

using namespace tautgate;
using namespace tautgate::link_errors;
using std::chrono::milliseconds;

namespace {

// What is refused or lost costs a new call.
constexpr std::uint64_t ordinary_line = 500;

Tally line_slice(Seals seals, std::uint64_t seed, std::uint64_t injections) {
    return slice_on_each([seals](std::uint64_t of) { return std::make_unique<LineStand>(of, seals); }, seed,
                         injections);
}

// Where a corrupted line is still a good one, that is beyond the claim.
void check_line(const Tally& tally) {
    check_each_error(tally, [](LinkError error, const Count& count) {
        CHECK(count.noticed > 0);
        CHECK((count.beyond == 0 || error == LinkError::corruption));
    });
}

}  // namespace

TEST_CASE(
    "no link error that leaves lines as they are changes, loses or doubles a result of a calling tool") {
    check_line(run_slices("calling tool", ordinary_line, [](std::uint64_t seed, std::uint64_t injections) {
        return line_slice(Seals::none, seed, injections);
    }));
}

TEST_CASE("a result of a calling tool with a key stands every link error") {
    const Tally tally = run_slices("calling tool with a key", ordinary_line,
                                   [](std::uint64_t seed, std::uint64_t injections) {
                                       return line_slice(Seals::keyed, seed, injections);
                                   });
    // Each is noticed, whatever line it meets; a delay that is short enough is none.
    check_each_error(tally, [](LinkError error, const Count& count) {
        CHECK(count.noticed > 0);
        CHECK((count.harmless == 0 || error == LinkError::delay));
        CHECK(count.beyond == 0);
    });
}

TEST_CASE("a calling tool from which nothing comes is noticed within its silence limit") {
    LineStand stand{1, Seals::none};
    const auto took = quickest([&] { return stand.next_result(); }, [&] { return stand.time_to_notice(); });
    CHECK(took <= LineStand::silence_limit() + look_slack);
    CHECK(stand.next_result());
    CHECK(stand.tally().violations.empty());
}
