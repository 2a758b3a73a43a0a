#include "protocol/stretch_sums.hpp"

#include <cassert>
#include <utility>

#include "protocol/frame_splitter.hpp"

namespace tautgate::protocol {

namespace {

constexpr unsigned byte_bits = 8;
constexpr unsigned crc_bits = 16;
constexpr std::uint16_t top_bit = 0x8000;
constexpr std::uint16_t low_bit = 0x0001;
constexpr std::uint16_t every_bit = 0xFFFF;

// A CRC as its parameters say (see ChecksumKind). Where bits come lowest first, the register is kept
// mirrored, and so is the polynomial.
struct Crc {
    std::uint16_t poly = 0;
    bool mirrored = false;
    std::uint16_t first = 0;
    std::uint16_t last = 0;
};
constexpr std::uint16_t poly_8005_mirrored = 0xA001;
constexpr std::uint16_t poly_1021_upright = 0x1021;
constexpr std::uint16_t poly_1021_mirrored = 0x8408;

Crc parameters_of(ChecksumKind kind) {
    switch (kind) {
    case ChecksumKind::crc16_modbus: return {poly_8005_mirrored, true, every_bit, 0};
    case ChecksumKind::crc16_arc: return {poly_8005_mirrored, true, 0, 0};
    case ChecksumKind::crc16_xmodem: return {poly_1021_upright, false, 0, 0};
    case ChecksumKind::crc16_ccitt_false: return {poly_1021_upright, false, every_bit, 0};
    case ChecksumKind::crc16_kermit: return {poly_1021_mirrored, true, 0, 0};
    case ChecksumKind::crc16_x25: return {poly_1021_mirrored, true, every_bit, every_bit};
    case ChecksumKind::sum8:
    case ChecksumKind::lrc8:
    case ChecksumKind::xor8: break;
    }
    std::unreachable();
}

// One bit further: times x, modulo the polynomial.
std::uint16_t times_x(const Crc& crc, std::uint16_t value) {
    const bool over = (value & (crc.mirrored ? low_bit : top_bit)) != 0;
    const auto moved = static_cast<std::uint16_t>(crc.mirrored ? value >> 1U : value << 1U);
    return over ? static_cast<std::uint16_t>(moved ^ crc.poly) : moved;
}
std::uint16_t byte_further(const Crc& crc, std::uint16_t value) {
    for (unsigned bit = 0; bit < byte_bits; ++bit)
        value = times_x(crc, value);
    return value;
}
// Modulo the polynomial; the bits of `b` from its highest power on.
std::uint16_t product(const Crc& crc, std::uint16_t a, std::uint16_t b) {
    std::uint16_t out = 0;
    for (unsigned bit = 0; bit < crc_bits; ++bit) {
        out = times_x(crc, out);
        const bool is_set = (b & (crc.mirrored ? low_bit << bit : top_bit >> bit)) != 0;
        if (is_set)
            out = static_cast<std::uint16_t>(out ^ a);
    }
    return out;
}

// What so many bytes multiply a register by.
using Powers = std::vector<std::uint16_t>;
Powers powers_of(const Crc& crc) {
    Powers powers{crc.mirrored ? top_bit : low_bit};
    powers.reserve(frame_limit + 1);
    while (powers.size() <= frame_limit)
        powers.push_back(byte_further(crc, powers.back()));
    return powers;
}
// Each is worked out when the first frame with its kind of checksum comes.
const Powers& powers_for(const Crc& crc) {
    if (!crc.mirrored) {
        static const Powers of_1021 = powers_of({poly_1021_upright, false});
        return of_1021;
    }
    if (crc.poly == poly_8005_mirrored) {
        static const Powers of_8005 = powers_of({poly_8005_mirrored, true});
        return of_8005;
    }
    static const Powers of_1021_mirrored = powers_of({poly_1021_mirrored, true});
    return of_1021_mirrored;
}

std::uint16_t with_byte(ChecksumKind kind, std::uint16_t sum, std::uint8_t byte) {
    if (kind == ChecksumKind::xor8)
        return sum ^ byte;
    if (!is_crc(kind))
        return static_cast<std::uint8_t>(sum + byte);
    const Crc crc = parameters_of(kind);
    return byte_further(crc, static_cast<std::uint16_t>(sum ^ (crc.mirrored ? byte : byte << byte_bits)));
}

}  // namespace

StretchSums::StretchSums(ChecksumKind kind) : kind_(kind) {}

void StretchSums::append(std::string_view bytes) {
    for (const char byte : bytes)
        up_to_.push_back(with_byte(kind_, up_to_.back(), static_cast<std::uint8_t>(byte)));
}

void StretchSums::drop(std::size_t bytes) {
    assert(bytes < up_to_.size());
    up_to_.erase(up_to_.begin(), up_to_.begin() + static_cast<std::ptrdiff_t>(bytes));
}

std::uint16_t StretchSums::of(std::size_t from, std::size_t to) const {
    assert(from <= to && to < up_to_.size() && to - from <= frame_limit);
    const std::uint16_t before = up_to_[from];
    const std::uint16_t all = up_to_[to];
    switch (kind_) {
    case ChecksumKind::sum8: return static_cast<std::uint8_t>(all - before);
    case ChecksumKind::lrc8: return static_cast<std::uint8_t>(before - all);
    case ChecksumKind::xor8: return all ^ before;
    case ChecksumKind::crc16_modbus:
    case ChecksumKind::crc16_arc:
    case ChecksumKind::crc16_xmodem:
    case ChecksumKind::crc16_ccitt_false:
    case ChecksumKind::crc16_kermit:
    case ChecksumKind::crc16_x25: break;
    }
    // A CRC is linear: what was in the register before the stretch goes on through it and is taken out again.
    const Crc crc = parameters_of(kind_);
    const auto began = static_cast<std::uint16_t>(crc.first ^ before);
    return static_cast<std::uint16_t>(product(crc, began, powers_for(crc)[to - from]) ^ all ^ crc.last);
}

}  // namespace tautgate::protocol
