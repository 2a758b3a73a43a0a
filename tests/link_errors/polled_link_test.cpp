// The link errors of OPC 10000-15, Table 2, on the link to a polled tool: what deploy/guides/polled-tools.md
// claims to be detected is detected, and each result comes once, as the tool made it.
#include <catch2/catch.hpp>

#include "tests/link_errors/polled_stand.hpp"
#include "tests/link_errors/slice.hpp"
#include "tests/link_errors/turning.hpp"

using namespace tautgate;
using namespace tautgate::link_errors;
using std::chrono::milliseconds;

namespace {

// What does not come in time costs twice the shortest time-out.
constexpr std::uint64_t ordinary_polled = 500;

template <Transport Kind>
Tally polled_slice(std::uint64_t seed, std::uint64_t injections) {
    PolledStand stand{Kind, seed};
    const bool ready = stand.next_result();
    return slice_on(stand, ready, "no result came before anything was spoilt", injections);
}

// What is read twice is often without effect when spoilt once; what does not come in time is always noticed.
void check_polled(const Tally& tally) {
    check_each_error(tally, [](LinkError, const Count& count) {
        CHECK(count.noticed + count.harmless == count.injected);
    });
    for (const LinkError error : {LinkError::corruption, LinkError::loss, LinkError::delay})
        CHECK(tally.counts.at(static_cast<std::size_t>(error)).noticed > 0);
}

}  // namespace

TEST_CASE("no link error changes, loses or doubles a result of a tool polled over TCP") {
    check_polled(run_slices("polled tool over TCP", ordinary_polled, polled_slice<Transport::tcp>));
}

TEST_CASE("no link error changes, loses or doubles a result of a tool polled over a serial line") {
    check_polled(
        run_slices("polled tool over a serial line", ordinary_polled, polled_slice<Transport::serial>));
}

TEST_CASE("a tool from which nothing comes is noticed within its silence limit") {
    const auto transport = GENERATE(Transport::tcp, Transport::serial);
    PolledStand stand{transport, 1};
    const auto took = quickest([&] { return stand.next_result(); }, [&] { return stand.time_to_notice(); });
    CHECK(took <= stand.tool().silence_limit + look_slack);
    CHECK(stand.next_result());
    CHECK(stand.tally().violations.empty());
}
