#include <array>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/result_watch.hpp"

using namespace tautgate::protocol;

namespace {

RegisterField register_at(std::uint16_t address, FieldType type) {
    return {.address = address, .type = type};
}

// Counter in register 0, epoch in register 1 (if used), torque in register 2.
RegisterProfile counting(std::uint64_t lowest, std::uint64_t highest) {
    RegisterProfile profile;
    profile.name = "counting";
    profile.length = 3;
    profile.counter = CounterField{register_at(0, FieldType::uint16), lowest, highest};
    profile.second_read = SecondRead::counter;
    profile.torque = TorqueField{register_at(2, FieldType::uint16), TorqueUnit::newton_metre};
    profile.range = {Torque{1'000'000}, Angle{1}, Torque{100'000'000}};
    REQUIRE(check(profile).empty());
    return profile;
}

WatchOutcome look(ResultWatch& watch, const RegisterProfile& profile, std::uint16_t counter,
                  std::uint16_t epoch = 0) {
    const std::array<std::uint16_t, 3> block{counter, epoch, 5};
    const auto outcome = watch.observe(profile, block, std::span(block).first(1));
    REQUIRE(outcome);
    return *outcome;
}

}  // namespace

TEST_CASE("the first look at an unknown tool is a baseline, not a result") {
    ResultWatch watch;
    const auto profile = counting(0, 0xFFFF);
    CHECK(look(watch, profile, 41) == WatchOutcome(Baseline{41}));
    CHECK(look(watch, profile, 41) == WatchOutcome(NoNew{}));
    CHECK(look(watch, profile, 42) == WatchOutcome(NewResult{42}));
}

TEST_CASE("a tool that the journal knows goes on where the journal ends") {
    ResultWatch watch(KnownResult{65'536 + 10, std::nullopt});
    const auto profile = counting(0, 0xFFFF);
    CHECK(look(watch, profile, 10) == WatchOutcome(NoNew{}));
    CHECK(look(watch, profile, 11) == WatchOutcome(NewResult{65'536 + 11}));
}

TEST_CASE("a counter that changes between the two reads is torn, and nothing is learnt from it") {
    ResultWatch watch(KnownResult{7, std::nullopt});
    const auto profile = counting(0, 0xFFFF);
    const std::array<std::uint16_t, 3> block{7, 0, 5};
    const std::array<std::uint16_t, 1> later{8};
    CHECK(watch.observe(profile, block, later) == WatchOutcome(Torn{}));
    CHECK(watch.known()->counter == 7);
    CHECK(look(watch, profile, 8) == WatchOutcome(NewResult{8}));
}

TEST_CASE("a tool that writes its counter first is compared by the whole block") {
    auto profile = counting(0, 0xFFFF);
    profile.second_read = SecondRead::block;
    ResultWatch watch(KnownResult{7, std::nullopt});
    const std::array<std::uint16_t, 3> early{8, 0, 5};
    const std::array<std::uint16_t, 3> late{8, 0, 6};
    CHECK(watch.observe(profile, early, late) == WatchOutcome(Torn{}));
    CHECK(watch.observe(profile, late, late) == WatchOutcome(NewResult{8}));
    CHECK_FALSE(watch.observe(profile, late, std::span(late).first(1)));
}

TEST_CASE("a counter that goes on by more than one tells how many results are missing") {
    ResultWatch watch(KnownResult{7, std::nullopt});
    const auto profile = counting(0, 0xFFFF);
    CHECK(look(watch, profile, 11) == WatchOutcome(Jump{8, 11, 3}));
    CHECK(look(watch, profile, 12) == WatchOutcome(NewResult{12}));
}

TEST_CASE("a counter that goes back tells that nobody knows how many are missing") {
    ResultWatch watch(KnownResult{700, std::nullopt});
    const auto profile = counting(1, 0xFFFF);
    CHECK(look(watch, profile, 1) == WatchOutcome(Jump{701, 1, std::nullopt}));
    CHECK(look(watch, profile, 0) == WatchOutcome(Jump{2, 0, std::nullopt}));
    CHECK(look(watch, profile, 0) == WatchOutcome(NoNew{}));
    CHECK(look(watch, profile, 1) == WatchOutcome(NewResult{1}));
}

TEST_CASE("a counter above its highest count is a jump of unknown size") {
    ResultWatch watch(KnownResult{9'999, std::nullopt});
    const auto profile = counting(1, 9'999);
    CHECK(look(watch, profile, 10'000) == WatchOutcome(Jump{10'000, 10'000, std::nullopt}));
}

TEST_CASE("a counter that starts again at its end goes on without a gap") {
    struct Row {
        std::uint64_t lowest, highest;
        std::uint16_t last, next;
    };
    for (const Row& row : {Row{0, 0xFFFF, 0xFFFF, 0}, Row{1, 0xFFFF, 0xFFFF, 1}, Row{0, 9'999, 9'999, 0},
                           Row{1, 9'999, 9'999, 1}}) {
        CAPTURE(row.lowest, row.highest);
        const auto profile = counting(row.lowest, row.highest);
        ResultWatch watch(KnownResult{row.last, std::nullopt});
        CHECK(look(watch, profile, row.next) == WatchOutcome(NewResult{std::uint64_t{row.last} + 1}));
        CHECK(look(watch, profile, static_cast<std::uint16_t>(row.next + 1)) ==
              WatchOutcome(NewResult{std::uint64_t{row.last} + 2}));
    }
}

TEST_CASE("the first result of a tool that had none yet is a result") {
    ResultWatch watch;
    const auto profile = counting(1, 0xFFFF);
    CHECK(look(watch, profile, 0) == WatchOutcome(Baseline{0}));
    CHECK(look(watch, profile, 1) == WatchOutcome(NewResult{1}));
}

TEST_CASE("a change of the epoch is a restart, whatever the counter says") {
    auto profile = counting(1, 0xFFFF);
    profile.epoch = register_at(1, FieldType::uint16);
    ResultWatch watch(KnownResult{7, 3});
    CHECK(look(watch, profile, 8, 4) == WatchOutcome(Restarted{3, 4, 8}));
    CHECK(look(watch, profile, 9, 4) == WatchOutcome(NewResult{9}));
}

TEST_CASE("every count of a rolling counter has one key for ever") {
    const auto keys_go_on_by_one = [] {
        const auto highest = *rc::gen::inRange<std::uint64_t>(3, 40);
        const auto lowest = *rc::gen::inRange<std::uint64_t>(0, 2);
        auto profile = counting(lowest, highest);
        std::uint64_t raw = lowest;
        ResultWatch watch(KnownResult{raw, std::nullopt});
        for (std::uint64_t i = 1; i <= 200; ++i) {
            raw = raw == highest ? lowest : raw + 1;
            const WatchOutcome outcome = look(watch, profile, static_cast<std::uint16_t>(raw));
            RC_ASSERT((outcome == WatchOutcome(NewResult{lowest + i})));
            RC_ASSERT((acknowledge_words(profile, lowest + i) ==
                       std::vector<std::uint16_t>{static_cast<std::uint16_t>(raw)}));
        }
    };
    CHECK(rc::check("keys go on by one over many turns", keys_go_on_by_one));
}

TEST_CASE("an acknowledgement is written in the order of the counter's registers") {
    auto profile = counting(0, 0xFFFF);
    profile.counter =
        CounterField{{.address = 0, .type = FieldType::uint32, .order = WordOrder::abcd}, 0, 0xFFFFFFFF};
    const auto words = [&](WordOrder order) {
        profile.counter->field.order = order;
        return acknowledge_words(profile, 0x1'1234'5678);  // once round
    };
    CHECK(words(WordOrder::abcd) == std::vector<std::uint16_t>{0x1234, 0x5678});
    CHECK(words(WordOrder::cdab) == std::vector<std::uint16_t>{0x5678, 0x1234});
    CHECK(words(WordOrder::badc) == std::vector<std::uint16_t>{0x3412, 0x7856});
    CHECK(words(WordOrder::dcba) == std::vector<std::uint16_t>{0x7856, 0x3412});
}

TEST_CASE("a 64-bit counter is followed to its end") {
    auto profile = counting(0, 0xFFFF);
    profile.length = 5;
    profile.counter = CounterField{
        {.address = 0, .type = FieldType::uint64, .order = WordOrder::cdab}, 0, 0xFFFF'FFFF'FFFF'FFFF};
    profile.torque->field.address = 4;
    REQUIRE(check(profile).empty());
    ResultWatch watch(KnownResult{0x0001'0002'0003'FFFF, std::nullopt});
    const std::array<std::uint16_t, 5> block{0x0000, 0x0004, 0x0002, 0x0001, 5};
    CHECK(watch.observe(profile, block, std::span(block).first(4)) ==
          WatchOutcome(NewResult{0x0001'0002'0004'0000}));
}

TEST_CASE("reads of the wrong length are faults") {
    const auto profile = counting(0, 0xFFFF);
    ResultWatch watch(KnownResult{7, std::nullopt});
    const std::array<std::uint16_t, 3> block{8, 0, 5};
    CHECK_FALSE(watch.observe(profile, std::span(block).first(2), std::span(block).first(1)));
    CHECK_FALSE(watch.observe(profile, block, std::span(block).first(0)));
    CHECK(watch.known()->counter == 7);
}

// ---- without a counter
// --------------------------------------------------------------------------------------

namespace {

// Bit 0 of register 0 changes with each result, register 1 is a stamp, torque in register 2.
RegisterProfile uncounted() {
    RegisterProfile profile;
    profile.name = "does not count";
    profile.length = 3;
    profile.torque = TorqueField{register_at(2, FieldType::uint16), TorqueUnit::newton_metre};
    profile.range = {Torque{1'000'000}, Angle{1}, Torque{100'000'000}};
    return profile;
}
RegisterProfile toggling() {
    RegisterProfile profile = uncounted();
    profile.toggle = RegisterField{.address = 0, .type = FieldType::uint16, .bits = BitRange{0, 1}};
    REQUIRE(check(profile).empty());
    return profile;
}
RegisterProfile stamping() {
    RegisterProfile profile = uncounted();
    profile.stamp = StampField{register_at(1, FieldType::uint16), StampKind::unix_seconds, 0, true};
    REQUIRE(check(profile).empty());
    return profile;
}
RegisterProfile shaking() {
    RegisterProfile profile = uncounted();
    profile.handshake = Handshake{.ready = register_at(0, FieldType::uint16), .address = 10};
    REQUIRE(check(profile).empty());
    return profile;
}

using Three = std::array<std::uint16_t, 3>;
WatchOutcome see(ResultWatch& watch, const RegisterProfile& profile, const Three& words,
                 bool familiar = false) {
    const auto outcome = watch.observe(profile, words, words, familiar);
    REQUIRE(outcome);
    return *outcome;
}

}  // namespace

TEST_CASE("a toggle that changes is one result more, and the rest of the word does not matter") {
    ResultWatch watch;
    const auto profile = toggling();
    watch.unwatched(77);
    CHECK(see(watch, profile, {0, 0, 5}) == WatchOutcome(Baseline{0}));
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NewResult{1}));
    CHECK(see(watch, profile, {3, 0, 5}) == WatchOutcome(NoNew{}));
    CHECK(see(watch, profile, {2, 0, 5}) == WatchOutcome(NewResult{2}));
    CHECK(watch.known() == KnownResult{2, 77});
}

TEST_CASE("what a toggle did while nobody looked is not known, whatever it shows") {
    const auto profile = toggling();
    for (const bool familiar : {true, false}) {
        ResultWatch watch(KnownResult{12, 5});
        watch.unwatched(6);
        CHECK(see(watch, profile, {1, 0, 5}, familiar) == WatchOutcome(Restarted{5, 6, 1}));
        CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NoNew{}));
        CHECK(see(watch, profile, {0, 0, 5}) == WatchOutcome(NewResult{2}));
        watch.unwatched(9);
        CHECK(see(watch, profile, {0, 0, 5}) == WatchOutcome(Restarted{6, 9, 1}));
    }
}

TEST_CASE("a stamp that is the newest known one says that nothing was made meanwhile") {
    const auto profile = stamping();
    ResultWatch watch(KnownResult{12, 5});
    watch.unwatched(6);
    CHECK(see(watch, profile, {0, 300, 5}, true) == WatchOutcome(NoNew{}));
    CHECK(watch.known() == KnownResult{12, 5});
    CHECK(see(watch, profile, {0, 301, 5}) == WatchOutcome(NewResult{13}));
    CHECK(see(watch, profile, {0, 301, 6}) == WatchOutcome(NoNew{}));
    watch.unwatched(7);
    CHECK(see(watch, profile, {0, 305, 5}, false) == WatchOutcome(Restarted{5, 7, 1}));
}

TEST_CASE("a calendar stamp is another one by any of its six parts") {
    RegisterProfile profile = uncounted();
    profile.length = 9;
    profile.stamp = StampField{register_at(3, FieldType::uint16), StampKind::calendar, 0, true};
    REQUIRE(check(profile).empty());
    std::array<std::uint16_t, 9> words{0, 0, 5, 2026, 11, 25, 7, 14, 3};
    ResultWatch watch;
    watch.unwatched(1);
    REQUIRE(watch.observe(profile, words, words) == WatchOutcome(Baseline{0}));
    for (std::size_t part = 3; part < 9; ++part) {
        ++words[part];
        CHECK(watch.observe(profile, words, words) == WatchOutcome(NewResult{part - 2}));
    }
}

TEST_CASE("a handshake shows each result until it was taken, and loses none while nobody looks") {
    const auto profile = shaking();
    ResultWatch watch(KnownResult{12, 5});
    watch.unwatched(6);
    CHECK(see(watch, profile, {0, 0, 0}) == WatchOutcome(NoNew{}));
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NewResult{13}));
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NoNew{}));
    watch.unwatched(8);
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NoNew{}));
    CHECK(see(watch, profile, {0, 0, 5}) == WatchOutcome(NoNew{}));
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NewResult{14}));  // another one of the same values
    CHECK(watch.known() == KnownResult{14, 5});
}

TEST_CASE("after a start the result that waits is the one that is stored, or the next one") {
    const auto profile = shaking();
    RegisterProfile stamped = shaking();
    stamped.stamp = StampField{register_at(1, FieldType::uint16), StampKind::unix_seconds, 0, false};
    ResultWatch stored(KnownResult{12, 5});
    stored.unwatched(6);
    CHECK(see(stored, stamped, {1, 0, 5}, true) == WatchOutcome(NoNew{}));
    CHECK(stored.known() == KnownResult{12, 5});
    ResultWatch either(KnownResult{12, 5});  // without a time of its own
    either.unwatched(6);
    CHECK(see(either, profile, {1, 0, 5}, true) == WatchOutcome(Restarted{5, 6, 1}));
    CHECK(see(either, profile, {1, 0, 5}) == WatchOutcome(NoNew{}));
    CHECK(either.known() == KnownResult{1, 6});
    ResultWatch next(KnownResult{12, 5});
    next.unwatched(6);
    CHECK(see(next, profile, {1, 0, 5}, false) == WatchOutcome(NewResult{13}));
    ResultWatch first;
    first.unwatched(6);
    CHECK(see(first, profile, {1, 0, 5}) == WatchOutcome(Baseline{1}));
    CHECK(first.known() == KnownResult{1, 6});
}

TEST_CASE("a tool of a handshake that was told, and then not seen for a while, may show the next one of the "
          "same values") {
    const auto profile = shaking();
    ResultWatch watch(KnownResult{12, 5});
    watch.unwatched(6);
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NewResult{13}));
    watch.unwatched(7);
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NoNew{}));  // it waits to be told
    watch.let_go();
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NoNew{}));  // it has not acted on it yet
    watch.unwatched(8);
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(Restarted{5, 8, 1}));
    watch.unwatched(9);
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NoNew{}));  // nobody told it of this one
    watch.let_go();
    CHECK(see(watch, profile, {0, 0, 5}) == WatchOutcome(NoNew{}));
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NewResult{2}));
    watch.unwatched(10);
    CHECK(see(watch, profile, {1, 0, 5}) == WatchOutcome(NoNew{}));
}

TEST_CASE("without a counter, too, a read that differs from the first is torn and teaches nothing") {
    const auto profile = toggling();
    ResultWatch watch(KnownResult{12, 5});
    const Three early{0, 0, 5};
    const Three late{1, 0, 5};
    CHECK(watch.observe(profile, early, late) == WatchOutcome(Torn{}));
    CHECK(watch.known() == KnownResult{12, 5});
    CHECK_FALSE(watch.observe(profile, early, std::span(late).first(1)));
}

TEST_CASE("a mark that differs in its upper half alone was torn as well") {
    RegisterProfile profile = uncounted();
    profile.handshake = Handshake{
        .ready = {.address = 0, .type = FieldType::uint32, .order = WordOrder::abcd}, .address = 10};
    REQUIRE(check(profile).empty());
    ResultWatch watch(KnownResult{12, 5});
    const Three ready{1, 0, 5};
    const Three idle{0, 0, 5};
    CHECK(watch.observe(profile, ready, idle) == WatchOutcome(Torn{}));
}

TEST_CASE("of a ring the newest count decides, read with the epoch beside it") {
    RegisterProfile profile;
    profile.name = "ring";
    profile.counter = CounterField{register_at(100, FieldType::uint16), 0, 0xFFFF};
    profile.torque = TorqueField{register_at(101, FieldType::uint16), TorqueUnit::newton_metre};
    profile.epoch = register_at(11, FieldType::uint16);
    profile.ring = ResultRing{register_at(10, FieldType::uint16), 8, 4};
    profile.range = {Torque{1'000'000}, Angle{1}, Torque{100'000'000}};
    REQUIRE(check(profile).empty());
    CHECK(reads_of(profile) == std::vector<BlockRange>{{RegisterTable::holding, 10, 2}});
    ResultWatch watch(KnownResult{65'535, 3});
    const auto look_at = [&](std::uint16_t newest, std::uint16_t epoch) {
        const std::array<std::uint16_t, 2> words{newest, epoch};
        return watch.observe(profile, words, words);
    };
    CHECK(look_at(65'535, 3) == WatchOutcome(NoNew{}));
    CHECK(look_at(1, 3) == WatchOutcome(Jump{65'536, 65'537, 1}));
    CHECK(look_at(2, 3) == WatchOutcome(NewResult{65'538}));
    CHECK(look_at(1, 4) == WatchOutcome(Restarted{3, 4, 1}));
}
