#include "tests/link_errors/modbus_dialect.hpp"

#include <algorithm>
#include <array>
#include <utility>

#include <boost/crc.hpp>

#include "service/links/modbus_frame.hpp"

namespace tautgate::link_errors {

using links::read_holding;
using links::word_at;
using links::write_multiple;

namespace {

constexpr std::uint8_t refused = 0x80;

void put_word(Bytes& bytes, std::size_t at, std::uint16_t word) {
    bytes.at(at) = static_cast<std::uint8_t>(word >> 8U);
    bytes.at(at + 1) = static_cast<std::uint8_t>(word & 0xFFU);
}

// A frame on a serial line is told by its function; the silence between frames is not kept on a
// pseudo-terminal.
std::size_t serial_length(Way way, std::span<const std::uint8_t> bytes) {
    if (bytes.size() < 3)
        return 0;
    const std::uint8_t function = bytes[1];
    if (way == Way::answered && (function & refused) != 0)
        return 5;
    if (way == Way::answered && function < write_multiple && function <= links::read_input)
        return 5U + bytes[2];
    if (way == Way::asked && function == write_multiple)
        return bytes.size() < 7 ? 0 : 9U + bytes[6];
    return 8;
}

}  // namespace

std::size_t ModbusDialect::frame_length(Way way, std::span<const std::uint8_t> bytes) const {
    std::size_t length = 0;
    if (transport_ == Transport::serial)
        length = serial_length(way, bytes);
    else if (bytes.size() >= links::frame_header)
        length = 6U + word_at(bytes, 4);
    return length <= bytes.size() ? length : 0;
}

void ModbusDialect::seal(Bytes& frame) const {
    if (transport_ == Transport::tcp || frame.size() < 4)
        return;  // TCP has none in the frame
    boost::crc_optimal<16, 0x8005, 0xFFFF, 0, true, true> crc;
    crc.process_bytes(frame.data(), frame.size() - 2);
    const auto sum = crc.checksum();
    frame[frame.size() - 2] = static_cast<std::uint8_t>(sum & 0xFFU);
    frame.back() = static_cast<std::uint8_t>(sum >> 8U);
}

Bytes ModbusDialect::in_place_of(const Bytes& content, const Bytes& present) const {
    Bytes frame = content;
    if (transport_ == Transport::tcp)
        std::copy_n(present.begin(), 2, frame.begin());
    return frame;
}

ModbusDialect::Carried ModbusDialect::carried(Way way, const Bytes& frame) const {
    const std::size_t overhead = (way == Way::asked ? 6U : 2U);
    if (frame.size() < head() + overhead + tail())
        return {};
    const bool carries = function_of(frame) == (way == Way::asked ? write_multiple : read_holding);
    return carries ? Carried{head() + overhead, (frame.size() - head() - overhead - tail()) / 2} : Carried{};
}

std::vector<std::uint16_t> ModbusDialect::words_of(const Bytes& frame, const Carried& carried) {
    std::vector<std::uint16_t> words;
    words.reserve(carried.words);
    for (std::size_t i = 0; i < carried.words; ++i)
        words.push_back(word_at(frame, carried.at + 2 * i));
    return words;
}

void ModbusDialect::put_words(Bytes& frame, const Carried& carried, std::span<const std::uint16_t> words) {
    for (std::size_t i = 0; i < std::min(carried.words, words.size()); ++i)
        put_word(frame, carried.at + 2 * i, words[i]);
}

Bytes ModbusDialect::with_other_unit(Bytes frame, Dice& dice) const {
    auto& unit = frame.at(head() - 1);
    // Neither of those that mean the device at the address itself.
    unit = static_cast<std::uint8_t>(2 + (unit + dice.below(240)) % 245);
    seal(frame);
    return frame;
}

Bytes ModbusDialect::with_other_address(Bytes frame, int shift) const {
    put_word(frame, head() + 1, static_cast<std::uint16_t>(word_at(frame, head() + 1) + shift));
    seal(frame);
    return frame;
}

// ---- the line to the controller ---------------------------------------------------------------------------

namespace {

enum class Content : std::uint8_t { none, permissives, feedback };

struct Other {
    protocol::BlockAddress address;
    bool token = false;
    bool moved = false;
};

// One field that is not ours: of another station, bay or permissive, for another stay or movement.
Other draw_other(protocol::BlockAddress own, std::uint64_t kinds, Dice& dice) {
    Other other{.address = own};
    switch (dice.below(kinds)) {
    case 0: other.address.station = static_cast<std::uint16_t>(own.station + 1 + dice.below(1000)); break;
    case 1: other.address.bay = static_cast<std::uint16_t>(own.bay + 1 + dice.below(1000)); break;
    case 2:
        other.address.permissive = static_cast<std::uint16_t>(own.permissive + 1 + dice.below(1000));
        break;
    case 3: other.token = true; break;
    default: other.moved = true; break;
    }
    return other;
}

std::uint32_t long_at(std::span<const std::uint16_t> words, std::size_t at) {
    return static_cast<std::uint32_t>(words[at]) << 16U | words[at + 1];
}

// A sealed block that releases, by another sender: whatever beat it has.
std::vector<std::uint16_t> forged_permissive(std::span<const std::uint16_t> words, bool one_shot,
                                             Dice& dice) {
    const Other other = draw_other({words[1], words[2], words[3]}, one_shot ? 5 : 4, dice);
    const std::uint32_t token = long_at(words, 4);
    const auto beat = dice.one_in(2) ? static_cast<std::uint16_t>(words[9] + dice.below(9))
                                     : static_cast<std::uint16_t>(dice.below(0x10000));
    const auto block = protocol::encode(protocol::PermissiveBlock{
        .address = other.address,
        .token = other.token ? token ^ static_cast<std::uint32_t>(1 + dice.below(0xFFFF)) : token,
        .code = dice.one_in(4) ? protocol::Code::leaving_incomplete : protocol::Code::released,
        .reason = 0,
        .moved = static_cast<std::uint16_t>(other.moved ? words[8] + 1 + dice.below(100) : words[8]),
        .beat = beat});
    return {block.begin(), block.end()};
}

// Feedback of another controller; or, under our own address, of one that acts on a release for another stay.
std::vector<std::uint16_t> forged_feedback(std::span<const std::uint16_t> words, Dice& dice) {
    const protocol::BlockAddress own{words[1], words[2], words[3]};
    auto block = protocol::decode_feedback(words, own);
    if (!block)
        return {};
    const Other other = draw_other(own, 4, dice);
    block->address = other.address;
    if (other.token) {
        block->token ^= static_cast<std::uint32_t>(1 + dice.below(0xFFFF));
        block->acting = protocol::Feedback::released;
    }
    const auto forged = protocol::encode(*block);
    return {forged.begin(), forged.end()};
}

// Which of the two stands in so many words: the lengths tell, since the line carries all blocks at once.
Content content_of(std::size_t words, std::size_t points) {
    if (words == points * protocol::permissive_words)
        return Content::permissives;
    return words == points * protocol::feedback_words ? Content::feedback : Content::none;
}

}  // namespace

std::optional<Bytes> PermissiveDialect::masquerade(Way way, const Bytes& frame, Dice& dice) const {
    const auto place = carried(way, frame);
    const auto content = content_of(place.words, one_shot_.size());
    if (content == Content::none)
        return std::nullopt;
    auto words = words_of(frame, place);
    const std::size_t length =
        content == Content::permissives ? protocol::permissive_words : protocol::feedback_words;
    const std::size_t point = dice.below(one_shot_.size());
    const auto block = std::span(words).subspan(point * length, length);
    const auto forged = content == Content::permissives ? forged_permissive(block, one_shot_[point], dice)
                                                        : forged_feedback(block, dice);
    if (forged.empty())
        return std::nullopt;
    std::ranges::copy(forged, block.begin());
    Bytes spoilt = frame;
    put_words(spoilt, place, words);
    return spoilt;
}

std::optional<Bytes> PermissiveDialect::misaddress(Way way, const Bytes& frame, Dice& dice) const {
    const auto place = carried(way, frame);
    if (place.words > 0 && one_shot_.size() > 1 && dice.one_in(3)) {
        auto words = words_of(frame, place);
        std::ranges::rotate(words,
                            words.begin() + static_cast<std::ptrdiff_t>(words.size() / one_shot_.size()));
        Bytes spoilt = frame;
        put_words(spoilt, place, words);
        return spoilt;
    }
    if (way == Way::answered || dice.one_in(3))
        return with_other_unit(frame, dice);
    constexpr std::array shifts{-16, -12, -1, 1, 12, 16, 90};
    return with_other_address(frame, shifts.at(dice.below(shifts.size())));
}

std::vector<protocol::PermissiveBlock> PermissiveDialect::blocks_in(Way way, const Bytes& frame) const {
    const auto place = carried(way, frame);
    std::vector<protocol::PermissiveBlock> blocks;
    if (content_of(place.words, one_shot_.size()) != Content::permissives)
        return blocks;
    const auto words = words_of(frame, place);
    for (std::size_t at = 0; at < words.size(); at += protocol::permissive_words) {
        const auto part = std::span(words).subspan(at, protocol::permissive_words);
        if (const auto block = protocol::decode_permissive(part, {part[1], part[2], part[3]}))
            blocks.push_back(*block);
    }
    return blocks;
}

// ---- a polled tool ----------------------------------------------------------------------------------------

bool PolledDialect::is_guarded(Way, const Bytes& frame) const { return function_of(frame) != write_multiple; }

bool PolledDialect::is_foreign_order(Way way, const Bytes& spoilt) const {
    return way == Way::asked && spoilt.size() > head() && function_of(spoilt) > links::read_input;
}

std::optional<Bytes> PolledDialect::masquerade(Way way, const Bytes& frame, Dice& dice) const {
    if (way == Way::asked)
        return with_other_unit(frame, dice);
    const auto place = carried(way, frame);
    const auto words = foreign_(dice);
    if (place.words != words.size() || dice.one_in(4))
        return with_other_unit(frame, dice);
    Bytes spoilt = frame;
    put_words(spoilt, place, words);
    seal(spoilt);
    return spoilt;
}

std::optional<Bytes> PolledDialect::misaddress(Way way, const Bytes& frame, Dice& dice) const {
    if (way == Way::answered || dice.one_in(2) || !is_guarded(way, frame))
        return with_other_unit(frame, dice);
    constexpr std::array shifts{-30, -2, -1, 1, 2, 5, 30};
    return with_other_address(frame, shifts.at(dice.below(shifts.size())));
}

}  // namespace tautgate::link_errors
