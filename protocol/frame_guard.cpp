#include "protocol/frame_guard.hpp"

#include <algorithm>
#include <utility>

#include <boost/crc.hpp>
#include <fmt/format.h>

#include "protocol/frame_splitter.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::uint16_t poly_8005 = 0x8005;
constexpr std::uint16_t poly_1021 = 0x1021;
constexpr std::uint16_t all_ones = 0xFFFF;

template <class Crc>
std::uint16_t crc_by(std::string_view bytes) {
    Crc crc;
    crc.process_bytes(bytes.data(), bytes.size());
    return static_cast<std::uint16_t>(crc.checksum());
}

std::uint8_t sum_of(std::string_view bytes) {
    std::uint8_t sum = 0;
    for (const char byte : bytes)
        sum = static_cast<std::uint8_t>(sum + static_cast<std::uint8_t>(byte));
    return sum;
}

std::uint8_t xor_of(std::string_view bytes) {
    std::uint8_t all = 0;
    for (const char byte : bytes)
        all = static_cast<std::uint8_t>(all ^ static_cast<std::uint8_t>(byte));
    return all;
}

std::string digits_of(const FrameChecksum& checksum, std::uint16_t sum) {
    const bool wide = is_crc(checksum.kind);
    const auto high = static_cast<char>(sum >> 8U);
    const auto low = static_cast<char>(sum & 0xFFU);
    switch (checksum.form) {
    case ChecksumForm::hex: return fmt::format("{:0{}X}", sum, wide ? 4 : 2);
    case ChecksumForm::high_first: return wide ? std::string{high, low} : std::string{low};
    case ChecksumForm::low_first: return wide ? std::string{low, high} : std::string{low};
    }
    std::unreachable();
}

std::string upper(std::string_view text) {
    std::string out(text);
    for (char& c : out)
        if (c >= 'a' && c <= 'f')
            c = static_cast<char>(c - 'a' + 'A');
    return out;
}

}  // namespace

std::uint16_t checksum_of(ChecksumKind kind, std::string_view bytes) noexcept {
    switch (kind) {
    case ChecksumKind::sum8: return sum_of(bytes);
    case ChecksumKind::lrc8: return static_cast<std::uint8_t>(-sum_of(bytes));
    case ChecksumKind::xor8: return xor_of(bytes);
    case ChecksumKind::crc16_modbus:
        return crc_by<boost::crc_optimal<16, poly_8005, all_ones, 0, true, true>>(bytes);
    case ChecksumKind::crc16_arc: return crc_by<boost::crc_optimal<16, poly_8005, 0, 0, true, true>>(bytes);
    case ChecksumKind::crc16_xmodem:
        return crc_by<boost::crc_optimal<16, poly_1021, 0, 0, false, false>>(bytes);
    case ChecksumKind::crc16_ccitt_false:
        return crc_by<boost::crc_optimal<16, poly_1021, all_ones, 0, false, false>>(bytes);
    case ChecksumKind::crc16_kermit:
        return crc_by<boost::crc_optimal<16, poly_1021, 0, 0, true, true>>(bytes);
    case ChecksumKind::crc16_x25:
        return crc_by<boost::crc_optimal<16, poly_1021, all_ones, all_ones, true, true>>(bytes);
    }
    std::unreachable();
}

bool is_crc(ChecksumKind kind) noexcept {
    switch (kind) {
    case ChecksumKind::sum8:
    case ChecksumKind::lrc8:
    case ChecksumKind::xor8: return false;
    case ChecksumKind::crc16_modbus:
    case ChecksumKind::crc16_arc:
    case ChecksumKind::crc16_xmodem:
    case ChecksumKind::crc16_ccitt_false:
    case ChecksumKind::crc16_kermit:
    case ChecksumKind::crc16_x25: return true;
    }
    std::unreachable();
}

std::size_t guard_length(const FrameProfile& profile) noexcept {
    if (!profile.checksum)
        return 0;
    const std::size_t bytes = is_crc(profile.checksum->kind) ? 2 : 1;
    return profile.checksum->before.size() +
           (profile.checksum->form == ChecksumForm::hex ? 2 * bytes : bytes);
}

std::string guard_of(const FrameProfile& profile, std::string_view covered) {
    if (!profile.checksum)
        return {};
    const FrameChecksum& checksum = *profile.checksum;
    return checksum.before + digits_of(checksum, checksum_of(checksum.kind, covered));
}

bool is_right(const FrameChecksum& checksum, std::uint16_t sum, std::string_view guard) {
    if (!guard.starts_with(checksum.before))
        return false;
    const std::string_view sent = guard.substr(checksum.before.size());
    const std::string right = digits_of(checksum, sum);
    return right == (checksum.form == ChecksumForm::hex ? upper(sent) : std::string(sent));
}

std::string guard_fault(const FrameChecksum& checksum, std::uint16_t sum, std::string_view guard) {
    if (is_right(checksum, sum, guard))
        return {};
    if (!guard.starts_with(checksum.before))
        return fmt::format("{} does not stand before the checksum", shown(checksum.before));
    return fmt::format("the checksum is {} and should be {}", shown(guard.substr(checksum.before.size())),
                       shown(digits_of(checksum, sum)));
}

std::string covered_by(const FrameProfile& profile, std::string_view head, std::string_view content) {
    std::string covered;
    if (profile.checksum && profile.checksum->covers_start)
        covered += head;
    covered += content;
    const auto* between = std::get_if<StartStop>(&profile.framing);
    if (between != nullptr && between->checksum_after_stop)
        covered += static_cast<char>(between->stop);
    return covered;
}

std::size_t length_bytes(const LengthPrefixed& framing) noexcept {
    return framing.one_byte ? 1 : std::size_t{2} * width(framing.type);
}

std::size_t head_bytes(const FrameProfile& profile) noexcept {
    if (const auto* counted = std::get_if<LengthPrefixed>(&profile.framing))
        return counted->start.size() + length_bytes(*counted);
    if (const auto* fixed = std::get_if<FixedLength>(&profile.framing))
        return fixed->start.size();
    return std::holds_alternative<StartStop>(profile.framing) ? 1 : 0;
}

}  // namespace tautgate::protocol
