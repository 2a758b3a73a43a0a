#include "protocol/permissive_block.hpp"

#include <utility>

#include <boost/crc.hpp>
#include <fmt/format.h>

namespace tautgate::protocol {

namespace {

std::uint16_t high(std::uint32_t value) { return static_cast<std::uint16_t>(value >> 16U); }

std::uint16_t low(std::uint32_t value) { return static_cast<std::uint16_t>(value & 0xFFFFU); }

std::uint32_t join(std::uint16_t high_word, std::uint16_t low_word) {
    return (std::uint32_t{high_word} << 16U) | low_word;
}

template <std::size_t Size>
void seal(std::array<std::uint16_t, Size>& words) {
    const std::uint32_t crc = block_crc(std::span(words).first(Size - 2));
    words[Size - 2] = high(crc);
    words[Size - 1] = low(crc);
}

// What both blocks have in common: length, CRC, and the four registers that say whose block it is.
std::optional<BlockFault> find_fault(std::span<const std::uint16_t> words, std::size_t length,
                                     const BlockAddress& own) {
    if (words.size() != length)
        return BlockFault{BlockFaultKind::wrong_length, static_cast<std::uint32_t>(length),
                          static_cast<std::uint32_t>(words.size())};
    const std::uint32_t crc = block_crc(words.first(length - 2));
    const std::uint32_t sent = join(words[length - 2], words[length - 1]);
    if (crc != sent && std::ranges::all_of(words, [](std::uint16_t word) { return word == 0; }))
        return BlockFault{BlockFaultKind::empty, 0, 0};
    if (crc != sent)
        return BlockFault{BlockFaultKind::wrong_crc, crc, sent};
    if (words[0] != layout_version)
        return BlockFault{BlockFaultKind::wrong_layout, layout_version, words[0]};
    if (words[1] != own.station)
        return BlockFault{BlockFaultKind::wrong_station, own.station, words[1]};
    if (words[2] != own.bay)
        return BlockFault{BlockFaultKind::wrong_bay, own.bay, words[2]};
    if (words[3] != own.permissive)
        return BlockFault{BlockFaultKind::wrong_permissive, own.permissive, words[3]};
    return std::nullopt;
}

std::uint16_t wire(Feedback acting) {
    switch (acting) {
    case Feedback::unknown: return 0;
    case Feedback::withheld: return static_cast<std::uint16_t>(Code::withheld);
    case Feedback::released: return static_cast<std::uint16_t>(Code::released);
    case Feedback::leaving_incomplete: return static_cast<std::uint16_t>(Code::leaving_incomplete);
    }
    std::unreachable();
}

Feedback feedback_from(Code code) {
    switch (code) {
    case Code::withheld: return Feedback::withheld;
    case Code::released: return Feedback::released;
    case Code::leaving_incomplete: return Feedback::leaving_incomplete;
    }
    std::unreachable();
}

// On the way back an unknown code is no statement about the state of the PLC.
Feedback feedback_from(std::uint16_t value) {
    const Code code = code_from(value);
    return static_cast<std::uint16_t>(code) == value ? feedback_from(code) : Feedback::unknown;
}

std::uint16_t wire(Presence presence) {
    switch (presence) {
    case Presence::absent: return 0;
    case Presence::present: return 1;
    case Presence::unknown: return 2;
    }
    std::unreachable();
}

Presence presence_from(std::uint16_t value) {
    return value == 0 ? Presence::absent : value == 1 ? Presence::present : Presence::unknown;
}

std::uint16_t plus_one(std::uint16_t count) { return static_cast<std::uint16_t>(count + 1U); }

// ---- the parts of one scan ------------------------------------------------------------------------------

void see_unit(PlcState& state, const PlcInputs& inputs, Movement allowed_before) {
    if (!state.scanned) {
        // No edge was seen: a unit that stands here already is not counted, but its token is still to be
        // taken.
        state.wants_token = inputs.present;
    } else if (inputs.present && !state.present) {
        state.arrivals = plus_one(state.arrivals);
        state.token = 0;
        state.wants_token = true;
        state.left_allowed = false;
        state.moved_wrongly = false;
    } else if (!inputs.present && state.present) {
        state.departures = plus_one(state.departures);
        state.wants_token = false;
        state.left_allowed = allowed_before != Movement::refused;
    }
    state.present = inputs.present;
}

void see_movement(PlcState& state, const PlcInputs& inputs, Movement allowed_before) {
    // Its level is kept over a start: what moved while the program did not run is counted, and nothing
    // allowed it.
    if (inputs.moved && !state.moved) {
        state.moved_count = plus_one(state.moved_count);
        // The unit may lose its place sensor before the movement reports its end.
        const bool allowed = allowed_before != Movement::refused || (!state.present && state.left_allowed);
        state.moved_wrongly = state.moved_wrongly || !allowed;
        state.left_allowed = false;
    }
    state.moved = inputs.moved;
}

void lose_link(PlcState& state, PlcFault why) {
    state.link_good = false;
    state.code = Code::withheld;
    state.link_fault = why;
}

void take_beat(PlcState& state, std::uint16_t beat, std::uint64_t now_ms) {
    state.seen_beat = beat;
    state.seen_ms = now_ms;
}

void see_block(PlcState& state, const PlcSettings& settings, std::span<const std::uint16_t> words,
               std::uint64_t now_ms) {
    const auto block = decode_permissive(words, settings.own);
    if (!block)
        return lose_link(state, PlcFault::bad_block);
    if (!state.seen_beat) {  // may have stood in the registers since before the first scan
        take_beat(state, block->beat, now_ms);
        return lose_link(state, PlcFault::waiting_for_beat);
    }
    const auto advance = static_cast<std::uint16_t>(block->beat - *state.seen_beat);
    const bool is_over = now_ms - state.seen_ms >= settings.beat_limit_ms;
    if (advance == 0) {
        if (!state.link_good)
            return;
        if (is_over)
            return lose_link(state, PlcFault::beat_still);
        // A change without a beat is not accepted, but whatever it is, it is no reason to stay released.
        if (block->code != state.code || block->token != state.code_token ||
            block->moved != state.code_moved) {
            state.code = Code::withheld;
            state.overruled = true;
        }
        return;
    }
    // What is older than the newest that came is of the past, and so is whatever follows it; only when the
    // time agreed has gone by without anything newer may it be the count of a station that has started anew.
    if (advance > beat_half_way && !is_over)
        return lose_link(state, PlcFault::beat_jumped);
    take_beat(state, block->beat, now_ms);
    if (advance > beat_advance_max)
        return lose_link(state, PlcFault::beat_jumped);
    state.link_good = true;
    state.overruled = false;
    state.accepted_beat = block->beat;
    state.code = block->code;
    state.code_token = block->token;
    state.code_moved = block->moved;
}

void take_token(PlcState& state) {
    const bool offered = state.link_good && !state.overruled && state.code == Code::withheld &&
                         token_kind(state.code_token) != TokenKind::none;
    if (state.wants_token && offered) {
        state.token = state.code_token;
        state.wants_token = false;
    }
}

PlcFault fault_of(const PlcState& state, const PlcInputs& inputs) {
    if (state.moved_wrongly)
        return PlcFault::moved_while_withheld;
    if (!state.link_good)
        return state.link_fault;
    if (state.wants_token)
        return PlcFault::no_token;
    const bool for_another =
        state.token != 0 && state.code != Code::withheld && state.token != state.code_token;
    if (for_another && !tries_wiring(state))
        return PlcFault::other_token;
    return inputs.equipment_fault ? PlcFault::equipment : PlcFault::none;
}

}  // namespace

Code code_from(std::uint16_t value) noexcept {
    switch (value) {
    case static_cast<std::uint16_t>(Code::released): return Code::released;
    case static_cast<std::uint16_t>(Code::leaving_incomplete): return Code::leaving_incomplete;
    default: return Code::withheld;  // the wire carries 65536 values; all others mean this
    }
}

std::string to_text(const BlockFault& fault) {
    switch (fault.kind) {
    case BlockFaultKind::wrong_length:
        return fmt::format("the block has {} registers instead of {}; check the number of registers read",
                           fault.found, fault.expected);
    case BlockFaultKind::empty:
        return "all registers of the block are 0, as where nobody has written them yet; check that the "
               "program of the other side runs and writes there";
    case BlockFaultKind::wrong_crc:
        return fmt::format(
            "the block's CRC-32 is {:#010x}, its registers give {:#010x}; check that all registers "
            "are written in one request and read in one request",
            fault.found, fault.expected);
    case BlockFaultKind::wrong_layout:
        return fmt::format(
            "the block has layout version {}, this program knows {}; bring both sides to the same "
            "version",
            fault.found, fault.expected);
    case BlockFaultKind::wrong_station:
        return fmt::format(
            "the block is for station {}, not for station {}; check addresses and station numbers",
            fault.found, fault.expected);
    case BlockFaultKind::wrong_bay:
        return fmt::format(
            "the block is for bay {}, not for bay {}; check register addresses and bay numbers", fault.found,
            fault.expected);
    case BlockFaultKind::wrong_permissive:
        return fmt::format(
            "the block is for permissive {}, not for permissive {}; check register addresses and "
            "permissive numbers",
            fault.found, fault.expected);
    }
    std::unreachable();
}

std::uint32_t block_crc(std::span<const std::uint16_t> words) noexcept {
    boost::crc_32_type crc;
    for (const std::uint16_t word : words) {
        crc.process_byte(static_cast<unsigned char>(word >> 8U));
        crc.process_byte(static_cast<unsigned char>(word & 0xFFU));
    }
    return crc.checksum();
}

std::array<std::uint16_t, permissive_words> encode(const PermissiveBlock& block) noexcept {
    std::array<std::uint16_t, permissive_words> words{layout_version,
                                                      block.address.station,
                                                      block.address.bay,
                                                      block.address.permissive,
                                                      high(block.token),
                                                      low(block.token),
                                                      static_cast<std::uint16_t>(block.code),
                                                      block.reason,
                                                      block.moved,
                                                      block.beat,
                                                      0,
                                                      0};
    seal(words);
    return words;
}

std::expected<PermissiveBlock, BlockFault> decode_permissive(std::span<const std::uint16_t> words,
                                                             const BlockAddress& own) noexcept {
    if (const auto fault = find_fault(words, permissive_words, own))
        return std::unexpected(*fault);
    return PermissiveBlock{.address = own,
                           .token = join(words[4], words[5]),
                           .code = code_from(words[6]),
                           .reason = words[7],
                           .moved = words[8],
                           .beat = words[9]};
}

std::array<std::uint16_t, feedback_words> encode(const FeedbackBlock& block) noexcept {
    std::array<std::uint16_t, feedback_words> words{layout_version,
                                                    block.address.station,
                                                    block.address.bay,
                                                    block.address.permissive,
                                                    high(block.token),
                                                    low(block.token),
                                                    wire(block.acting),
                                                    block.beat,
                                                    wire(block.presence),
                                                    block.arrivals,
                                                    block.departures,
                                                    block.plc_starts,
                                                    block.moved,
                                                    block.fault,
                                                    0,
                                                    0};
    seal(words);
    return words;
}

std::expected<FeedbackBlock, BlockFault> decode_feedback(std::span<const std::uint16_t> words,
                                                         const BlockAddress& own) noexcept {
    if (const auto fault = find_fault(words, feedback_words, own))
        return std::unexpected(*fault);
    return FeedbackBlock{.address = own,
                         .token = join(words[4], words[5]),
                         .acting = feedback_from(words[6]),
                         .beat = words[7],
                         .presence = presence_from(words[8]),
                         .arrivals = words[9],
                         .departures = words[10],
                         .plc_starts = words[11],
                         .moved = words[12],
                         .fault = words[13]};
}

PlcState plc_start(const PlcState& before) noexcept {
    PlcState state;
    state.arrivals = before.arrivals;
    state.departures = before.departures;
    state.plc_starts = plus_one(before.plc_starts);
    state.moved_count = before.moved_count;
    state.moved = before.moved;
    return state;
}

PlcState plc_step(PlcState state, const PlcSettings& settings, std::span<const std::uint16_t> words,
                  std::uint64_t now_ms, const PlcInputs& inputs) noexcept {
    const Movement allowed_before = movement(state);
    see_unit(state, inputs, allowed_before);
    see_movement(state, inputs, allowed_before);
    see_block(state, settings, words, now_ms);
    take_token(state);
    state.used = settings.one_shot && state.code_moved != state.moved_count;
    state.scanned = true;
    state.fault = fault_of(state, inputs);
    return state;
}

Code acting_code(const PlcState& state) noexcept {
    const bool own_unit = state.present && state.token != 0 && state.token == state.code_token;
    return state.link_good && own_unit && !state.used ? state.code : Code::withheld;
}

bool tries_wiring(const PlcState& state) noexcept {
    return state.link_good && !state.present && state.code != Code::withheld &&
           token_kind(state.code_token) == TokenKind::challenge;
}

Movement movement(const PlcState& state) noexcept {
    if (token_kind(state.token) != TokenKind::stay)
        return Movement::refused;
    switch (acting_code(state)) {
    case Code::withheld: return Movement::refused;
    case Code::released: return Movement::allowed;
    case Code::leaving_incomplete: return Movement::allowed_incomplete;
    }
    std::unreachable();
}

FeedbackBlock feedback(const PlcState& state, const PlcSettings& settings) noexcept {
    const bool wiring = tries_wiring(state);
    return FeedbackBlock{.address = settings.own,
                         .token = wiring ? state.code_token : state.token,
                         .acting = feedback_from(wiring ? state.code : acting_code(state)),
                         .beat = state.accepted_beat,
                         .presence = state.present ? Presence::present : Presence::absent,
                         .arrivals = state.arrivals,
                         .departures = state.departures,
                         .plc_starts = state.plc_starts,
                         .moved = state.moved_count,
                         .fault = static_cast<std::uint16_t>(state.fault)};
}

}  // namespace tautgate::protocol
