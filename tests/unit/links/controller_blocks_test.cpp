// The words to and from the controller, on a clock that the test moves.
#include <catch2/catch.hpp>

#include "service/links/controller_blocks.hpp"
#include "tests/unit/links/controller_peers.hpp"

using namespace tautgate;
using namespace tautgate::links;
using protocol::Code;
using protocol::Feedback;
using std::chrono::milliseconds;

namespace {

constexpr std::uint32_t token = 0x1234;
constexpr std::uint16_t first_beat = 500;
const protocol::BlockAddress lift_beam{3, 2, 1};
const protocol::BlockAddress carrier{3, 2, 2};

ControllerFrame frame() {
    auto station = testing::small_station(config::WireRole::client, 1);
    station.bays.front().controller.beat_interval = milliseconds(80);
    return controller_frame(station, station.bays.front());
}

protocol::PermissiveBlock block(const std::vector<std::uint16_t>& words, std::size_t index = 0) {
    const std::span all{words};
    return protocol::decode_permissive(
               all.subspan(index * protocol::permissive_words, protocol::permissive_words),
               index == 0 ? lift_beam : carrier)
        .value();
}

struct Wire {
    Instant now{std::chrono::hours(1)};
    Outgoing out{frame(), first_beat};
    std::uint16_t beat = 0;

    void order(Code code) { out.order({{.permissive = 1, .code = code, .token = token}}, ++beat, now); }
    std::vector<std::uint16_t> send() {
        auto words = out.take(now);
        out.sent();
        return words;
    }
    // A trusted line with a release out.
    void release() {
        out.trust(true);
        order(Code::released);
        REQUIRE(block(send()).code == Code::released);
    }
};

std::vector<std::uint16_t> feedback(protocol::FeedbackBlock of_beam, protocol::FeedbackBlock of_carrier) {
    of_beam.address = lift_beam;
    of_carrier.address = carrier;
    std::vector<std::uint16_t> words;
    for (const auto& each : {of_beam, of_carrier})
        std::ranges::copy(protocol::encode(each), std::back_inserter(words));
    return words;
}

}  // namespace

TEST_CASE(
    "words are due at once at the start, and say withheld with the stay's token until the echo is good") {
    Wire wire;
    CHECK(wire.out.due(wire.now) <= wire.now);
    CHECK(block(wire.send()) == protocol::PermissiveBlock{.address = lift_beam, .beat = first_beat});
    wire.order(Code::released);
    CHECK(block(wire.send()) ==
          protocol::PermissiveBlock{
              .address = lift_beam, .token = token, .code = Code::withheld, .beat = first_beat + 1});
}

TEST_CASE("what tries the wiring is on the wire, but is nothing that the equipment may have moved over") {
    Wire wire;
    constexpr std::uint32_t reserved = 0xFF00BEEF;
    const auto order = [&](Code code, domain::EventNumber once_durable = {}) {
        wire.out.order({{.permissive = 1, .code = code, .token = reserved, .once_durable = once_durable}},
                       ++wire.beat, wire.now);
    };
    // Held back, it bears no token that a unit could take.
    order(Code::released);
    CHECK(block(wire.send()).token == 0);
    wire.out.trust(true);
    order(Code::released, {12});
    CHECK(block(wire.send()).token == 0);
    wire.out.durable({12});
    const auto words = wire.send();
    CHECK(block(words).code == Code::released);
    CHECK(block(words).token == reserved);
    CHECK(wire.out.released_on_wire().empty());
    protocol::FeedbackBlock back{.address = lift_beam, .token = reserved, .acting = Feedback::released};
    back.beat = block(words).beat;
    CHECK(wire.out.may_act(0, back));  // the controller shows what it received
    back.token = token;
    CHECK_FALSE(wire.out.may_act(0, back));
    order(Code::withheld);
    CHECK(wire.out.withholds(wire.now));  // ends as fast as any release does
}

TEST_CASE("what waits for an event stands as withheld until that is durable") {
    Wire wire;
    wire.out.trust(true);
    const auto order = [&](domain::EventNumber once_durable) {
        wire.out.order(
            {{.permissive = 1, .code = Code::released, .token = token, .once_durable = once_durable}},
            ++wire.beat, wire.now);
    };
    order({12});
    CHECK(block(wire.send()).code == Code::withheld);
    wire.out.durable({11});
    CHECK(block(wire.send()).code == Code::withheld);
    CHECK(wire.out.due(wire.now) > wire.now);
    wire.out.durable({12});
    CHECK(wire.out.due(wire.now) <= wire.now);
    CHECK(block(wire.send()).code == Code::released);
    order({13});
    CHECK(wire.out.withholds(wire.now));
    CHECK(block(wire.send()).code == Code::withheld);
}

TEST_CASE("a burst of orders advances the beat by one, and no new beat leaves it where it was") {
    Wire wire;
    static_cast<void>(wire.send());
    for (int i = 0; i < 50; ++i)
        wire.order(Code::withheld);
    CHECK(block(wire.send()).beat == first_beat + 1);
    CHECK(block(wire.send()).beat == first_beat + 1);
}

TEST_CASE("a change is due at once, be it a withhold or a release") {
    Wire wire;
    wire.release();
    CHECK(wire.out.due(wire.now) > wire.now);
    wire.order(Code::withheld);
    CHECK(wire.out.due(wire.now) <= wire.now);
    static_cast<void>(wire.send());
    wire.order(Code::released);
    CHECK(wire.out.due(wire.now) <= wire.now);
}

TEST_CASE("a release waits where the beat went on seven times within an interval, a withhold never does") {
    Wire wire;
    wire.release();
    const Instant first = wire.now;  // of seven
    for (int i = 0; i < 3; ++i) {
        wire.now += milliseconds(1);
        wire.order(Code::withheld);
        static_cast<void>(wire.send());
        wire.order(Code::released);
        CHECK(wire.out.due(wire.now) <= wire.now);
        static_cast<void>(wire.send());
    }
    wire.order(Code::withheld);
    CHECK(wire.out.due(wire.now) <= wire.now);
    static_cast<void>(wire.send());
    wire.order(Code::released);
    CHECK(wire.out.due(wire.now) == first + milliseconds(1) + milliseconds(80));
    wire.now = first + milliseconds(81);
    CHECK(wire.out.due(wire.now) <= wire.now);
}

TEST_CASE("words without a change are due once every beat interval") {
    Wire wire;
    static_cast<void>(wire.send());
    wire.order(Code::withheld);
    static_cast<void>(wire.send());
    CHECK(wire.out.due(wire.now) == wire.now + milliseconds(80));
}

TEST_CASE("another token with the same release is a withhold of the first and due at once") {
    Wire wire;
    wire.release();
    wire.out.order({{.permissive = 1, .code = Code::released, .token = token + 1}}, ++wire.beat, wire.now);
    CHECK(wire.out.due(wire.now) <= wire.now);
}

TEST_CASE("a release is taken back when the loop has been silent for the echo time-out") {
    Wire wire;
    wire.release();
    wire.now += milliseconds(399);
    CHECK_FALSE(wire.out.loop_is_silent(wire.now));
    wire.now += milliseconds(1);
    CHECK(wire.out.due(wire.now) <= wire.now);
    const auto shown = block(wire.send());
    CHECK(shown.code == Code::withheld);
    CHECK(shown.beat == first_beat + 1);
    CHECK(shown.token == token);
}

TEST_CASE("the same beat twice is no sign of life of the loop") {
    Wire wire;
    wire.release();
    wire.now += milliseconds(400);
    wire.out.order({{.permissive = 1, .code = Code::released, .token = token}}, wire.beat, wire.now);
    CHECK(block(wire.send()).code == Code::withheld);
}

TEST_CASE("a release that the loss of the echo took away comes back by new orders only") {
    Wire wire;
    wire.release();
    wire.out.trust(false);
    CHECK(wire.out.due(wire.now) <= wire.now);
    CHECK(block(wire.send()).code == Code::withheld);
    wire.order(Code::released);
    wire.out.trust(true);
    CHECK(block(wire.send()).code == Code::withheld);
    wire.order(Code::released);
    CHECK(block(wire.send()).code == Code::released);
}

TEST_CASE(
    "a permissive that the orders leave out is withheld without a token, and so is everything at the end") {
    Wire wire;
    wire.release();
    wire.out.order({{.permissive = 2, .code = Code::leaving_incomplete, .token = token}}, ++wire.beat,
                   wire.now);
    const auto words = wire.send();
    CHECK(block(words).code == Code::withheld);
    CHECK(block(words).token == 0);
    CHECK(block(words, 1).code == Code::leaving_incomplete);
    CHECK(wire.out.released_on_wire() == std::vector<domain::PermissiveId>{{"carrier"}});
    wire.out.end();
    CHECK(block(wire.send(), 1).code == Code::withheld);
    CHECK(wire.out.released_on_wire().empty());
}

TEST_CASE("words without an answer may have arrived: a release counts as out, a withhold does not end one") {
    Wire wire;
    wire.out.trust(true);
    wire.order(Code::released);
    static_cast<void>(wire.out.take(wire.now));
    wire.out.lost();
    CHECK(wire.out.due(wire.now) <= wire.now);
    CHECK(wire.out.released_on_wire().size() == 1);
    wire.order(Code::withheld);
    static_cast<void>(wire.out.take(wire.now));
    CHECK(wire.out.released_on_wire().size() == 1);
    static_cast<void>(wire.send());
    CHECK(wire.out.released_on_wire().empty());
}

TEST_CASE("the echo is as old as the words that it echoes") {
    Wire wire;
    Incoming in{frame()};
    const Instant shown = wire.now;
    static_cast<void>(wire.send());
    wire.now += milliseconds(100);
    wire.order(Code::withheld);
    static_cast<void>(wire.send());
    const protocol::FeedbackBlock old{.address = {}, .acting = Feedback::withheld, .beat = first_beat};
    const protocol::FeedbackBlock newer{.address = {}, .acting = Feedback::withheld, .beat = first_beat + 1};
    CHECK(in.take(feedback(newer, old), wire.out).alive_as_of == shown);
    CHECK(in.take(feedback(newer, newer), wire.out).alive_as_of == wire.now);
    const protocol::FeedbackBlock strange{.address = {}, .acting = Feedback::withheld, .beat = 77};
    const auto seen = in.take(feedback(newer, strange), wire.out);
    CHECK_FALSE(seen.alive_as_of);
    CHECK(seen.why_not == "carrier: beat 77 that comes back was not sent lately");
}

TEST_CASE("a controller that says it accepts no block is not alive, whatever beat it shows") {
    Wire wire;
    Incoming in{frame()};
    static_cast<void>(wire.send());
    const auto fault = GENERATE(protocol::PlcFault::bad_block, protocol::PlcFault::beat_still,
                                protocol::PlcFault::beat_jumped, protocol::PlcFault::waiting_for_beat);
    const protocol::FeedbackBlock good{.address = {}, .acting = Feedback::withheld, .beat = first_beat};
    auto bad = good;
    bad.fault = static_cast<std::uint16_t>(fault);
    const auto seen = in.take(feedback(good, bad), wire.out);
    CHECK_FALSE(seen.alive_as_of);
    CHECK_FALSE(seen.why_not.empty());
    CHECK(in.take(feedback(good, good), wire.out).alive_as_of == wire.now);
}

TEST_CASE("acting on what was shown under the echoed beat is right, on anything else it is not") {
    Wire wire;
    Incoming in{frame()};
    wire.release();
    protocol::FeedbackBlock beam{
        .address = {}, .token = token, .acting = Feedback::released, .beat = first_beat + 1};
    const protocol::FeedbackBlock idle{.address = {}, .acting = Feedback::withheld, .beat = first_beat + 1};
    CHECK_FALSE(in.take(feedback(beam, idle), wire.out).acts_alone);
    enum class Wrong : std::uint8_t { token, code, beat };
    switch (GENERATE(Wrong::token, Wrong::code, Wrong::beat)) {
    case Wrong::token: beam.token = token + 1; break;
    case Wrong::code: beam.acting = Feedback::leaving_incomplete; break;
    case Wrong::beat:
        wire.order(Code::withheld);
        static_cast<void>(wire.send());
        beam.beat = first_beat + 2;
        break;
    }
    const auto seen = in.take(feedback(beam, idle), wire.out);
    CHECK(seen.acts_alone);
    CHECK_FALSE(seen.alive_as_of);
}

TEST_CASE("acting on a one-shot release with another count of movements is acting alone") {
    Wire wire;
    auto one_shot = frame();
    one_shot.points.front().one_shot = true;
    wire.out = Outgoing{one_shot, first_beat};
    Incoming in{one_shot};
    wire.release();
    protocol::FeedbackBlock beam{
        .address = {}, .token = token, .acting = Feedback::released, .beat = first_beat + 1};
    const protocol::FeedbackBlock idle{.address = {}, .acting = Feedback::withheld, .beat = first_beat + 1};
    CHECK_FALSE(in.take(feedback(beam, idle), wire.out).acts_alone);
    beam.moved = 1;
    const auto seen = in.take(feedback(beam, idle), wire.out);
    CHECK(seen.acts_alone);
    CHECK(seen.why_not.find("one-shot") != std::string::npos);
    beam.acting = Feedback::withheld;
    CHECK_FALSE(in.take(feedback(beam, idle), wire.out).acts_alone);
}

TEST_CASE("a movement that the controller says nothing allowed is reported with its permissive") {
    Wire wire;
    Incoming in{frame()};
    static_cast<void>(wire.send());
    protocol::FeedbackBlock beam{.address = {}, .acting = Feedback::withheld, .beat = first_beat};
    const protocol::FeedbackBlock idle = beam;
    beam.fault = static_cast<std::uint16_t>(protocol::PlcFault::moved_while_withheld);
    const auto seen = in.take(feedback(beam, idle), wire.out);
    REQUIRE(seen.report);
    CHECK(seen.report->moved_wrongly == std::vector<domain::PermissiveId>{{"lift-beam"}});
    CHECK_FALSE(seen.report->fault);
}

TEST_CASE(
    "a feedback is reported when it says something new, and never when its blocks contradict each other") {
    Wire wire;
    Incoming in{frame()};
    static_cast<void>(wire.send());
    protocol::FeedbackBlock beam{.address = {},
                                 .token = token,
                                 .acting = Feedback::withheld,
                                 .beat = first_beat,
                                 .presence = protocol::Presence::present,
                                 .arrivals = 4,
                                 .departures = 3,
                                 .plc_starts = 2,
                                 .moved = 9};
    auto other = beam;
    other.token = 0;
    const auto first = in.take(feedback(beam, other), wire.out).report;
    REQUIRE(first);
    CHECK(first->echoed.value == token);
    CHECK(first->arrivals == 4);
    CHECK(first->departures == 3);
    CHECK(first->starts == 2);
    CHECK(first->moved == std::vector<interlock::Moved>{{{"lift-beam"}, 9}, {{"carrier"}, 9}});
    CHECK_FALSE(first->fault);
    CHECK_FALSE(in.take(feedback(beam, other), wire.out).report);
    other.arrivals = 5;
    const auto torn = in.take(feedback(beam, other), wire.out);
    CHECK_FALSE(torn.report);
    CHECK_FALSE(torn.alive_as_of);
    beam.arrivals = 5;
    beam.fault = static_cast<std::uint16_t>(protocol::PlcFault::equipment);
    const auto whole = in.take(feedback(beam, other), wire.out).report;
    REQUIRE(whole);
    CHECK(whole->fault);
    in.report_again();
    CHECK(in.take(feedback(beam, other), wire.out).report == whole);
}

TEST_CASE("two tokens that differ are no echo of a stay") {
    Wire wire;
    Incoming in{frame()};
    const protocol::FeedbackBlock one{
        .address = {}, .token = 5, .acting = Feedback::withheld, .beat = first_beat};
    const protocol::FeedbackBlock two{
        .address = {}, .token = 6, .acting = Feedback::withheld, .beat = first_beat};
    const auto seen = in.take(feedback(one, two), wire.out);
    REQUIRE(seen.report);
    CHECK(seen.report->echoed.value == 0);
}

TEST_CASE("feedback that is cut short or meant for another bay is no feedback") {
    Wire wire;
    Incoming in{frame()};
    static_cast<void>(wire.send());
    const protocol::FeedbackBlock good{.address = {}, .acting = Feedback::withheld, .beat = first_beat};
    auto words = feedback(good, good);
    words.pop_back();
    CHECK_FALSE(in.take(words, wire.out).alive_as_of);
    auto astray = protocol::encode(
        protocol::FeedbackBlock{.address = {3, 9, 1}, .acting = Feedback::withheld, .beat = first_beat});
    words = feedback(good, good);
    std::ranges::copy(astray, words.begin());
    const auto seen = in.take(words, wire.out);
    CHECK_FALSE(seen.report);
    CHECK(seen.why_not.find("bay") != std::string::npos);
}
