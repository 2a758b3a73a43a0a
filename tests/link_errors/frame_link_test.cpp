// The link errors of OPC 10000-15, Table 2, on the link to tools that send frames: what a profile claims to
// detect (protocol/link_errors.hpp) is detected, on one profile that claims most and on one that claims
// little.
#include <catch2/catch.hpp>

#include <memory>

#include "tests/link_errors/frame_stand.hpp"
#include "tests/link_errors/slice.hpp"
#include "tests/link_errors/turning.hpp"

using namespace tautgate;
using namespace tautgate::link_errors;
using std::chrono::milliseconds;

namespace {

// What does not come in time costs a new call, and what is in doubt the time of people.
constexpr std::uint64_t ordinary_frames = 200;

template <FrameKind Kind>
Tally frame_slice(std::uint64_t seed, std::uint64_t injections) {
    return slice_on_each([](std::uint64_t of) { return std::make_unique<FrameStand>(Kind, of); }, seed,
                         injections);
}

[[nodiscard]] bool is_claimed(FrameKind kind, LinkError error) {
    return protocol::detects(protocol::detected(link_errors::frame_profile(kind)), error);
}

// Of a CRC of 16 bits one disturbed frame in 65536 has a right one; of a sum of 8 bits one in 256.
constexpr std::uint64_t passes_one_in = 2000;

void check_frames(FrameKind kind, const Tally& tally) {
    check_each_error(tally, [&](LinkError error, const Count& count) {
        CHECK(count.noticed > 0);
        if (is_claimed(kind, error))
            CHECK(count.beyond <= count.injected / passes_one_in);
    });
}

}  // namespace

TEST_CASE("the profiles of the tools that send frames claim what follows from them, and nothing else") {
    for (const FrameKind kind : {FrameKind::guarded, FrameKind::plain}) {
        const auto profile = link_errors::frame_profile(kind);
        for (const auto& fault : protocol::check(profile))
            FAIL_CHECK(profile.name + ": " + fault.place + ": " + fault.finding);
        CHECK(profile.detects == protocol::detected(profile));
    }
}

TEST_CASE("no link error that a guarded profile claims changes, loses or doubles a result in frames") {
    const Tally tally =
        run_slices("frames with a checksum", ordinary_frames, frame_slice<FrameKind::guarded>);
    check_frames(FrameKind::guarded, tally);
}

TEST_CASE("no link error that a plain profile claims changes, loses unseen or doubles a result in frames") {
    const Tally tally =
        run_slices("frames without a checksum", ordinary_frames, frame_slice<FrameKind::plain>);
    check_frames(FrameKind::plain, tally);
    // What it does not claim happens, or the claims would be too small.
    for (const LinkError error : {LinkError::corruption, LinkError::masquerade})
        CHECK(tally.counts.at(static_cast<std::size_t>(error)).beyond > 0);
}

TEST_CASE("a tool that sends frames and from which nothing comes is noticed within its silence limit") {
    const auto kind = GENERATE(FrameKind::guarded, FrameKind::plain);
    FrameStand stand{kind, 1};
    const auto took = quickest([&] { return stand.next_result(); }, [&] { return stand.time_to_notice(); });
    CHECK(took <= FrameStand::silence_limit() + look_slack);
    CHECK(stand.next_result());
    CHECK(stand.tally().violations.empty());
}
