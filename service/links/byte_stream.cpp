#include "service/links/byte_stream.hpp"

#include <array>
#include <deque>
#include <optional>
#include <random>
#include <utility>

#include <boost/asio/connect.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/serial_port.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <fmt/format.h>
#include <poll.h>
#include <unistd.h>

#include "config/reach.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/links/pace.hpp"
#include "service/links/peer_address.hpp"
#include "service/links/serial_device.hpp"
#include "service/links/unattended.hpp"

namespace tautgate::links {

namespace asio = boost::asio;
using asio::ip::tcp;
using boost::system::error_code;
using interlock::Overloaded;
using std::chrono::steady_clock;

namespace {

// One connection, or one opening of a line.
struct StreamWire {
    using End = std::variant<tcp::socket, asio::serial_port>;
    explicit StreamWire(End opened) : end(std::move(opened)) {}

    End end;
    bool open = true;
    bool under_way = false;  // a read is
    bool reading = true;     // it is wanted
    std::array<char, ByteStream::one_read> incoming{};
    std::deque<std::string> outgoing{};
    std::size_t unsent = 0;
};
using StreamWirePtr = std::shared_ptr<StreamWire>;

void close_wire(StreamWire& wire) {
    wire.open = false;
    error_code ignored;  // it is given up either way
    std::visit([&](auto& end) { (void)end.close(ignored); }, wire.end);
}

// Does not wait: what is not taken at once is lost.
void say_at_once(tcp::socket& socket, std::string_view bytes) {
    error_code ignored;  // nobody is left who could do anything about it
    (void)socket.non_blocking(true, ignored);
    (void)socket.write_some(asio::buffer(bytes), ignored);
    (void)socket.shutdown(tcp::socket::shutdown_send, ignored);
    // Bytes that nobody read would end the connection in a way that takes the last words with it.
    std::array<char, ByteStream::one_read> unread{};
    (void)socket.read_some(asio::buffer(unread), ignored);
}
void say_at_once(asio::serial_port& port, std::string_view bytes) {
    const auto sent = ::write(port.native_handle(), bytes.data(), bytes.size());
    static_cast<void>(sent);
}

}  // namespace

class ByteStream::Stream : public std::enable_shared_from_this<Stream> {
  public:
    Stream(asio::io_context& loop, Way way, std::string tool, Hooks hooks, ByteStreamSettings settings)
        : loop_(loop), way_(std::move(way)), tool_(std::move(tool)), hooks_(std::move(hooks)),
          settings_(settings), redial_(std::random_device{}(), settings.redial), resolver_(loop),
          acceptor_(loop), again_(loop), limit_(loop) {}

    void start() { begin(); }

    void send(std::string bytes) {
        if (!wire_ || bytes.empty() || wire_->unsent > settings_.unsent)
            return;  // none there, or its end is on the way
        wire_->unsent += bytes.size();
        wire_->outgoing.push_back(std::move(bytes));
        if (wire_->unsent > settings_.unsent)  // not from in here: the hooks must not be called within a send
            asio::post(loop_, [self = shared_from_this(), wire = wire_] {
                self->lose(wire, "it does not take what is sent to it");
            });
        if (wire_->outgoing.size() == 1)
            write(wire_);
    }
    void read_on(bool reading) {
        if (!wire_)
            return;
        wire_->reading = reading;
        read(wire_);
    }
    [[nodiscard]] bool holds_more() const {
        if (!wire_)
            return false;
        pollfd at{.fd = std::visit([](auto& end) { return end.native_handle(); }, wire_->end),
                  .events = POLLIN,
                  .revents = 0};
        return ::poll(&at, 1, 0) > 0 && (at.revents & POLLIN) != 0;
    }
    void hang_up(const std::string& why) {
        if (!wire_)
            return;
        if (!std::holds_alternative<config::SerialLine>(way_))
            return lose(wire_, why);
        hooks_.ended(why);
        if (!stopped_ && wire_)
            hooks_.opened(std::nullopt);
    }
    [[nodiscard]] std::uint16_t port() const {
        error_code failed;
        const auto local = acceptor_.local_endpoint(failed);
        return failed ? std::uint16_t{0} : local.port();
    }
    void stop(std::string_view last_words) {
        if (std::exchange(stopped_, true))
            return;
        again_.cancel();
        limit_.cancel();
        resolver_.cancel();
        error_code ignored;  // they are given up either way
        (void)acceptor_.close(ignored);
        if (calling_)
            (void)calling_->close(ignored);
        held_.reset();
        const StreamWirePtr wire = std::exchange(wire_, nullptr);
        if (!wire)
            return;
        if (!last_words.empty())
            say_rest(*wire, last_words);
        close_wire(*wire);
    }

  private:
    // The first that waits is with the system already, as far as that takes it.
    static void say_rest(StreamWire& wire, std::string_view last_words) {
        std::string rest;
        for (std::size_t i = 1; i < wire.outgoing.size(); ++i)
            rest += wire.outgoing[i];
        rest += last_words;
        std::visit([&](auto& end) { say_at_once(end, rest); }, wire.end);
    }
    void begin() {
        std::visit(Overloaded{[this](const config::FrameCall& whom) { call(whom); },
                              [this](const config::FrameListen& where) { listen(where); },
                              [this](const config::SerialLine& line) { open(line); }},
                   way_);
    }
    void begin_when_due() {
        if (stopped_)
            return;
        again_.expires_at(redial_.at());
        again_.async_wait([self = shared_from_this()](const error_code& error) {
            if (!error && !self->stopped_)
                self->begin();
        });
    }
    void reached_nobody(std::string why) {
        redial_.reached_nobody(steady_clock::now());
        hooks_.ended(std::move(why));
        begin_when_due();
    }
    void adopt(StreamWire::End end, std::optional<SteadyTime> waited_since = {}) {
        wire_ = std::make_shared<StreamWire>(std::move(end));
        redial_.began(steady_clock::now());
        const StreamWirePtr wire = wire_;
        hooks_.opened(waited_since);
        read(wire);
    }
    void lose(const StreamWirePtr& wire, const std::string& why) {
        if (stopped_ || wire != wire_)
            return;
        close_wire(*wire);
        wire_.reset();
        redial_.lost(steady_clock::now());
        unattended_.begin(steady_clock::now());
        error_code ignored;  // who waits to be accepted goes on waiting
        (void)acceptor_.cancel(ignored);
        hooks_.ended(why);
        begin_when_due();
    }

    // ---- we call --------------------------------------------------------------------------------------

    void call(const config::FrameCall& whom) {
        limit_.expires_after(settings_.reach_time);
        limit_.async_wait([self = shared_from_this()](const error_code& error) {
            if (!error && self->calling_)
                self->give_up_calling();
        });
        calling_ = std::make_shared<tcp::socket>(loop_);
        resolver_.async_resolve(
            whom.host, std::to_string(whom.port),
            [self = shared_from_this(), socket = calling_](const error_code& error,
                                                           const tcp::resolver::results_type& found) {
                if (self->stopped_ || socket != self->calling_)
                    return;
                if (error)
                    return self->not_found(error);
                asio::async_connect(*socket, found,
                                    [self, socket](const error_code& failed, const tcp::endpoint&) {
                                        if (!self->stopped_ && socket == self->calling_)
                                            self->called(failed);
                                    });
            });
    }
    void called(const error_code& failed) {
        if (failed)
            return not_reached(failed.message());
        limit_.cancel();
        tcp::socket reached = std::move(*std::exchange(calling_, nullptr));
        error_code ignored;  // without it the link is only slower
        (void)reached.set_option(tcp::no_delay(true), ignored);
        adopt(std::move(reached));
    }
    void give_up_calling() {
        resolver_.cancel();
        error_code ignored;  // it is given up either way
        (void)calling_->close(ignored);
        not_reached(config::no_answer_within(settings_.reach_time));
    }
    void not_found(const error_code& error) {
        limit_.cancel();
        calling_.reset();
        const auto& [host, port] = std::get<config::FrameCall>(way_);
        reached_nobody(fmt::format("it cannot be reached at {}:{}: {}", host, port,
                                   config::unknown_name(error.message())));
    }
    void not_reached(const std::string& why) {
        limit_.cancel();
        calling_.reset();
        const auto& [host, port] = std::get<config::FrameCall>(way_);
        reached_nobody(fmt::format("it cannot be reached at {}:{}: {}; check that it is on, its cable, that "
                                   "host and port are its own, and what lies between",
                                   host, port, why));
    }

    // ---- it calls -------------------------------------------------------------------------------------

    void listen(const config::FrameListen& where) {
        if (!acceptor_.is_open())
            if (auto up = open_acceptor(acceptor_, where.at, "tool " + tool_, "where its link listens"); !up)
                return reached_nobody(std::move(up.error()));
        if (held_)
            accepted(*std::exchange(held_, std::nullopt));
        else
            accept();
    }
    void accept() {
        if (std::exchange(accepting_, true))
            return;
        unattended_.end(somebody_waits(acceptor_));
        acceptor_.async_accept([self = shared_from_this()](const error_code& error, tcp::socket socket) {
            self->accepting_ = false;
            if (self->stopped_ || error == asio::error::operation_aborted)
                return;
            if (error)
                return self->accept_later();
            if (self->wire_ || self->redial_.is_due(steady_clock::now()))
                return self->accepted(std::move(socket));
            self->held_ = std::move(socket);  // was there before the pause began, and waits for its end
        });
    }
    void accepted(tcp::socket socket) {
        if (take(std::move(socket)))
            accept();
        else
            accept_later();
    }
    void accept_later() {
        unattended_.begin(steady_clock::now());
        limit_.expires_after(settings_.refusal_pause);
        limit_.async_wait([self = shared_from_this()](const error_code& failed) {
            // While a lost connection is waited out, that wait accepts again.
            if (!failed && !self->stopped_ && (self->wire_ || self->redial_.is_due(steady_clock::now())))
                self->accept();
        });
    }
    // False: it was refused.
    [[nodiscard]] bool take(tcp::socket socket) {
        error_code failed;
        const auto remote = socket.remote_endpoint(failed);
        if (failed)
            return false;  // gone again
        const auto address = without_mapping(remote.address());
        const std::string& peer = std::get<config::FrameListen>(way_).peer;
        if (address != without_mapping(asio::ip::make_address(peer, failed)) || failed) {
            hooks_.refused(
                fmt::format("somebody called from {}, and the tool may call from {} only; enter its "
                            "address as peer, or find out who called",
                            address.to_string(), peer));
            return false;
        }
        if (wire_) {
            hooks_.refused(fmt::format("{} called while its connection from before still stands; that one "
                                       "ends by its silence, or the tool has to close it",
                                       address.to_string()));
            return false;
        }
        (void)socket.set_option(tcp::no_delay(true), failed);  // without it the link is only slower
        adopt(std::move(socket), unattended_.since());
        return true;
    }

    // ---- a serial line --------------------------------------------------------------------------------

    void open(const config::SerialLine& line) {
        asio::serial_port port(loop_);
        if (auto opened = open_serial(port, line, "the tool's"); !opened)
            return reached_nobody(std::move(opened.error()));
        adopt(std::move(port));
    }

    // ---- bytes ----------------------------------------------------------------------------------------

    void read(const StreamWirePtr& wire) {
        if (stopped_ || !wire->open || wire->under_way || !wire->reading)
            return;
        wire->under_way = true;
        std::visit(
            [&](auto& end) {
                end.async_read_some(
                    asio::buffer(wire->incoming),
                    [self = shared_from_this(), wire](const error_code& error, std::size_t count) {
                        wire->under_way = false;
                        if (self->stopped_ || !wire->open)
                            return;
                        if (error)
                            return self->lose(wire, self->why_broken(error));
                        self->hooks_.came({wire->incoming.data(), count});
                        self->read(wire);
                    });
            },
            wire->end);
    }
    void write(const StreamWirePtr& wire) {
        std::visit(
            [&](auto& end) {
                asio::async_write(
                    end, asio::buffer(wire->outgoing.front()),
                    [self = shared_from_this(), wire](const error_code& error, std::size_t count) {
                        if (self->stopped_ || !wire->open)
                            return;
                        if (error)
                            return self->lose(wire, self->why_broken(error));
                        wire->unsent -= count;
                        wire->outgoing.pop_front();
                        if (!wire->outgoing.empty())
                            self->write(wire);
                    });
            },
            wire->end);
    }
    [[nodiscard]] std::string why_broken(const error_code& error) const {
        if (const auto* line = std::get_if<config::SerialLine>(&way_))
            return fmt::format("the serial line {} broke: {}", line->device, error.message());
        return error == asio::error::eof ? "the tool closed the connection"
                                         : "the connection broke: " + error.message();
    }

    asio::io_context& loop_;
    const Way way_;
    const std::string tool_;
    const Hooks hooks_;
    const ByteStreamSettings settings_;
    Redial redial_;
    tcp::resolver resolver_;
    tcp::acceptor acceptor_;
    asio::steady_timer again_;              // until the next attempt
    asio::steady_timer limit_;              // of an attempt, or until the next caller is looked at
    std::shared_ptr<tcp::socket> calling_;  // null: nobody is called
    StreamWirePtr wire_;                    // null: no connection
    std::optional<tcp::socket> held_;       // called during a pause
    Unattended unattended_;
    bool accepting_ = false;
    bool stopped_ = false;
};

ByteStream::ByteStream(asio::io_context& loop, Way way, std::string tool, Hooks hooks,
                       ByteStreamSettings settings)
    : stream_(std::make_shared<Stream>(loop, std::move(way), std::move(tool), std::move(hooks), settings)) {}
ByteStream::~ByteStream() { stream_->stop({}); }

void ByteStream::start() { stream_->start(); }
void ByteStream::send(std::string bytes) { stream_->send(std::move(bytes)); }
void ByteStream::read_on(bool reading) { stream_->read_on(reading); }
bool ByteStream::holds_more() const { return stream_->holds_more(); }
void ByteStream::hang_up(const std::string& why) { stream_->hang_up(why); }
std::uint16_t ByteStream::port() const { return stream_->port(); }
void ByteStream::stop(std::string_view last_words) { stream_->stop(last_words); }

}  // namespace tautgate::links
