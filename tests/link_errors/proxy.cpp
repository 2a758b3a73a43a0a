#include "tests/link_errors/proxy.hpp"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <deque>
#include <functional>
#include <stdexcept>
#include <utility>
#include <vector>

#include <fcntl.h>
#include <termios.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>

namespace tautgate::link_errors {

namespace asio = boost::asio;
using asio::ip::tcp;
using boost::system::error_code;

namespace {

// One direction: frames are cut out of what comes from one side, spoilt, and sent to the other in their
// order. `from` and `to` outlive it through `keep`. What comes where `is_given_up()` goes on as it is: nobody
// waits for it, so that spoiling it would be no error of the link.
template <class Stream>
class Lane : public std::enable_shared_from_this<Lane<Stream>> {
  public:
    Lane(Injector& injector, Way way, Stream& from, Stream& to, std::function<bool()> is_given_up)
        : injector_(injector), way_(way), from_(from), to_(to), is_given_up_(std::move(is_given_up)),
          timer_(from.get_executor()) {}

    // `over` is called once, when the sender has ended and everything is through, or nobody takes it.
    void start(std::shared_ptr<void> keep, std::function<void()> over) {
        keep_ = std::move(keep);
        over_ = std::move(over);
        read();
    }
    void end() {
        timer_.cancel();
        ended_ = true;
        over_ = nullptr;
        keep_.reset();
    }

  private:
    void read() {
        from_.async_read_some(asio::buffer(incoming_),
                              [self = this->shared_from_this()](error_code error, std::size_t count) {
                                  if (!self->over_)
                                      return;
                                  if (error) {
                                      self->ended_ = true;
                                      return self->write();
                                  }
                                  self->take({self->incoming_.data(), count});
                                  self->read();
                              });
    }
    void take(std::span<const std::uint8_t> bytes) {
        uncut_.insert(uncut_.end(), bytes.begin(), bytes.end());
        while (const std::size_t length = injector_.frame_length(way_, uncut_)) {
            const auto end = uncut_.begin() + static_cast<std::ptrdiff_t>(length);
            const Bytes frame(uncut_.begin(), end);
            if (is_given_up_())
                outgoing_.push_back({.bytes = frame});
            else
                for (Parcel& parcel : injector_.pass(way_, frame))
                    outgoing_.push_back(std::move(parcel));
            uncut_.erase(uncut_.begin(), end);
        }
        write();
    }
    void write() {
        if (writing_ || !over_)
            return;
        if (outgoing_.empty()) {
            if (ended_)
                finish();
            return;
        }
        writing_ = true;
        auto& first = outgoing_.front();
        if (first.delay.count() == 0)
            return send();
        timer_.expires_after(std::exchange(first.delay, {}));
        timer_.async_wait([self = this->shared_from_this()](error_code error) {
            if (!error && self->over_)
                self->send();
        });
    }
    void send() {
        asio::async_write(to_, asio::buffer(outgoing_.front().bytes),
                          [self = this->shared_from_this()](error_code error, std::size_t) {
                              if (!self->over_)
                                  return;
                              self->writing_ = false;
                              self->outgoing_.pop_front();
                              if (error) {
                                  self->outgoing_.clear();
                                  self->ended_ = true;
                              }
                              self->write();
                          });
    }
    void finish() {
        const auto over = std::exchange(over_, nullptr);
        const auto keep = std::exchange(keep_, nullptr);
        over();
    }

    Injector& injector_;
    Way way_;
    Stream& from_;
    Stream& to_;
    std::function<bool()> is_given_up_;
    asio::steady_timer timer_;
    std::array<std::uint8_t, 4096> incoming_{};
    Bytes uncut_;
    std::deque<Parcel> outgoing_;
    bool writing_ = false;
    bool ended_ = false;
    std::shared_ptr<void> keep_;
    std::function<void()> over_;
};

}  // namespace

// ---- sockets --------------------------------------------------------------------------------------------

class TcpProxy::Switchboard : public std::enable_shared_from_this<Switchboard> {
  public:
    Switchboard(asio::io_context& loop, Injector& injector, std::uint16_t target)
        : injector_(injector), target_(asio::ip::address_v4::loopback(), target),
          acceptor_(loop, tcp::endpoint(asio::ip::address_v4::loopback(), 0)) {}

    void accept() {
        acceptor_.async_accept([self = shared_from_this()](error_code error, tcp::socket caller) {
            if (error || self->stopped_)
                return;
            self->connect(std::move(caller));
            self->accept();
        });
    }
    [[nodiscard]] std::uint16_t port() const { return acceptor_.local_endpoint().port(); }
    [[nodiscard]] std::uint64_t calls() const { return calls_; }
    void hang_up() {
        for (const auto& call : std::exchange(calls_open_, {}))
            call->close();
    }
    void stop() {
        stopped_ = true;
        error_code ignored;  // it is given up either way
        (void)acceptor_.close(ignored);
        hang_up();
    }

  private:
    struct Call : std::enable_shared_from_this<Call> {
        Call(tcp::socket from, asio::io_context::executor_type executor)
            : caller(std::move(from)), called(executor) {}
        tcp::socket caller;
        tcp::socket called;
        std::shared_ptr<Lane<tcp::socket>> asked;
        std::shared_ptr<Lane<tcp::socket>> answered;

        void close() {
            for (const auto& lane : {asked, answered})
                if (lane)
                    lane->end();
            error_code ignored;  // both are given up either way
            (void)caller.close(ignored);
            (void)called.close(ignored);
        }
    };

    void connect(tcp::socket caller) {
        ++calls_;
        injector_.reconnected();
        const auto executor =
            static_cast<asio::io_context&>(acceptor_.get_executor().context()).get_executor();
        const auto call = std::make_shared<Call>(std::move(caller), executor);
        calls_open_.push_back(call);
        call->called.async_connect(target_, [self = shared_from_this(), call](error_code error) {
            if (error || self->stopped_ || !call->caller.is_open())
                return self->drop(call);
            error_code ignored;  // without it the link is only slower
            for (tcp::socket* const socket : {&call->caller, &call->called})
                (void)socket->set_option(tcp::no_delay(true), ignored);
            // A caller who called anew, while the loop stood still, waits for nothing here any more.
            const auto given_up = [self, call = call.get()] {
                return self->calls_open_.back().get() != call;
            };
            call->asked = std::make_shared<Lane<tcp::socket>>(self->injector_, Way::asked, call->caller,
                                                              call->called, given_up);
            call->answered = std::make_shared<Lane<tcp::socket>>(self->injector_, Way::answered, call->called,
                                                                 call->caller, given_up);
            // Whoever ends first, what it sent still arrives; then both sides are hung up on.
            call->asked->start(call, [self, call] { self->drop(call); });
            call->answered->start(call, [self, call] { self->drop(call); });
        });
    }
    void drop(const std::shared_ptr<Call>& call) {
        call->close();
        std::erase(calls_open_, call);
    }

    Injector& injector_;
    tcp::endpoint target_;
    tcp::acceptor acceptor_;
    std::vector<std::shared_ptr<Call>> calls_open_;
    std::uint64_t calls_ = 0;
    bool stopped_ = false;
};

TcpProxy::TcpProxy(asio::io_context& loop, Injector& injector, std::uint16_t target)
    : board_(std::make_shared<Switchboard>(loop, injector, target)) {
    board_->accept();
}
TcpProxy::~TcpProxy() { board_->stop(); }

std::uint16_t TcpProxy::port() const { return board_->port(); }
std::uint64_t TcpProxy::calls() const { return board_->calls(); }
void TcpProxy::hang_up() { board_->hang_up(); }

// ---- terminals --------------------------------------------------------------------------------------------

class SerialProxy::Cable : public std::enable_shared_from_this<Cable> {
  public:
    Cable(asio::io_context& loop, const std::string& slave) : master_(loop), slave_(loop) {
        const int near = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
        std::array<char, 64> name{};
        if (near < 0 || grantpt(near) != 0 || unlockpt(near) != 0 ||
            ptsname_r(near, name.data(), name.size()) != 0)
            throw std::runtime_error("no pseudo-terminal");
        device_ = name.data();
        master_.assign(near);
        // Held open, or the line would hang up with its last user.
        kept_open_ = ::open(name.data(), O_RDWR | O_NOCTTY | O_CLOEXEC);
        const int far = ::open(slave.c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
        termios settings{};
        if (kept_open_ < 0 || far < 0 || tcgetattr(kept_open_, &settings) != 0)
            throw std::runtime_error("the pseudo-terminal cannot be opened");
        cfmakeraw(&settings);
        if (tcsetattr(kept_open_, TCSANOW, &settings) != 0)
            throw std::runtime_error("the pseudo-terminal cannot be set");
        slave_.assign(far);
    }
    ~Cable() { ::close(kept_open_); }
    Cable(const Cable&) = delete;
    Cable& operator=(const Cable&) = delete;
    Cable(Cable&&) = delete;
    Cable& operator=(Cable&&) = delete;

    void start(Injector& injector) {
        using Terminal = asio::posix::stream_descriptor;
        const auto never = [] { return false; };
        asked_ = std::make_shared<Lane<Terminal>>(injector, Way::asked, master_, slave_, never);
        answered_ = std::make_shared<Lane<Terminal>>(injector, Way::answered, slave_, master_, never);
        asked_->start(shared_from_this(), [] {});
        answered_->start(shared_from_this(), [] {});
    }
    void stop() {
        asked_->end();
        answered_->end();
        error_code ignored;  // both are given up either way
        (void)master_.close(ignored);
        (void)slave_.close(ignored);
    }
    [[nodiscard]] const std::string& device() const noexcept { return device_; }

  private:
    asio::posix::stream_descriptor master_;
    asio::posix::stream_descriptor slave_;
    std::string device_;
    int kept_open_ = -1;
    std::shared_ptr<Lane<asio::posix::stream_descriptor>> asked_;
    std::shared_ptr<Lane<asio::posix::stream_descriptor>> answered_;
};

SerialProxy::SerialProxy(asio::io_context& loop, Injector& injector, const std::string& slave)
    : cable_(std::make_shared<Cable>(loop, slave)) {
    cable_->start(injector);
}
SerialProxy::~SerialProxy() { cable_->stop(); }

const std::string& SerialProxy::device() const { return cable_->device(); }

}  // namespace tautgate::link_errors
