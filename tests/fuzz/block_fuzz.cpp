// The permissive's registers and the PLC's rule. A long input is a sequence of scans; where the first byte of
// a scan is odd its check value is made right, since chance alone never hits a CRC-32.
#include <algorithm>
#include <array>
#include <span>

#include "protocol/permissive_block.hpp"
#include "tests/fuzz/entry.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

constexpr PlcSettings settings{.own = {.station = 7, .bay = 2, .permissive = 1}, .beat_limit_ms = 1000};

template <std::size_t Size>
std::array<std::uint16_t, Size> words_from(std::span<const std::uint8_t> bytes, bool sealed) {
    std::array<std::uint16_t, Size> words{};
    for (std::size_t i = 0; i < Size && 2 * i + 1 < bytes.size(); ++i)
        words[i] = static_cast<std::uint16_t>((bytes[2 * i] << 8U) | bytes[2 * i + 1]);
    if (sealed) {
        const std::uint32_t crc = block_crc(std::span(words).first(Size - 2));
        words[Size - 2] = static_cast<std::uint16_t>(crc >> 16U);
        words[Size - 1] = static_cast<std::uint16_t>(crc & 0xFFFFU);
    }
    return words;
}

void check_feedback(std::span<const std::uint8_t> bytes, bool sealed) {
    const auto block = decode_feedback(words_from<feedback_words>(bytes, sealed), settings.own);
    if (block)
        promise(decode_feedback(encode(*block), settings.own) == block,
                "a feedback block can be written again");
    else
        promise(!to_text(block.error()).empty(), "a fault has a text");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    constexpr std::size_t per_scan = 2 + 2 * permissive_words;
    std::span<const std::uint8_t> bytes(data, size);
    check_feedback(bytes.subspan(std::min<std::size_t>(bytes.size(), 1)), size > 0 && (data[0] & 1U) != 0);

    PlcState plc = plc_start({});
    std::uint64_t now_ms = 0;
    for (; bytes.size() >= per_scan; bytes = bytes.subspan(per_scan)) {
        const auto words = words_from<permissive_words>(bytes.subspan(2), (bytes[0] & 1U) != 0);
        const PlcInputs inputs{
            .present = (bytes[0] & 2U) != 0, .moved = (bytes[0] & 4U) != 0, .equipment_fault = false};
        now_ms += bytes[1];
        const PlcState before = plc;
        plc = plc_step(plc, settings, words, now_ms, inputs);

        const auto block = decode_permissive(words, settings.own);
        const Movement allowed = movement(plc);
        promise(block.has_value() || allowed == Movement::refused, "a bad block moves nothing");
        promise(before.scanned || allowed == Movement::refused, "nothing moves in the first scan");
        promise(inputs.present || allowed == Movement::refused, "nothing moves without a unit");
        promise(plc.token == before.token || plc.token == 0 || !plc.overruled,
                "no token is taken from a block that was changed under its beat");
        if (allowed != Movement::refused) {
            promise(block->code != Code::withheld, "withheld moves nothing");
            promise(token_kind(block->token) == TokenKind::stay && block->token == plc.token,
                    "only the token of the very unit moves");
            promise(before.token == plc.token, "the token was taken in an earlier scan, while withheld");
        }
        promise(feedback(plc, settings).acting != Feedback::unknown, "the PLC always knows what it acts on");
    }
    return 0;
}
