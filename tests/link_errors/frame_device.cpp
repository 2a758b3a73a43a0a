#include "tests/link_errors/frame_device.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <string_view>
#include <utility>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/write.hpp>
#include <boost/crc.hpp>
#include <fmt/format.h>

namespace tautgate::link_errors {

using boost::system::error_code;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

// ---- binary frames behind their length ------------------------------------------------------------------

constexpr std::uint8_t frame_start = 0xA6;
constexpr std::size_t length_head = 3;
constexpr std::size_t length_crc = 2;
constexpr std::size_t longest_frame = 64;
constexpr auto line_end = std::string_view("\r\n");

void put_number(Bytes& bytes, std::uint32_t number, unsigned count) {
    for (unsigned i = count; i > 0; --i)
        bytes.push_back(static_cast<std::uint8_t>(number >> 8U * (i - 1) & 0xFFU));
}
[[nodiscard]] std::uint32_t number_at(std::span<const std::uint8_t> bytes, std::size_t at, unsigned count) {
    std::uint32_t number = 0;
    for (unsigned i = 0; i < count; ++i)
        number = number << 8U | bytes[at + i];
    return number;
}

// CRC-16 as in MODBUS over Serial Line V1.02, section 6.2.2.
[[nodiscard]] std::uint16_t crc_of(std::span<const std::uint8_t> bytes) {
    boost::crc_optimal<16, 0x8005, 0xFFFF, 0, true, true> crc;
    crc.process_bytes(bytes.data(), bytes.size());
    return crc.checksum();
}

[[nodiscard]] Bytes binary_frame(const Bytes& content) {
    Bytes frame{frame_start};
    put_number(frame, static_cast<std::uint32_t>(content.size() + length_head + length_crc), 2);
    frame.insert(frame.end(), content.begin(), content.end());
    const std::uint16_t crc = crc_of(frame);
    frame.push_back(static_cast<std::uint8_t>(crc & 0xFFU));
    frame.push_back(static_cast<std::uint8_t>(crc >> 8U));
    return frame;
}

// Otherwise the bytes that it asks for would be waited for in vain.
[[nodiscard]] bool may_begin(std::span<const std::uint8_t> bytes) {
    const std::uint32_t length = number_at(bytes, 1, 2);
    return bytes[0] == frame_start && length > length_head + length_crc && length <= longest_frame;
}

[[nodiscard]] bool has_right_crc(std::span<const std::uint8_t> frame) {
    const std::uint16_t crc = crc_of(frame.first(frame.size() - length_crc));
    return frame[frame.size() - 2] == (crc & 0xFFU) && frame[frame.size() - 1] == crc >> 8U;
}

// ---- lines ------------------------------------------------------------------------------------------------

[[nodiscard]] Bytes line_of(const std::string& text) {
    const std::string line = text + std::string(line_end);
    return {line.begin(), line.end()};
}

[[nodiscard]] std::vector<std::uint32_t> numbers_in(std::string_view text) {
    std::vector<std::uint32_t> numbers;
    const char* at = text.data();
    const char* const end = at + text.size();
    while (at != end) {
        std::uint32_t number = 0;
        const auto [rest, failed] = std::from_chars(at, end, number);
        if (failed == std::errc{})
            numbers.push_back(number);
        at = failed == std::errc{} ? rest : at + 1;
    }
    return numbers;
}

// ---- what the manual says ---------------------------------------------------------------------------------

[[nodiscard]] protocol::FrameToSend literal(std::string bytes) {
    return {protocol::LiteralPart{std::move(bytes)}};
}

[[nodiscard]] protocol::NumberAt number_of(std::uint32_t byte, protocol::FieldType type) {
    return {.byte = byte, .type = type, .one_byte = false, .order = protocol::WordOrder::abcd, .bits = {}};
}
[[nodiscard]] protocol::NumberAt byte_of(std::uint32_t byte) {
    return {.byte = byte,
            .type = protocol::FieldType::uint16,
            .one_byte = true,
            .order = std::nullopt,
            .bits = {}};
}

const protocol::Decimal tenth{1, -1};

[[nodiscard]] protocol::FrameTorque torque_at(protocol::FramePlace place) {
    return {.field = {.place = std::move(place), .scale = tenth},
            .unit = protocol::TorqueUnit::newton_metre,
            .unit_at = {},
            .units = {}};
}

[[nodiscard]] protocol::FrameVerdict verdict_at(protocol::FramePlace place) {
    return {.place = std::move(place), .ok = {"1"}, .not_ok = {"0"}, .aborted = {}, .reasons = {}};
}

[[nodiscard]] protocol::FrameMessage binary_result() {
    using enum protocol::FieldType;
    protocol::ResultMessage result;
    result.epoch = number_of(1, uint16);
    result.counter =
        protocol::FrameCounter{.field = {.place = number_of(3, uint32)}, .lowest = 1, .highest = 0xFFFF'FFFF};
    result.torque = torque_at(number_of(7, uint16));
    result.angle = protocol::FrameNumber{.place = number_of(9, uint16), .scale = tenth};
    result.verdict = verdict_at(byte_of(11));
    result.program = protocol::FrameProgram{.place = byte_of(12), .names = {}};
    return {.name = "result", .when = {{byte_of(0), "1"}}, .what = result};
}

[[nodiscard]] protocol::FrameProfile guarded_profile() {
    protocol::StatusMessage status;
    status.epoch = number_of(1, protocol::FieldType::uint16);
    status.newest = protocol::FrameNumber{.place = number_of(3, protocol::FieldType::uint32)};
    protocol::FrameProfile profile;
    profile.name = "Numbers behind their length";
    profile.framing = protocol::LengthPrefixed{.start = "\xA6", .longest = longest_frame};
    profile.checksum = protocol::FrameChecksum{.kind = protocol::ChecksumKind::crc16_modbus,
                                               .form = protocol::ChecksumForm::low_first,
                                               .covers_start = true,
                                               .before = {}};
    profile.content = {.form = protocol::ContentForm::binary, .separator = {}, .equals = {}, .decimal = "."};
    profile.messages = {binary_result(), {.name = "status", .when = {{byte_of(0), "2"}}, .what = status}};
    profile.pause = milliseconds(40);
    profile.on_connect = {literal("\x03")};
    profile.keep_alive = protocol::KeepAlive{.every = milliseconds(100), .frame = literal("\x03")};
    profile.acknowledge = protocol::FrameToSend{protocol::LiteralPart{"\x04"},
                                                protocol::NumberPart{.type = protocol::FieldType::uint32}};
    profile.detects = {protocol::LinkError::corruption, protocol::LinkError::repetition,
                       protocol::LinkError::loss, protocol::LinkError::wrong_sequence,
                       protocol::LinkError::insertion};
    return profile;
}

[[nodiscard]] protocol::FrameProfile plain_profile() {
    using protocol::AtIndex;
    protocol::ResultMessage result;
    result.counter =
        protocol::FrameCounter{.field = {.place = AtIndex{1}}, .lowest = 1, .highest = 0xFFFF'FFFF};
    result.torque = torque_at(AtIndex{2});
    result.angle = protocol::FrameNumber{.place = AtIndex{3}, .scale = tenth};
    result.verdict = verdict_at(AtIndex{4});
    result.program = protocol::FrameProgram{.place = AtIndex{5}, .names = {}};
    protocol::FrameProfile profile;
    profile.name = "Lines without a checksum";
    profile.framing = protocol::Delimited{std::string(line_end)};
    profile.content = {
        .form = protocol::ContentForm::separated, .separator = ";", .equals = {}, .decimal = "."};
    profile.messages = {{.name = "result", .when = {{AtIndex{0}, "R"}}, .what = result},
                        {.name = "alive", .when = {{AtIndex{0}, "A"}}, .what = protocol::OtherMessage{}}};
    profile.pause = milliseconds(40);
    profile.keep_alive = protocol::KeepAlive{.every = milliseconds(100), .frame = literal("?")};
    profile.detects = {protocol::LinkError::repetition, protocol::LinkError::wrong_sequence,
                       protocol::LinkError::insertion};
    return profile;
}

}  // namespace

protocol::FrameProfile frame_profile(FrameKind kind) {
    protocol::FrameProfile profile = kind == FrameKind::guarded ? guarded_profile() : plain_profile();
    profile.range = {.torque_resolution = {100'000},
                     .angle_resolution = {100'000},
                     .torque_max = {500'000'000},
                     .angle_max = {3'600'000'000}};
    return profile;
}

Bytes result_frame(FrameKind kind, const FramedResult& result) {
    if (kind == FrameKind::plain)
        return line_of(fmt::format("R;{};{};{};{:d};{}", result.counter, result.torque, result.angle,
                                   result.ok, result.program));
    Bytes content{message_result};
    put_number(content, result.epoch, 2);
    put_number(content, result.counter, 4);
    put_number(content, result.torque, 2);
    put_number(content, result.angle, 2);
    content.push_back(result.ok ? 1 : 0);
    content.push_back(result.program);
    return binary_frame(content);
}

Bytes sign_of_life(FrameKind kind, std::uint16_t epoch, std::uint32_t newest) {
    if (kind == FrameKind::plain)
        return line_of("A");
    Bytes content{message_status};
    put_number(content, epoch, 2);
    put_number(content, newest, 4);
    return binary_frame(content);
}

Bytes stored_frame(std::uint32_t counter) {
    Bytes content{message_stored};
    put_number(content, counter, 4);
    return binary_frame(content);
}

std::size_t frame_bytes(FrameKind kind, std::span<const std::uint8_t> bytes) {
    if (kind == FrameKind::plain) {
        const auto end = std::ranges::search(bytes, line_end);
        return end.empty() ? 0 : static_cast<std::size_t>(end.end() - bytes.begin());
    }
    if (bytes.size() < length_head || bytes[0] != frame_start)
        return 0;
    const std::uint32_t length = number_at(bytes, 1, 2);
    return length > length_head + length_crc && length <= bytes.size() ? length : 0;
}

bool is_whole_frame(FrameKind kind, std::span<const std::uint8_t> bytes) {
    const std::size_t length = frame_bytes(kind, bytes);
    return length != 0 && length == bytes.size() && (kind == FrameKind::plain || has_right_crc(bytes));
}

std::uint8_t message_of(FrameKind kind, const Bytes& frame) {
    if (kind == FrameKind::guarded)
        return frame.size() > length_head ? frame[length_head] : std::uint8_t{0};
    switch (frame.empty() ? std::uint8_t{0} : frame.front()) {
    case 'R': return message_result;
    case 'A': return message_status;
    case '?': return message_asks;
    default: return 0;
    }
}

std::optional<FramedResult> result_in(FrameKind kind, const Bytes& frame) {
    if (message_of(kind, frame) != message_result)
        return std::nullopt;
    if (kind == FrameKind::plain) {
        const auto numbers = numbers_in(std::string(frame.begin(), frame.end()));
        if (numbers.size() != 5)
            return std::nullopt;
        return FramedResult{.epoch = 0,
                            .counter = numbers[0],
                            .torque = static_cast<std::uint16_t>(numbers[1]),
                            .angle = static_cast<std::uint16_t>(numbers[2]),
                            .ok = numbers[3] != 0,
                            .program = static_cast<std::uint8_t>(numbers[4])};
    }
    constexpr std::size_t result_bytes = length_head + 13 + length_crc;
    if (frame.size() != result_bytes)
        return std::nullopt;
    const auto content = std::span(frame).subspan(length_head);
    return FramedResult{.epoch = static_cast<std::uint16_t>(number_at(content, 1, 2)),
                        .counter = number_at(content, 3, 4),
                        .torque = static_cast<std::uint16_t>(number_at(content, 7, 2)),
                        .angle = static_cast<std::uint16_t>(number_at(content, 9, 2)),
                        .ok = content[11] != 0,
                        .program = content[12]};
}

// ---- the device -------------------------------------------------------------------------------------------

namespace {

constexpr milliseconds beat_every{15};
constexpr milliseconds send_again_after{60};

}  // namespace

FrameDevice::FrameDevice(boost::asio::io_context& loop, FrameKind kind)
    : kind_(kind), acceptor_(loop, {boost::asio::ip::address_v4::loopback(), 0}), timer_(loop) {
    accept();
    beat();
}

std::uint16_t FrameDevice::port() const { return acceptor_.local_endpoint().port(); }

// Whoever calls last is the station: a former call may not have ended here yet.
void FrameDevice::accept() {
    acceptor_.async_accept([this](error_code error, Socket socket) {
        if (error)
            return;
        station_ = std::make_shared<Socket>(std::move(socket));
        error_code ignored;  // without it the link is only slower
        (void)station_->set_option(boost::asio::ip::tcp::no_delay(true), ignored);
        uncut_.clear();
        read(station_);
        accept();
    });
}

void FrameDevice::read(const std::shared_ptr<Socket>& from) {
    from->async_read_some(boost::asio::buffer(incoming_), [this, from](error_code error, std::size_t count) {
        if (from != station_)
            return;
        if (error) {
            station_.reset();
            return;
        }
        uncut_.insert(uncut_.end(), incoming_.begin(),
                      incoming_.begin() + static_cast<std::ptrdiff_t>(count));
        take();
        read(from);
    });
}

void FrameDevice::take() {
    while (uncut_.size() >= length_head) {
        const bool begins = kind_ == FrameKind::plain || may_begin(uncut_);
        const std::size_t length = begins ? frame_bytes(kind_, uncut_) : 1;
        if (length == 0)
            return;  // the rest comes with the next time that it is asked
        const Bytes frame(uncut_.begin(), uncut_.begin() + static_cast<std::ptrdiff_t>(length));
        const bool whole = is_whole_frame(kind_, frame);
        uncut_.erase(uncut_.begin(), uncut_.begin() + static_cast<std::ptrdiff_t>(whole ? length : 1));
        if (whole)
            hear(frame);
    }
}

void FrameDevice::hear(const Bytes& frame) {
    const std::uint8_t message = message_of(kind_, frame);
    if (message == message_asks) {
        send(sign_of_life(kind_, epoch_, counter_));
        return;
    }
    if (message != message_stored || frame.size() != length_head + 5 + length_crc)
        return;
    const std::uint32_t stored = number_at(frame, length_head + 1, 4);
    std::erase_if(kept_, [&](const Kept& one) { return one.result.counter == stored; });
}

void FrameDevice::send(const Bytes& bytes) {
    if (!station_)
        return;
    error_code lost;  // the read ends then as well
    boost::asio::write(*station_, boost::asio::buffer(bytes), lost);
}

FramedResult FrameDevice::report(FramedResult values) {
    values.epoch = kind_ == FrameKind::guarded ? epoch_ : std::uint16_t{0};
    values.counter = ++counter_;
    if (kind_ == FrameKind::guarded)
        kept_.push_back({values, steady_clock::now()});
    send(result_frame(kind_, values));
    return values;
}

void FrameDevice::restart() {
    ++epoch_;
    counter_ = 0;
    error_code ignored;  // it is gone either way
    if (station_)
        (void)station_->close(ignored);
    station_.reset();
}

// In their order, the oldest first.
void FrameDevice::send_kept() {
    for (Kept& one : kept_) {
        send(result_frame(kind_, one.result));
        one.sent_at = steady_clock::now();
    }
}

void FrameDevice::beat() {
    send(sign_of_life(kind_, epoch_, counter_));
    if (!kept_.empty() && steady_clock::now() - kept_.front().sent_at >= send_again_after)
        send_kept();
    timer_.expires_after(beat_every);
    timer_.async_wait([this](error_code error) {
        if (!error)
            beat();
    });
}

}  // namespace tautgate::link_errors
