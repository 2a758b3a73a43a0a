#include "tools/simulation/stream_replay.hpp"

#include <array>
#include <atomic>
#include <thread>
#include <utility>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <fmt/format.h>

namespace tautgate::simulation {

namespace asio = boost::asio;
using asio::ip::tcp;
using boost::system::error_code;
using std::chrono::microseconds;
using std::chrono::milliseconds;

namespace {

constexpr milliseconds before_the_next_call{200};

std::vector<protocol::CapturedBytes> said_by_tool(const protocol::Capture& capture) {
    std::vector<protocol::CapturedBytes> said;
    for (const protocol::CapturedBytes& part : capture.parts)
        if (part.from == protocol::CaptureSide::tool)
            said.push_back(part);
    return said;
}

std::expected<tcp::endpoint, std::string> endpoint_of(const std::string& host, std::uint16_t port) {
    error_code failed;
    const auto address = asio::ip::make_address(host, failed);
    if (failed)
        return std::unexpected(fmt::format("'{}' is no IP address; correct it in the description", host));
    return tcp::endpoint(address, port);
}

}  // namespace

// Everything but what is asked about lives on its own thread.
class StreamReplay::Voice {
  public:
    explicit Voice(std::vector<protocol::CapturedBytes> said)
        : said_(std::move(said)), acceptor_(loop_), socket_(loop_), pause_(loop_) {}
    ~Voice() {
        asio::post(loop_, [this] {
            over_ = true;
            error_code ignored;  // all is given up either way
            (void)acceptor_.close(ignored);
            (void)socket_.close(ignored);
            pause_.cancel();
        });
        if (thread_.joinable())
            thread_.join();
    }
    Voice(const Voice&) = delete;
    Voice& operator=(const Voice&) = delete;
    Voice(Voice&&) = delete;
    Voice& operator=(Voice&&) = delete;

    void call(const tcp::endpoint& station) {
        station_ = station;
        asio::post(loop_, [this] { dial(); });
        start();
    }
    [[nodiscard]] std::expected<void, std::string> wait_at(const tcp::endpoint& here) {
        error_code failed;
        (void)acceptor_.open(here.protocol(), failed);
        if (!failed)
            (void)acceptor_.set_option(tcp::acceptor::reuse_address(true), failed);
        if (!failed)
            (void)acceptor_.bind(here, failed);
        if (!failed)
            (void)acceptor_.listen(1, failed);
        if (failed)
            return std::unexpected(fmt::format("cannot wait at {}:{}: {}; end what has this port",
                                               here.address().to_string(), here.port(), failed.message()));
        port_ = acceptor_.local_endpoint().port();
        asio::post(loop_, [this] { accept(); });
        start();
        return {};
    }

    [[nodiscard]] std::uint16_t port() const noexcept { return port_; }
    [[nodiscard]] bool said_all() const noexcept { return said_all_; }

  private:
    void start() {
        thread_ = std::thread([this] {
            const auto work = asio::make_work_guard(loop_);
            while (!over_)
                loop_.run_one();
        });
    }
    void dial() {
        if (over_)
            return;
        socket_ = tcp::socket(loop_);
        socket_.async_connect(station_, [this](const error_code& failed) {
            if (failed)
                return dial_later();
            begin();
        });
    }
    void dial_later() {
        if (over_)
            return;
        pause_.expires_after(before_the_next_call);
        pause_.async_wait([this](const error_code& cancelled) {
            if (!cancelled)
                dial();
        });
    }
    void accept() {
        acceptor_.async_accept([this](const error_code& failed, tcp::socket socket) {
            if (failed || over_)
                return;
            socket_ = std::move(socket);
            begin();
        });
    }
    void begin() {
        began_ = std::chrono::steady_clock::now();
        next_ = 0;
        listen_to_station();
        say_next();
    }
    // A connection that broke is one of before where the next has begun.
    void listen_to_station() {
        socket_.async_read_some(asio::buffer(heard_), [this](const error_code& failed, std::size_t) {
            if (over_)
                return;
            if (failed) {
                pause_.cancel();
                return acceptor_.is_open() ? accept() : dial_later();
            }
            listen_to_station();
        });
    }
    void say_next() {
        if (over_ || next_ == said_.size())
            return;
        pause_.expires_at(began_ + microseconds(said_[next_].at_us));
        pause_.async_wait([this](const error_code& cancelled) {
            if (cancelled || over_)
                return;
            asio::async_write(socket_, asio::buffer(said_[next_].bytes),
                              [this](const error_code& failed, std::size_t) {
                                  if (failed || over_)
                                      return;  // the reader of this connection sees it too
                                  ++next_;
                                  said_all_ = said_all_ || next_ == said_.size();
                                  say_next();
                              });
        });
    }

    const std::vector<protocol::CapturedBytes> said_;
    asio::io_context loop_;
    tcp::acceptor acceptor_;
    tcp::socket socket_;
    asio::steady_timer pause_;
    tcp::endpoint station_;
    std::uint16_t port_ = 0;
    std::array<char, 4096> heard_{};
    std::chrono::steady_clock::time_point began_{};
    std::size_t next_ = 0;
    bool over_ = false;
    std::atomic<bool> said_all_ = false;
    std::thread thread_;
};

StreamReplay::StreamReplay(std::unique_ptr<Voice> voice) : voice_(std::move(voice)) {}
StreamReplay::~StreamReplay() = default;

std::expected<std::unique_ptr<StreamReplay>, std::string>
StreamReplay::open(const protocol::Capture& capture, const std::variant<CallsStation, AwaitsStation>& where) {
    auto said = said_by_tool(capture);
    if (said.empty())
        return std::unexpected("the tool says nothing in the capture; record anew");
    auto voice = std::make_unique<Voice>(std::move(said));
    const auto at = std::visit([](const auto& end) { return endpoint_of(end.host, end.port); }, where);
    if (!at)
        return std::unexpected(at.error());
    if (std::holds_alternative<CallsStation>(where))
        voice->call(*at);
    else if (auto waiting = voice->wait_at(*at); !waiting)
        return std::unexpected(std::move(waiting.error()));
    return std::unique_ptr<StreamReplay>(new StreamReplay(std::move(voice)));
}

std::uint16_t StreamReplay::port() const noexcept { return voice_->port(); }
bool StreamReplay::said_all() const noexcept { return voice_->said_all(); }

}  // namespace tautgate::simulation
