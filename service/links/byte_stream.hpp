// One connection to one device that speaks in bytes, whichever way it is reached: we call it, it calls us, or
// there is a serial line. It comes up again by itself after every loss, with growing waits, and never gives
// up; a connection that is accepted and dropped at once counts as a failure.
//
// Where the device calls, only its own address may, and one connection at a time: everybody else is hung up
// on and told as refused. A new connection never takes the place of one that still stands; the old one ends
// by its silence. One that calls while a lost one is waited out is taken after that wait, and what it said
// meanwhile is no news of that moment: the hook is told since when it may have waited.
//
// A serial line has nobody at its end who could hang up: it stays open when its silence is given up, so that
// nothing that the device sends meanwhile is lost, and only counts as a new connection.
//
// Lives on the loop's thread; the hooks are called there, from its handlers and from hang_up(). Memory is
// bounded whatever the peer does: one part of what came, and `unsent` bytes that it does not take.
#pragma once

#include <chrono>
#include <cstddef>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "config/station.hpp"
#include "service/links/backoff.hpp"
#include "service/links/freshness.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::links {

struct ByteStreamSettings {
    std::size_t unsent = 64 * 1024;              // bytes that the peer does not take; then it is hung up on
    std::chrono::milliseconds reach_time{3000};  // to find and reach whom we call
    std::chrono::milliseconds refusal_pause{
        50};  // after a peer that was refused, before the next is looked at
    Backoff::Limits redial{};
};

class ByteStream {
  public:
    using Way = decltype(config::FrameLink::way);
    struct Hooks {
        // What comes first may have been said at any time since `waited_since`; none: it has just been said.
        // A line that was given up and goes on keeps what was not read of it.
        std::function<void(std::optional<SteadyTime> waited_since)> opened;
        std::function<void(std::string_view bytes)> came;
        // The connection is lost, or none could be had: one sentence. Told of every attempt.
        std::function<void(std::string why)> ended;
        // Somebody called who may not: one sentence.
        std::function<void(std::string why)> refused;
    };

    // `tool` is the id, for the sentences. The loop outlives the stream.
    ByteStream(boost::asio::io_context& loop, Way way, std::string tool, Hooks hooks,
               ByteStreamSettings settings = {});
    // Stops, if nobody did.
    ~ByteStream();
    ByteStream(const ByteStream&) = delete;
    ByteStream& operator=(const ByteStream&) = delete;
    ByteStream(ByteStream&&) = delete;
    ByteStream& operator=(ByteStream&&) = delete;

    // So many bytes are read at once, so that what was cut off by a limit on frames waits in small parts;
    // fewer were all that was there.
    static constexpr std::size_t one_read = 2048;

    void start();
    // Without a connection nothing is sent.
    void send(std::string bytes);
    // Whether more is read; the peer feels it once its own buffers are full. Every connection begins reading.
    void read_on(bool reading);
    // Whether something came that was not read yet.
    [[nodiscard]] bool holds_more() const;
    // Ends the connection; the next one comes by itself.
    void hang_up(const std::string& why);
    // The port that is listened on, also where the description says 0; 0: none.
    [[nodiscard]] std::uint16_t port() const;
    // Sends these last bytes if the connection takes them at once. No hook is called afterwards.
    void stop(std::string_view last_words = {});

  private:
    class Stream;
    std::shared_ptr<Stream> stream_;
};

}  // namespace tautgate::links
