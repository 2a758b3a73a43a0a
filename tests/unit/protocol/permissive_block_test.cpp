#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/permissive_block.hpp"

using namespace tautgate::protocol;

namespace {

constexpr BlockAddress own{.station = 7, .bay = 2, .permissive = 1};
constexpr PermissiveBlock released{
    .address = own, .token = 0x12345678, .code = Code::released, .reason = 0, .moved = 3, .beat = 9};

BlockFaultKind kind_of(const PermissiveBlock& block) {
    const auto decoded = decode_permissive(encode(block), own);
    REQUIRE_FALSE(decoded);
    return decoded.error().kind;
}

}  // namespace

TEST_CASE("the block lies in the registers as PERMISSIVE.md says") {
    const auto words = encode(released);
    const std::uint32_t crc = block_crc(std::span(words).first(10));
    CHECK(words == std::array<std::uint16_t, 12>{1, 7, 2, 1, 0x1234, 0x5678, 0x46A7, 0, 3, 9,
                                                 static_cast<std::uint16_t>(crc >> 16U),
                                                 static_cast<std::uint16_t>(crc & 0xFFFFU)});
    CHECK(crc == 0x1C30F3C2);  // as zlib computes it
}

TEST_CASE("both blocks come back as they were written") {
    CHECK(rc::check("permissive block", [] {
        const PermissiveBlock block{
            .address = own,
            .token = *rc::gen::arbitrary<std::uint32_t>(),
            .code = *rc::gen::element(Code::released, Code::withheld, Code::leaving_incomplete),
            .reason = *rc::gen::arbitrary<std::uint16_t>(),
            .moved = *rc::gen::arbitrary<std::uint16_t>(),
            .beat = *rc::gen::arbitrary<std::uint16_t>()};
        RC_ASSERT((decode_permissive(encode(block), own) == block));
    }));
    CHECK(rc::check("feedback block", [] {
        const auto word = [] { return *rc::gen::arbitrary<std::uint16_t>(); };
        const FeedbackBlock block{
            .address = own,
            .token = *rc::gen::arbitrary<std::uint32_t>(),
            .acting = *rc::gen::element(Feedback::unknown, Feedback::withheld, Feedback::released,
                                        Feedback::leaving_incomplete),
            .beat = word(),
            .presence = *rc::gen::element(Presence::unknown, Presence::absent, Presence::present),
            .arrivals = word(),
            .departures = word(),
            .plc_starts = word(),
            .moved = word(),
            .fault = word()};
        RC_ASSERT((decode_feedback(encode(block), own) == block));
    }));
}

TEST_CASE("a block with any few bits changed is not taken") {
    CHECK(rc::check("up to three bit errors are found", [] {
        auto words = encode(released);
        const auto count = *rc::gen::inRange<std::size_t>(1, 4);
        const auto bits = *rc::gen::unique<std::vector<std::size_t>>(
            count, rc::gen::inRange<std::size_t>(0, words.size() * 16));
        for (const std::size_t bit : bits)
            words[bit / 16] = static_cast<std::uint16_t>(words[bit / 16] ^ (1U << (bit % 16)));
        const auto decoded = decode_permissive(words, own);
        RC_ASSERT((!decoded));
        RC_ASSERT((decoded.error().kind == BlockFaultKind::wrong_crc));
    }));
}

TEST_CASE("a block for another station, bay or permissive is refused by that name") {
    PermissiveBlock block = released;
    block.address.station = 8;
    CHECK(kind_of(block) == BlockFaultKind::wrong_station);
    block = released;
    block.address.bay = 1;
    CHECK(kind_of(block) == BlockFaultKind::wrong_bay);
    block = released;
    block.address.permissive = 2;
    CHECK(kind_of(block) == BlockFaultKind::wrong_permissive);
}

TEST_CASE("a block that nobody has written is called that") {
    const std::vector<std::uint16_t> nothing(feedback_words, 0);
    const auto decoded = decode_feedback(nothing, own);
    REQUIRE_FALSE(decoded);
    CHECK(decoded.error().kind == BlockFaultKind::empty);
    CHECK(to_text(decoded.error()).starts_with("all registers of the block are 0"));
}

TEST_CASE("a block of another layout or length is refused") {
    auto words = encode(released);
    words[0] = 2;
    const std::uint32_t crc = block_crc(std::span(words).first(10));
    words[10] = static_cast<std::uint16_t>(crc >> 16U);
    words[11] = static_cast<std::uint16_t>(crc & 0xFFFFU);
    CHECK(decode_permissive(words, own) == std::unexpected(BlockFault{BlockFaultKind::wrong_layout, 1, 2}));
    CHECK(decode_permissive(std::span(words).first(11), own) ==
          std::unexpected(BlockFault{BlockFaultKind::wrong_length, 12, 11}));
    CHECK_FALSE(decode_feedback(words, own));
    CHECK_FALSE(decode_permissive({}, own));
}

TEST_CASE("registers that are all zeros or all ones are no block") {
    for (const std::uint16_t value : {std::uint16_t{0}, std::uint16_t{0xFFFF}}) {
        std::array<std::uint16_t, feedback_words> words{};
        words.fill(value);
        CHECK_FALSE(decode_permissive(std::span(words).first(permissive_words), own));
        CHECK_FALSE(decode_feedback(words, own));
    }
}

TEST_CASE("every code but two means withheld") {
    std::size_t others = 0;
    for (std::uint32_t value = 0; value <= 0xFFFF; ++value)
        others += code_from(static_cast<std::uint16_t>(value)) == Code::withheld ? 1U : 0U;
    CHECK(others == 65534);
    CHECK(code_from(0x46A7) == Code::released);
    CHECK(code_from(0x744D) == Code::leaving_incomplete);
}

TEST_CASE("on the way back an unknown code says nothing, rather than withheld") {
    FeedbackBlock block{.address = own};
    auto words = encode(block);
    words[6] = 0x46A6;
    words[8] = 7;
    const std::uint32_t crc = block_crc(std::span(words).first(14));
    words[14] = static_cast<std::uint16_t>(crc >> 16U);
    words[15] = static_cast<std::uint16_t>(crc & 0xFFFFU);
    const auto decoded = decode_feedback(words, own);
    REQUIRE(decoded);
    CHECK(decoded->acting == Feedback::unknown);
    CHECK(decoded->presence == Presence::unknown);
}

TEST_CASE("zero and all ones are no tokens, and challenges have a range of their own") {
    CHECK(token_kind(0) == TokenKind::none);
    CHECK(token_kind(1) == TokenKind::stay);
    CHECK(token_kind(0xFEFFFFFF) == TokenKind::stay);
    CHECK(token_kind(0xFF000000) == TokenKind::challenge);
    CHECK(token_kind(0xFFFFFFFE) == TokenKind::challenge);
    CHECK(token_kind(0xFFFFFFFF) == TokenKind::none);
}

TEST_CASE("a fault of a block says what was found and what to check") {
    CHECK(to_text(BlockFault{BlockFaultKind::wrong_bay, 1, 2}) ==
          "the block is for bay 2, not for bay 1; check register addresses and bay numbers");
    CHECK(to_text(BlockFault{BlockFaultKind::wrong_length, 11, 3}) ==
          "the block has 3 registers instead of 11; check the number of registers read");
}
