// The PLC's rule of acceptance, against the link errors of OPC 10000-15 Table 2: corruption, repetition,
// loss, wrong sequence, insertion, delay, masquerade, wrong addressing.
#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/permissive_block.hpp"

using namespace tautgate::protocol;

namespace {

constexpr PlcSettings settings{
    .own = {.station = 7, .bay = 2, .permissive = 1}, .beat_limit_ms = 1000, .one_shot = true};
constexpr std::uint32_t token = 0x0BADCAFE;

// A PLC and the registers in front of it, scanned every 20 ms.
struct Rig {
    PlcState plc = plc_start({});
    PermissiveBlock block{
        .address = settings.own, .token = token, .code = Code::withheld, .reason = 0, .beat = 100};
    std::array<std::uint16_t, permissive_words> words = encode(block);
    PlcInputs inputs;
    std::uint64_t now_ms = 5000;
    PlcSettings rule = settings;

    Rig& scan() {
        now_ms += 20;
        plc = plc_step(plc, rule, words, now_ms, inputs);
        return *this;
    }
    // The station writes the block with the next beat.
    Rig& write(unsigned advance = 1) {
        block.beat = static_cast<std::uint16_t>(block.beat + advance);
        words = encode(block);
        return scan();
    }
    Rig& show(Code code, unsigned advance = 1) {
        block.code = code;
        return write(advance);
    }
    Rig& present(bool is) {
        inputs.present = is;
        return write();
    }
    // The equipment makes its movement, or its signal falls again.
    Rig& moves(bool is = true) {
        inputs.moved = is;
        return write();
    }
    // Empty bay, good link, then a unit whose token is taken, then its release.
    static Rig released() {
        Rig rig;
        rig.scan().write().present(true).show(Code::released);
        REQUIRE(movement(rig.plc) == Movement::allowed);
        return rig;
    }
    [[nodiscard]] Feedback acting() const { return feedback(plc, settings).acting; }
};

}  // namespace

TEST_CASE("a unit that arrives while withheld is released by its own token") {
    const Rig rig = Rig::released();
    CHECK(rig.acting() == Feedback::released);
    CHECK(feedback(rig.plc, settings) == FeedbackBlock{.address = settings.own,
                                                       .token = token,
                                                       .acting = Feedback::released,
                                                       .beat = rig.block.beat,
                                                       .presence = Presence::present,
                                                       .arrivals = 1,
                                                       .departures = 0,
                                                       .plc_starts = 1,
                                                       .moved = 0,
                                                       .fault = 0});
}

TEST_CASE("leaving incomplete is its own movement") {
    Rig rig = Rig::released();
    rig.show(Code::leaving_incomplete);
    CHECK(movement(rig.plc) == Movement::allowed_incomplete);
    CHECK(rig.acting() == Feedback::leaving_incomplete);
}

TEST_CASE("without a unit nothing is released") {
    Rig rig;
    rig.scan().write().show(Code::released);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.acting() == Feedback::withheld);
}

TEST_CASE("a token is taken only while withheld") {
    Rig rig;
    rig.scan().write();
    rig.block.code = Code::released;
    rig.present(true);
    CHECK(rig.plc.token == 0);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.fault == PlcFault::no_token);
    rig.show(Code::withheld);
    CHECK(rig.plc.token == token);
}

TEST_CASE("between stays the token is zero and nothing is taken until the stay's own token stands there") {
    Rig rig;
    rig.block.token = 0;
    rig.scan().write().present(true);
    CHECK(rig.plc.token == 0);
    rig.block.token = token;
    rig.write();
    CHECK(rig.plc.token == token);
}

TEST_CASE("the token is kept, and another one releases nothing (masquerade)") {
    Rig rig = Rig::released();
    rig.block.token = token + 1;
    rig.write();
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.fault == PlcFault::other_token);
    rig.show(Code::withheld).show(Code::released);
    CHECK(rig.plc.token == token);
    CHECK(movement(rig.plc) == Movement::refused);
}

TEST_CASE("a one-shot release moves once, and again only when it bears the new count") {
    Rig rig = Rig::released();
    rig.moves().moves(false);
    CHECK(rig.plc.moved_count == 1);
    CHECK(rig.plc.token == token);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.acting() == Feedback::withheld);
    SECTION("withholding and releasing on the old count gives no second movement") {
        rig.show(Code::withheld).show(Code::released);
        CHECK(movement(rig.plc) == Movement::refused);
    }
    SECTION("a count under the beat already seen is not accepted") {
        rig.block.moved = 1;
        rig.words = encode(rig.block);
        rig.scan();
        CHECK(movement(rig.plc) == Movement::refused);
        rig.write();
        CHECK(movement(rig.plc) == Movement::allowed);
    }
    SECTION("nor does another unit's") {
        rig.block.moved = 1;
        rig.block.token = token + 1;
        rig.write();
        CHECK(movement(rig.plc) == Movement::refused);
    }
    SECTION("the new count does, though no withheld block was ever seen between") {
        rig.block.moved = 1;
        rig.write();
        CHECK(movement(rig.plc) == Movement::allowed);
        CHECK(rig.plc.moved_count == 1);
        CHECK(rig.plc.fault == PlcFault::none);
        rig.moves();
        CHECK(movement(rig.plc) == Movement::refused);
    }
    SECTION("a start of the PLC does not make it good again") {
        rig.plc = plc_start(rig.plc);
        rig.scan().show(Code::withheld).show(Code::withheld).show(Code::released);
        CHECK(rig.plc.token == token);
        CHECK(movement(rig.plc) == Movement::refused);
    }
}

TEST_CASE("a release that is not one-shot moves as often as it stands") {
    Rig rig = Rig::released();
    rig.rule.one_shot = false;
    for (const bool moved : {true, false, true, false}) {
        rig.inputs.moved = moved;
        rig.write();
        CHECK(movement(rig.plc) == Movement::allowed);
    }
    CHECK(rig.plc.moved_count == 2);
    rig.show(Code::withheld);
    CHECK(movement(rig.plc) == Movement::refused);
}

TEST_CASE("a unit that goes away takes the release with it, also if it comes back") {
    Rig rig = Rig::released();
    rig.present(false);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.departures == 1);
    rig.present(true);
    CHECK(rig.plc.arrivals == 2);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.token == 0);
}

TEST_CASE("a movement that nothing allowed is counted and complained of until the next arrival") {
    Rig rig;
    rig.scan().write().present(true);
    rig.inputs.moved = true;
    rig.write();
    CHECK(rig.plc.moved_count == 1);
    CHECK(rig.plc.fault == PlcFault::moved_while_withheld);
    rig.inputs.moved = false;
    rig.present(false);
    CHECK(rig.plc.fault == PlcFault::moved_while_withheld);
    rig.present(true);
    CHECK(rig.plc.fault == PlcFault::none);
}

TEST_CASE("what moved while the program did not run is counted at its start, and nothing allowed it") {
    Rig rig = Rig::released();
    rig.plc = plc_start(rig.plc);
    rig.inputs.moved = true;
    rig.scan();
    CHECK(rig.plc.moved_count == 1);
    CHECK(rig.plc.fault == PlcFault::moved_while_withheld);
    // The same level is no second movement, over whatever starts.
    rig.plc = plc_start(rig.plc);
    rig.scan();
    CHECK(rig.plc.moved_count == 1);
}

TEST_CASE("a unit lifted off its place sensor under a release has moved rightly") {
    Rig rig = Rig::released();
    rig.present(false);
    rig.inputs.moved = true;
    rig.write();
    CHECK(rig.plc.moved_count == 1);
    CHECK(rig.plc.fault == PlcFault::none);
}

TEST_CASE("a challenge token is answered as usual but never moves") {
    Rig rig;
    rig.block.token = 0xFF000001;
    rig.scan().write().present(true).show(Code::released);
    CHECK(rig.acting() == Feedback::released);
    CHECK(movement(rig.plc) == Movement::refused);
}

TEST_CASE("while the wiring is tried an empty place shows what it received and moves nothing") {
    Rig rig = Rig::released();
    const auto held = rig.plc.token;
    rig.present(false);
    rig.block.token = 0xFF000001;
    rig.show(Code::released);
    CHECK(tries_wiring(rig.plc));
    CHECK(feedback(rig.plc, settings).token == 0xFF000001);
    CHECK(feedback(rig.plc, settings).acting == Feedback::released);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.fault == PlcFault::none);
    rig.present(true);  // a unit comes: it takes no token from a block that is not withheld
    CHECK(rig.plc.token == 0);
    CHECK(rig.acting() == Feedback::withheld);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(held != 0xFF000001);
}

TEST_CASE("corruption withholds, and the next good block restores") {
    Rig rig = Rig::released();
    rig.words[6] = static_cast<std::uint16_t>(rig.words[6] ^ 1U);
    rig.scan();
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.fault == PlcFault::bad_block);
    rig.write();
    CHECK(movement(rig.plc) == Movement::allowed);
}

TEST_CASE("wrong addressing withholds") {
    for (const auto part : {&BlockAddress::station, &BlockAddress::bay, &BlockAddress::permissive}) {
        Rig rig = Rig::released();
        ++(rig.block.address.*part);
        rig.write();
        CHECK(movement(rig.plc) == Movement::refused);
        CHECK(rig.plc.fault == PlcFault::bad_block);
    }
}

TEST_CASE("repetition: a beat that stands still withholds when the agreed time is over, not before") {
    Rig rig = Rig::released();
    const std::uint64_t last = rig.now_ms;
    while (rig.now_ms + 20 < last + settings.beat_limit_ms) {
        rig.scan();
        REQUIRE(movement(rig.plc) == Movement::allowed);
    }
    rig.scan();
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.fault == PlcFault::beat_still);
    rig.scan();
    CHECK(rig.plc.fault == PlcFault::beat_still);
    rig.write();
    CHECK(movement(rig.plc) == Movement::allowed);
}

TEST_CASE("loss of up to seven blocks goes by, more withholds for one block") {
    for (unsigned advance = 1; advance <= 8; ++advance)
        CHECK(movement(Rig::released().write(advance).plc) == Movement::allowed);
    Rig rig = Rig::released();
    rig.write(9);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.fault == PlcFault::beat_jumped);
    rig.write();
    CHECK(movement(rig.plc) == Movement::allowed);
}

TEST_CASE("wrong sequence and insertion: a beat from the past withholds") {
    Rig rig = Rig::released();
    rig.write(0xFFFF);
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.fault == PlcFault::beat_jumped);
}

TEST_CASE(
    "wrong sequence: nor does a whole row of blocks from the past release, until the time agreed is over") {
    Rig rig = Rig::released();
    const std::uint16_t newest = rig.block.beat;
    const std::uint64_t came = rig.now_ms;
    rig.show(Code::withheld, 0x10000 - 30);
    rig.block.code = Code::released;
    while (rig.now_ms + 20 < came + settings.beat_limit_ms && rig.block.beat != newest - 1) {
        rig.write();
        REQUIRE(movement(rig.plc) == Movement::refused);
        REQUIRE(rig.plc.fault == PlcFault::beat_jumped);
    }
    SECTION("what is newer is accepted at once") {
        rig.block.beat = newest;
        rig.write();
        CHECK(movement(rig.plc) == Movement::allowed);
    }
    SECTION("a station that has started anew tells its count when the time is over, and goes on from there") {
        rig.now_ms = came + settings.beat_limit_ms;
        rig.block.beat = static_cast<std::uint16_t>(newest + 40000U);
        rig.write(0);
        REQUIRE(movement(rig.plc) == Movement::refused);
        rig.write();
        CHECK(movement(rig.plc) == Movement::allowed);
    }
}

TEST_CASE("the beat passes its end without a fault") {
    Rig rig;
    rig.block.beat = 0xFFFC;
    rig.write().write().present(true).show(Code::released).write().write();
    CHECK(rig.block.beat == 2);
    CHECK(movement(rig.plc) == Movement::allowed);
}

TEST_CASE("insertion: another text under the beat already seen withholds at once") {
    Rig rig;
    rig.scan().write().present(true);
    rig.show(Code::released, 0);
    CHECK(movement(rig.plc) == Movement::refused);
    rig.write();
    CHECK(movement(rig.plc) == Movement::allowed);
    rig.show(Code::withheld, 0);
    CHECK(movement(rig.plc) == Movement::refused);
}

TEST_CASE("insertion: no token is taken from a block that was changed under its beat") {
    Rig rig;
    rig.scan().write();
    rig.block.code = Code::released;
    rig.present(true);
    REQUIRE(rig.plc.token == 0);
    rig.show(Code::withheld, 0);  // says what would let the token be taken, but under the old beat
    CHECK(rig.plc.token == 0);
    CHECK(rig.plc.fault == PlcFault::no_token);
    rig.show(Code::released);
    CHECK(movement(rig.plc) == Movement::refused);
    rig.show(Code::withheld).show(Code::released);
    CHECK(movement(rig.plc) == Movement::allowed);
}

TEST_CASE("delay: a release left in the registers from before the first scan counts for nothing") {
    Rig rig;
    rig.block.code = Code::released;
    rig.words = encode(rig.block);
    rig.inputs.present = true;
    rig.scan().scan();
    CHECK(movement(rig.plc) == Movement::refused);
    CHECK(rig.plc.fault == PlcFault::waiting_for_beat);
    rig.write();
    CHECK(movement(rig.plc) == Movement::refused);  // its token has not been taken while withheld
}

TEST_CASE("the first whole block after a first scan without one is only looked at") {
    Rig rig;
    rig.words.fill(0);
    rig.scan();
    CHECK(rig.plc.fault == PlcFault::bad_block);
    rig.write();
    CHECK(rig.plc.fault == PlcFault::waiting_for_beat);
    rig.write();
    CHECK(rig.plc.fault == PlcFault::none);
}

TEST_CASE("a start of the PLC keeps the counts, drops the token and counts itself") {
    Rig rig = Rig::released();
    rig.plc = plc_start(rig.plc);
    rig.scan();
    CHECK(rig.plc.plc_starts == 2);
    CHECK(rig.plc.arrivals == 1);
    CHECK(rig.plc.token == 0);
    CHECK(movement(rig.plc) == Movement::refused);
    rig.write();
    CHECK(movement(rig.plc) == Movement::refused);
    rig.show(Code::withheld).show(Code::released);  // the station saw the start and withheld first
    CHECK(movement(rig.plc) == Movement::allowed);
}

TEST_CASE("the equipment's own fault is reported and is not the station's to judge") {
    Rig rig = Rig::released();
    rig.inputs.equipment_fault = true;
    rig.write();
    CHECK(rig.plc.fault == PlcFault::equipment);
}

TEST_CASE("whatever stands in the registers, nothing moves without a fresh release for the very unit") {
    CHECK(rc::check("random registers and signals", [] {
        Rig rig = Rig::released();
        bool fresh_release = true;  // the last accepted block, by this test's own book
        const auto steps = *rc::gen::container<std::vector<int>>(rc::gen::inRange(0, 8));
        for (const int step : steps) {
            switch (step) {
            case 0:
                rig.write();
                fresh_release = rig.block.code == Code::released && rig.block.token == token;
                break;
            case 1:
                rig.show(Code::withheld);
                fresh_release = false;
                break;
            case 2:
                rig.show(Code::released);
                fresh_release = rig.block.token == token;
                break;
            case 3: rig.block.token = token + 1; break;
            case 4:
                rig.words[4] = static_cast<std::uint16_t>(rig.words[4] ^ 0x40U);
                rig.scan();
                fresh_release = false;
                break;
            case 5:
                rig.write(9);
                fresh_release = false;
                break;
            case 6: rig.block.token = token; break;
            case 7:
                rig.now_ms += 2000;
                rig.scan();
                fresh_release = false;
                break;
            default: FAIL("no such step");
            }
            RC_ASSERT(((movement(rig.plc) == Movement::allowed) == fresh_release));
        }
    }));
}
