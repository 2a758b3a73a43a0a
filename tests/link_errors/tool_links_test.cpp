// The link errors of OPC 10000-15, Table 2, on the links to tools: what is claimed to be detected is detected
// (deploy/guides/polled-tools.md, protocol/LINE.md), and each result comes once, as the tool made it.
#include <catch2/catch.hpp>

#include "tests/link_errors/line_stand.hpp"
#include "tests/link_errors/polled_stand.hpp"

using namespace tautgate;
using namespace tautgate::link_errors;
using std::chrono::milliseconds;

namespace {

template <Transport transport>
Tally polled_slice(std::uint64_t seed, std::uint64_t injections) {
    PolledStand stand{transport, seed};
    if (!stand.next_result())
        stand.tally().violations.emplace_back("no result came before anything was spoilt");
    for (std::uint64_t i = 0; i < injections && stand.tally().violations.empty(); ++i)
        stand.inject(all_link_errors.at(i % all_link_errors.size()));
    return std::move(stand.tally());
}

Tally line_slice(std::uint64_t seed, std::uint64_t injections) {
    Tally tally;
    std::unique_ptr<LineStand> stand;
    for (std::uint64_t i = 0; i < injections && tally.violations.empty(); ++i) {
        if (!stand || stand->is_spent()) {
            if (stand)
                tally.add(stand->tally());
            stand = std::make_unique<LineStand>(seed + i * 1'000'003);
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

void check_tool_link(const Tally& tally) {
    for (const std::string& violation : tally.violations)
        FAIL_CHECK(violation);
    for (const LinkError error : all_link_errors) {
        INFO(name_of(error));
        const Count& count = tally.counts.at(static_cast<std::size_t>(error));
        CHECK(count.injected > 0);
        CHECK(count.noticed > 0);
        CHECK((count.beyond == 0 || error == LinkError::corruption));
    }
}

// Of a busy computer, where a time on the clock is looked at.
constexpr milliseconds tool_slack{1000};

}  // namespace

TEST_CASE("no link error changes, loses or doubles a result of a tool polled over TCP") {
    const auto tally = run_slices("polled tool over TCP", polled_slice<Transport::tcp>);
    check_tool_link(tally);
    CHECK(tally.counts.front().beyond == 0);
}

TEST_CASE("no link error changes, loses or doubles a result of a tool polled over a serial line") {
    const auto tally = run_slices("polled tool over a serial line", polled_slice<Transport::serial>);
    check_tool_link(tally);
    CHECK(tally.counts.front().beyond == 0);
}

TEST_CASE(
    "no link error that leaves lines as they are changes, loses or doubles a result of a calling tool") {
    check_tool_link(run_slices("calling tool", line_slice));
}

TEST_CASE("a tool from which nothing comes is noticed within its silence limit") {
    const auto transport = GENERATE(Transport::tcp, Transport::serial);
    PolledStand stand{transport, 1};
    REQUIRE(stand.next_result());
    CHECK(stand.time_to_notice() < stand.tool().silence_limit + tool_slack);
    CHECK(stand.next_result());
    CHECK(stand.tally().violations.empty());
}

TEST_CASE("a calling tool from which nothing comes is noticed within its silence limit") {
    LineStand stand{1};
    REQUIRE(stand.next_result());
    CHECK(stand.time_to_notice() < LineStand::silence_limit() + tool_slack);
    CHECK(stand.next_result());
    CHECK(stand.tally().violations.empty());
}
