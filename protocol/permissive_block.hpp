// The permissive as it stands in registers: the block that the station shows to the PLC of the hoist, the
// block that the PLC shows to the station, and the rule by which the PLC accepts the one and fills the other.
// PERMISSIVE.md beside this file is the definition for the controls engineer. Pure; any thread.
//
// In doubt it means withheld: every state code but three, every fault of a block, a beat that stands still.
// This is a process permissive, an added reason not to move; it is not a safety function.
#pragma once

#include <array>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

// Drawn at random once, so that no single wrong register, and no register that is all zeros or ones, is taken
// for a release: at least 8 bits apart from each other, from 0x0000 and from 0xFFFF.
enum class Code : std::uint16_t { released = 0x46A7, withheld = 0xD833, leaving_incomplete = 0x744D };
TAUTGATE_ENUM(Code, released, withheld, leaving_incomplete);

[[nodiscard]] constexpr bool far_apart(std::uint16_t a, std::uint16_t b) noexcept {
    return std::popcount(static_cast<unsigned>(a ^ b)) >= 8;
}
static_assert([] {
    constexpr std::array<std::uint16_t, 5> values{0x0000, 0xFFFF, static_cast<std::uint16_t>(Code::released),
                                                  static_cast<std::uint16_t>(Code::withheld),
                                                  static_cast<std::uint16_t>(Code::leaving_incomplete)};
    for (std::size_t i = 0; i < values.size(); ++i)
        for (std::size_t j = 0; j < i; ++j)
            if (!far_apart(values[i], values[j]))
                return false;
    return true;
}());

// Any other value means withheld.
[[nodiscard]] Code code_from(std::uint16_t value) noexcept;

// What is known of the state at the PLC. Never a bool: unknown is not withheld, and neither is released.
enum class Feedback : std::uint8_t { unknown, withheld, released, leaving_incomplete };
TAUTGATE_ENUM(Feedback, unknown, withheld, released, leaving_incomplete);

inline constexpr std::uint16_t layout_version = 1;

// Tokens. One is drawn for every stay from 1 to 0xFEFFFFFF; those from 0xFF000000 to 0xFFFFFFFE belong to
// challenges and to tests of the wiring, on which the PLC answers but never moves. Zero and all ones are no
// tokens.
enum class TokenKind : std::uint8_t { none, stay, challenge };
TAUTGATE_ENUM(TokenKind, none, stay, challenge);
[[nodiscard]] constexpr TokenKind token_kind(std::uint32_t token) noexcept {
    if (token == 0 || token == 0xFFFFFFFF)
        return TokenKind::none;
    return token >= 0xFF000000 ? TokenKind::challenge : TokenKind::stay;
}

// Whose block it is. All three are numbers from the station description, 1 and up.
struct BlockAddress {
    std::uint16_t station = 0;
    std::uint16_t bay = 0;
    std::uint16_t permissive = 0;
    constexpr bool operator==(const BlockAddress&) const = default;
};
TAUTGATE_FIELDS(BlockAddress, station, bay, permissive);

enum class BlockFaultKind : std::uint8_t {
    wrong_length,
    wrong_crc,
    wrong_layout,
    wrong_station,
    wrong_bay,
    wrong_permissive,
    empty  // nothing but zeros: nobody has written it
};
TAUTGATE_ENUM(BlockFaultKind, wrong_length, wrong_crc, wrong_layout, wrong_station, wrong_bay,
              wrong_permissive, empty);

struct BlockFault {
    BlockFaultKind kind = BlockFaultKind::wrong_length;
    std::uint32_t expected = 0;
    std::uint32_t found = 0;
    constexpr bool operator==(const BlockFault&) const = default;
};
TAUTGATE_FIELDS(BlockFault, kind, expected, found);
// "the block is meant for bay 2, not for bay 1; check the register address and the bay number at the PLC"
[[nodiscard]] std::string to_text(const BlockFault& fault);

// CRC-32 (IEEE 802.3: reflected polynomial 0xEDB88320, start and final XOR all ones) over the registers,
// high byte first. The two registers that hold it come last, high word first.
[[nodiscard]] std::uint32_t block_crc(std::span<const std::uint16_t> words) noexcept;

// ---- station -> PLC -------------------------------------------------------------------------------------

struct PermissiveBlock {
    BlockAddress address;
    std::uint32_t token = 0;  // of the stay, or offered to the next one; 0: none
    Code code = Code::withheld;
    std::uint16_t reason = 0;  // number of the first reason for holding, for a panel; 0: none
    std::uint16_t moved = 0;   // the PLC's count of movements as the station knows it
    std::uint16_t beat = 0;
    bool operator==(const PermissiveBlock&) const = default;
};
TAUTGATE_FIELDS(PermissiveBlock, address, token, code, reason, moved, beat);

// The reason number where not a decision but the station itself withholds.
inline constexpr std::uint16_t reason_of_station = 1;

inline constexpr std::size_t permissive_words = 12;
[[nodiscard]] std::array<std::uint16_t, permissive_words> encode(const PermissiveBlock& block) noexcept;
// Checks in this order: length, CRC, layout, station, bay, permissive. An unknown code decodes as withheld.
[[nodiscard]] std::expected<PermissiveBlock, BlockFault>
decode_permissive(std::span<const std::uint16_t> words, const BlockAddress& own) noexcept;

// ---- PLC -> station -------------------------------------------------------------------------------------

enum class Presence : std::uint8_t { unknown, absent, present };
TAUTGATE_ENUM(Presence, unknown, absent, present);

// Why the PLC acts as withheld, or what it has to report. On the wire by number.
enum class PlcFault : std::uint16_t {
    none = 0,
    bad_block = 1,             // CRC, layout, station, bay or permissive
    beat_still = 2,            // no new beat within the time agreed
    beat_jumped = 3,           // the beat went back or on by more than 8
    waiting_for_beat = 4,      // since the start no block has been accepted yet
    no_token = 5,              // a unit is present but its token has not been taken
    other_token = 6,           // the block is for another unit than the one present
    moved_while_withheld = 7,  // until the next arrival
    equipment = 8              // the equipment's own fault
};
TAUTGATE_ENUM(PlcFault, none, bad_block, beat_still, beat_jumped, waiting_for_beat, no_token, other_token,
              moved_while_withheld, equipment);

struct FeedbackBlock {
    BlockAddress address;
    std::uint32_t token = 0;                // the token that the PLC holds, 0: none
    Feedback acting = Feedback::unknown;    // the code that the PLC acts on; unknown: no code of ours
    std::uint16_t beat = 0;                 // of the last block accepted
    Presence presence = Presence::unknown;  // level, debounced by the PLC
    std::uint16_t arrivals = 0;             // one up per debounced rising edge of presence
    std::uint16_t departures = 0;           // one up per debounced falling edge
    std::uint16_t plc_starts = 0;           // one up per start of the PLC program
    std::uint16_t moved = 0;                // one up per movement that this permissive names
    std::uint16_t fault = 0;                // PlcFault by number; others are kept as they are
    bool operator==(const FeedbackBlock&) const = default;
};
TAUTGATE_FIELDS(FeedbackBlock, address, token, acting, beat, presence, arrivals, departures, plc_starts,
                moved, fault);

inline constexpr std::size_t feedback_words = 16;
[[nodiscard]] std::array<std::uint16_t, feedback_words> encode(const FeedbackBlock& block) noexcept;
[[nodiscard]] std::expected<FeedbackBlock, BlockFault> decode_feedback(std::span<const std::uint16_t> words,
                                                                       const BlockAddress& own) noexcept;

// ---- the PLC's rule -------------------------------------------------------------------------------------

// Most that a beat may advance between two accepted blocks.
inline constexpr std::uint16_t beat_advance_max = 8;
// One that advances by more than this has gone back.
inline constexpr std::uint16_t beat_half_way = 0x7FFF;

struct PlcSettings {
    BlockAddress own;
    std::uint32_t beat_limit_ms = 1000;  // a beat that stands still for this long withholds
    bool one_shot = false;               // as in the station description: a release is for one movement
    bool operator==(const PlcSettings&) const = default;
};
TAUTGATE_FIELDS(PlcSettings, own, beat_limit_ms, one_shot);

// The equipment's own signals in one scan, debounced.
struct PlcInputs {
    bool present = false;
    bool moved = false;  // rises once when the movement that the permissive names was made
    bool equipment_fault = false;
    bool operator==(const PlcInputs&) const = default;
};
TAUTGATE_FIELDS(PlcInputs, present, moved, equipment_fault);

// One permissive at the PLC. The counts outlive a start of the PLC program, nothing else does: start with
// plc_start of the state from before.
struct PlcState {
    // retained
    std::uint16_t arrivals = 0;
    std::uint16_t departures = 0;
    std::uint16_t plc_starts = 0;
    std::uint16_t moved_count = 0;
    // from scan to scan
    bool scanned = false;                    // the first scan is over
    std::optional<std::uint16_t> seen_beat;  // the newest of whole blocks, accepted or not
    std::uint64_t seen_ms = 0;               // when it came; while the link is good, when it was accepted
    bool link_good = false;                  // a block was accepted, and no fault or stand-still since
    std::uint16_t accepted_beat = 0;
    bool present = false;
    bool moved = false;
    bool wants_token = false;                          // a unit came whose token is still to be taken
    std::uint32_t token = 0;                           // held, 0: none
    Code code = Code::withheld;                        // of the last accepted block
    std::uint32_t code_token = 0;                      // whom it is for
    std::uint16_t code_moved = 0;                      // and after how many movements
    bool overruled = false;                            // by another text under the same beat: withheld since
    PlcFault link_fault = PlcFault::waiting_for_beat;  // why the link is not good
    PlcFault fault = PlcFault::waiting_for_beat;       // what is reported
    bool left_allowed = false;                         // the unit went away while the movement was allowed
    bool used = false;           // one-shot: the release is from before the last movement
    bool moved_wrongly = false;  // a movement was made that had not been allowed; until the next arrival
    bool operator==(const PlcState&) const = default;
};
TAUTGATE_FIELDS(PlcState, arrivals, departures, plc_starts, moved_count, scanned, seen_beat, seen_ms,
                link_good, accepted_beat, present, moved, wants_token, token, code, code_token, code_moved,
                overruled, link_fault, fault, left_allowed, used, moved_wrongly);

// The state at a start of the PLC program.
[[nodiscard]] PlcState plc_start(const PlcState& before) noexcept;

// One scan: `words` is the block as it stands in the registers, `now_ms` a clock that never goes back.
[[nodiscard]] PlcState plc_step(PlcState state, const PlcSettings& settings,
                                std::span<const std::uint16_t> words, std::uint64_t now_ms,
                                const PlcInputs& inputs) noexcept;

// The code that the PLC acts on. Withheld unless a unit is present, the link is good, the block is for the
// very token taken at its arrival and, where one-shot, given after the last movement.
[[nodiscard]] Code acting_code(const PlcState& state) noexcept;

// The station tries the wiring of an empty bay: a block in force that says something else than withheld for a
// token of the reserved range. The PLC shows in its feedback what it received, and moves nothing.
[[nodiscard]] bool tries_wiring(const PlcState& state) noexcept;

enum class Movement : std::uint8_t { refused, allowed, allowed_incomplete };
TAUTGATE_ENUM(Movement, refused, allowed, allowed_incomplete);
// As acting_code, and a challenge token never moves. The PLC ANDs it with its own conditions, never ORs it.
[[nodiscard]] Movement movement(const PlcState& state) noexcept;

[[nodiscard]] FeedbackBlock feedback(const PlcState& state, const PlcSettings& settings) noexcept;

}  // namespace tautgate::protocol
