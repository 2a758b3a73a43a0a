#include "tools/simulation/stream_replay.hpp"

#include <array>
#include <atomic>
#include <filesystem>
#include <functional>
#include <system_error>
#include <thread>
#include <utility>
#include <vector>

#include <poll.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <fmt/format.h>

#include "tools/simulation/pseudo_terminal.hpp"

namespace tautgate::simulation {

namespace asio = boost::asio;
using asio::ip::tcp;
using boost::system::error_code;
using std::chrono::microseconds;
using std::chrono::milliseconds;

namespace {

constexpr milliseconds before_the_next_call{200};
// Whether somebody has opened a serial line is looked at so often; nothing says it by itself.
constexpr milliseconds between_looks_at_line{20};
// Whoever opens one sets it up, and drops what came before.
constexpr milliseconds line_is_set_up{100};
// What was written and not read yet would be lost with the line.
constexpr milliseconds last_words_are_read{300};

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
    explicit Voice(std::vector<protocol::CapturedBytes> said) : pause_(loop_), said_(std::move(said)) {}
    virtual ~Voice() = default;  // that of a derived class has ended the thread
    Voice(const Voice&) = delete;
    Voice& operator=(const Voice&) = delete;
    Voice(Voice&&) = delete;
    Voice& operator=(Voice&&) = delete;

    [[nodiscard]] std::uint16_t port() const noexcept { return port_; }
    [[nodiscard]] const std::string& device() const noexcept { return device_; }
    [[nodiscard]] bool said_all() const noexcept { return said_all_; }

  protected:
    // By write_to() its stream.
    virtual void write(const std::string& bytes) = 0;
    // The other side is gone: the next time begins anew.
    virtual void broke() = 0;
    // All that it waits for ends at once.
    virtual void give_up() = 0;

    template <class Stream>
    void write_to(Stream& stream, const std::string& bytes) {
        asio::async_write(stream, asio::buffer(bytes), [this](const error_code& failed, std::size_t) {
            if (failed || over_)
                return;  // the reader of this connection sees it too
            ++next_;
            say_next();
        });
    }
    // What the station says is read, so that its end shows.
    template <class Stream>
    void listen_to(Stream& stream) {
        stream.async_read_some(asio::buffer(heard_), [this, &stream](const error_code& failed, std::size_t) {
            if (over_)
                return;
            if (!failed)
                return listen_to(stream);
            pause_.cancel();
            broke();
        });
    }

    void start() {
        thread_ = std::thread([this] {
            const auto work = asio::make_work_guard(loop_);
            while (!over_)
                loop_.run_one();
        });
    }
    void end() {
        asio::post(loop_, [this] {
            over_ = true;
            give_up();
            pause_.cancel();
        });
        if (thread_.joinable())
            thread_.join();
    }
    void begin() {
        began_ = std::chrono::steady_clock::now();
        next_ = 0;
        say_next();
    }
    void after(milliseconds time, const std::function<void()>& then) {
        pause_.expires_after(time);
        pause_.async_wait([this, then](const error_code& cancelled) {
            if (!cancelled && !over_)
                then();
        });
    }

    asio::io_context loop_;
    asio::steady_timer pause_;
    bool over_ = false;
    std::uint16_t port_ = 0;
    std::string device_;
    milliseconds last_words_{0};  // until what was said has surely come

  private:
    void say_next() {
        if (over_)
            return;
        if (next_ == said_.size())
            return all_is_said();
        pause_.expires_at(began_ + microseconds(said_[next_].at_us));
        pause_.async_wait([this](const error_code& cancelled) {
            if (cancelled || over_)
                return;
            write(said_[next_].bytes);
        });
    }

    void all_is_said() {
        if (last_words_.count() == 0)
            said_all_ = true;
        else
            after(last_words_, [this] { said_all_ = true; });
    }

    const std::vector<protocol::CapturedBytes> said_;
    std::array<char, 4096> heard_{};
    std::chrono::steady_clock::time_point began_{};
    std::size_t next_ = 0;
    std::atomic<bool> said_all_ = false;
    std::thread thread_;
};

class StreamReplay::NetworkVoice : public StreamReplay::Voice {
  public:
    explicit NetworkVoice(std::vector<protocol::CapturedBytes> said)
        : Voice(std::move(said)), acceptor_(loop_), socket_(loop_) {}
    ~NetworkVoice() override { end(); }
    NetworkVoice(const NetworkVoice&) = delete;
    NetworkVoice& operator=(const NetworkVoice&) = delete;
    NetworkVoice(NetworkVoice&&) = delete;
    NetworkVoice& operator=(NetworkVoice&&) = delete;

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

  private:
    void write(const std::string& bytes) override { write_to(socket_, bytes); }
    void give_up() override {
        error_code ignored;  // all is given up either way
        (void)acceptor_.close(ignored);
        (void)socket_.close(ignored);
    }
    void dial() {
        if (over_)
            return;
        socket_ = tcp::socket(loop_);
        socket_.async_connect(station_, [this](const error_code& failed) {
            if (failed)
                return dial_later();
            listen_to(socket_);
            begin();
        });
    }
    void dial_later() {
        if (!over_)
            after(before_the_next_call, [this] { dial(); });
    }
    void accept() {
        acceptor_.async_accept([this](const error_code& failed, tcp::socket socket) {
            if (failed || over_)
                return;
            socket_ = std::move(socket);
            listen_to(socket_);
            begin();
        });
    }
    // A connection that broke is one of before where the next has begun.
    void broke() override { acceptor_.is_open() ? accept() : dial_later(); }

    tcp::acceptor acceptor_;
    tcp::socket socket_;
    tcp::endpoint station_;
};

// The far end is held by nobody here: so it shows when the station opens and closes it.
class StreamReplay::SerialVoice : public StreamReplay::Voice {
  public:
    explicit SerialVoice(std::vector<protocol::CapturedBytes> said) : Voice(std::move(said)), near_(loop_) {
        last_words_ = last_words_are_read;
    }
    ~SerialVoice() override {
        end();
        std::error_code ignored;  // what cannot be removed leads nowhere
        if (!link_.empty())
            std::filesystem::remove(link_, ignored);
    }
    SerialVoice(const SerialVoice&) = delete;
    SerialVoice& operator=(const SerialVoice&) = delete;
    SerialVoice(SerialVoice&&) = delete;
    SerialVoice& operator=(SerialVoice&&) = delete;

    [[nodiscard]] std::expected<void, std::string> open(const std::string& wished) {
        auto line = open_pseudo_terminal();
        if (!line)
            return std::unexpected(std::move(line.error()));
        ::close(line->far);
        near_.assign(line->near);
        device_ = named_as_wished(line->device, wished) ? wished : line->device;
        asio::post(loop_, [this] { await_station(); });
        start();
        return {};
    }

  private:
    // One that leads to no terminal any more is of a run that was broken off.
    [[nodiscard]] bool named_as_wished(const std::string& terminal, const std::string& wished) {
        namespace fs = std::filesystem;
        std::error_code failed;
        if (wished.empty() || fs::exists(wished, failed))
            return false;
        if (fs::is_symlink(wished, failed) && fs::read_symlink(wished, failed).parent_path() == "/dev/pts")
            fs::remove(wished, failed);
        fs::create_symlink(terminal, wished, failed);
        if (!failed)
            link_ = wished;
        return !failed;
    }
    void write(const std::string& bytes) override { write_to(near_, bytes); }
    void give_up() override {
        error_code ignored;  // all is given up either way
        (void)near_.close(ignored);
    }
    // With nobody at its far end a terminal is hung up.
    [[nodiscard]] bool is_opened() {
        pollfd looked_at{near_.native_handle(), 0, 0};
        return ::poll(&looked_at, 1, 0) == 0;
    }
    void await_station() {
        if (over_)
            return;
        if (!is_opened())
            return after(between_looks_at_line, [this] { await_station(); });
        after(line_is_set_up, [this] {
            listen_to(near_);
            begin();
        });
    }
    void broke() override { await_station(); }

    asio::posix::stream_descriptor near_;
    std::string link_;  // what is removed at the end; empty: nothing
};

StreamReplay::StreamReplay(std::unique_ptr<Voice> voice) : voice_(std::move(voice)) {}
StreamReplay::~StreamReplay() = default;

std::expected<std::unique_ptr<StreamReplay>, std::string>
StreamReplay::open(const protocol::Capture& capture,
                   const std::variant<CallsStation, AwaitsStation, OnSerialLine>& where) {
    auto said = said_by_tool(capture);
    if (said.empty())
        return std::unexpected("the tool says nothing in the capture; record anew");
    if (const auto* line = std::get_if<OnSerialLine>(&where)) {
        auto voice = std::make_unique<SerialVoice>(std::move(said));
        if (auto opened = voice->open(line->wished); !opened)
            return std::unexpected(std::move(opened.error()));
        return std::unique_ptr<StreamReplay>(new StreamReplay(std::move(voice)));
    }
    auto voice = std::make_unique<NetworkVoice>(std::move(said));
    const auto* called = std::get_if<CallsStation>(&where);
    const auto* awaited = std::get_if<AwaitsStation>(&where);
    const auto at = called != nullptr ? endpoint_of(called->host, called->port)
                                      : endpoint_of(awaited->host, awaited->port);
    if (!at)
        return std::unexpected(at.error());
    if (called != nullptr)
        voice->call(*at);
    else if (auto waiting = voice->wait_at(*at); !waiting)
        return std::unexpected(std::move(waiting.error()));
    return std::unique_ptr<StreamReplay>(new StreamReplay(std::move(voice)));
}

std::uint16_t StreamReplay::port() const noexcept { return voice_->port(); }
const std::string& StreamReplay::device() const noexcept { return voice_->device(); }
bool StreamReplay::said_all() const noexcept { return voice_->said_all(); }

}  // namespace tautgate::simulation
