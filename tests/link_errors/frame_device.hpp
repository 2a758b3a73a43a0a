// Two invented tools that send frames, and the frames themselves, put together and taken apart by none of
// the code under test.
//
// `guarded`: binary frames behind their length, with a CRC of 16 bits. It counts, names the start that it
// counts from, says where its count stands, and keeps each result until it is told that it is stored.
// `plain`: lines without a checksum. It counts, says that it is there, and sends each result once, to whoever
// listens then.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <deque>
#include <memory>
#include <optional>
#include <span>
#include <string>

#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/steady_timer.hpp>

#include "protocol/frame_profile.hpp"
#include "tests/link_errors/dialect.hpp"

namespace tautgate::link_errors {

enum class FrameKind : std::uint8_t { guarded, plain };

struct FramedResult {
    std::uint16_t epoch = 0;  // of a guarded one
    std::uint32_t counter = 0;
    std::uint16_t torque = 0;  // tenths of a newton metre
    std::uint16_t angle = 0;   // tenths of a degree
    bool ok = false;
    std::uint8_t program = 0;
    bool operator==(const FramedResult&) const = default;
};

// What the tool's manual says of it, and what is claimed to be detected.
[[nodiscard]] protocol::FrameProfile frame_profile(FrameKind kind);

[[nodiscard]] Bytes result_frame(FrameKind kind, const FramedResult& result);
// Of a guarded one: where its count stands. Of a plain one: that it is there.
[[nodiscard]] Bytes sign_of_life(FrameKind kind, std::uint16_t epoch, std::uint32_t newest);
// What the station sends: the word that a result is stored.
[[nodiscard]] Bytes stored_frame(std::uint32_t counter);

// Of the frame with which the bytes begin; 0: it is not whole yet, or none.
[[nodiscard]] std::size_t frame_bytes(FrameKind kind, std::span<const std::uint8_t> bytes);
// Whether these bytes are one frame with a right checksum.
[[nodiscard]] bool is_whole_frame(FrameKind kind, std::span<const std::uint8_t> bytes);
// Nothing: it is another message.
[[nodiscard]] std::optional<FramedResult> result_in(FrameKind kind, const Bytes& frame);
// By which messages are told apart.
[[nodiscard]] std::uint8_t message_of(FrameKind kind, const Bytes& frame);

inline constexpr std::uint8_t message_result = 1;
inline constexpr std::uint8_t message_status = 2;
inline constexpr std::uint8_t message_asks = 3;
inline constexpr std::uint8_t message_stored = 4;

// Lives on the loop of whoever owns it, and ends when that does not run.
class FrameDevice {
  public:
    FrameDevice(boost::asio::io_context& loop, FrameKind kind);

    [[nodiscard]] std::uint16_t port() const;
    // Makes a result with these values; gives it as it is sent.
    FramedResult report(FramedResult values);
    // It lost power. Only one that keeps nothing may: what was kept would be lost.
    void restart();
    // Results that it keeps.
    [[nodiscard]] std::size_t kept() const noexcept { return kept_.size(); }

  private:
    struct Kept {
        FramedResult result;
        std::chrono::steady_clock::time_point sent_at{};
    };
    using Socket = boost::asio::ip::tcp::socket;
    void accept();
    void read(const std::shared_ptr<Socket>& from);
    void take();
    void hear(const Bytes& frame);
    void send(const Bytes& bytes);
    void send_kept();
    void beat();

    FrameKind kind_;
    boost::asio::ip::tcp::acceptor acceptor_;
    boost::asio::steady_timer timer_;
    std::shared_ptr<Socket> station_;
    std::array<std::uint8_t, 4096> incoming_{};
    Bytes uncut_;
    std::uint16_t epoch_ = 1;
    std::uint32_t counter_ = 0;
    std::deque<Kept> kept_;
};

}  // namespace tautgate::link_errors
