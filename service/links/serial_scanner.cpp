#include "service/links/serial_scanner.hpp"

#include <array>
#include <optional>
#include <random>
#include <string>
#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/serial_port.hpp>
#include <boost/asio/steady_timer.hpp>
#include <fmt/format.h>
#include <sys/ioctl.h>

#include "service/links/backoff.hpp"
#include "service/links/quiet.hpp"
#include "service/links/refusals.hpp"
#include "service/links/scan_feed.hpp"
#include "service/links/serial_device.hpp"

namespace tautgate::links {

namespace asio = boost::asio;
using boost::system::error_code;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

class SerialScanner::Line : public std::enable_shared_from_this<Line> {
  public:
    Line(asio::io_context& loop, const config::Scanner& scanner, const protocol::LabelReader& reader,
         Sink sink, SerialScannerSettings settings)
        : scanner_(scanner), reader_(reader), sink_(std::move(sink)), settings_(settings), port_(loop),
          pause_(loop), look_(loop), again_(loop), backoff_(std::random_device{}()) {}

    void start() { open(); }

    [[nodiscard]] SourceHealth health(SteadyTime now) const {
        SourceHealth health{.name = scanner_.id};
        if (heard_)
            health.age = std::chrono::duration_cast<milliseconds>(now - *heard_);
        health.quality = port_.is_open() ? interlock::Quality::good : interlock::Quality::failed;
        if (!port_.is_open())
            health.why = why_;
        return health;
    }

    void stop() {
        stopped_ = true;
        shut();
        look_.cancel();
        again_.cancel();
    }

  private:
    void shut() {
        pause_.cancel();
        error_code ignored;  // the line is given up either way
        (void)port_.close(ignored);
    }

    void open() {
        if (auto opened = open_serial(port_, *scanner_.serial, "the scanner's"); !opened)
            return open_later(std::move(opened.error()));
        opened_ = steady_clock::now();
        quiet_.is(opened_);
        look_later();
        feed_.emplace(scanner_, reader_, tell_, feed_ ? feed_->half_given_up() : std::nullopt);
        read();
    }
    void open_later(std::string why) {
        why_ = std::move(why);
        shut();
        again_.expires_after(backoff_.next());
        again_.async_wait([self = shared_from_this()](const error_code& error) {
            if (!error && !self->stopped_)
                self->open();
        });
    }
    void lose(const std::string& why) {
        backoff_.ended_after(std::chrono::duration_cast<milliseconds>(steady_clock::now() - opened_));
        feed_->give_up_half(steady_clock::now());
        tell_refused(refusals_.rest());
        if (!stopped_)
            open_later(fmt::format("the serial line {} broke: {}", scanner_.serial->device, why));
    }

    void read() {
        port_.async_read_some(
            asio::buffer(incoming_), [self = shared_from_this()](const error_code& error, std::size_t count) {
                if (self->stopped_)
                    return;
                self->pause_.cancel();
                if (error)
                    return self->lose(error.message());
                const auto now = steady_clock::now();
                self->heard_ = now;
                const std::size_t labels =
                    self->feed_->take({self->incoming_.data(), count}, self->quiet_.at(), now);
                if (self->stopped_)
                    return;
                self->quiet_.ends();
                if (const auto then = steady_clock::now(); self->nothing_waits())
                    self->quiet_.is(then);
                self->go_on(labels);
            });
    }
    // One label is read on from at once. A burst is no hand that scans, and waits for its turn.
    void go_on(std::size_t labels) {
        if (labels <= 1) {
            read();
            return await_rest();
        }
        if (auto told = feed_->told_of_burst(labels))
            tell_refused(refusals_.add(steady_clock::now(), {}, std::move(*told)));
        pause_.expires_after(settings_.label_pause * static_cast<std::int64_t>(labels));
        pause_.async_wait([self = shared_from_this()](const error_code& error) {
            if (error || self->stopped_)
                return;
            self->read();
            self->await_rest();
        });
    }
    void await_rest() {
        pause_.expires_after(settings_.label_time);
        pause_.async_wait([self = shared_from_this()](const error_code& error) {
            // One that was due already when more bytes came is too late to be cancelled.
            const auto now = steady_clock::now();
            if (error || self->stopped_ || self->pause_.expiry() > now)
                return;
            self->feed_->give_up_half(now);
        });
    }
    [[nodiscard]] bool nothing_waits() {
        int waiting = 0;
        return ::ioctl(port_.native_handle(), FIONREAD, &waiting) == 0 && waiting == 0;
    }
    void look_later() {
        constexpr milliseconds between_looks{200};
        look_.expires_after(between_looks);
        look_.async_wait([self = shared_from_this()](const error_code& error) {
            if (error || self->stopped_ || !self->port_.is_open())
                return;
            const auto now = steady_clock::now();
            self->quiet_.look(self->nothing_waits(), now);
            self->tell_refused(self->refusals_.due(now));
            self->look_later();
        });
    }
    void tell_refused(std::optional<interlock::InputRefused> refused) {
        if (refused)
            tell_(std::move(*refused));
    }

    const config::Scanner scanner_;
    const protocol::LabelReader& reader_;
    Sink sink_;
    const ScanFeed::Sink tell_ = [this](interlock::Payload payload) {
        if (!stopped_)
            sink_(std::move(payload));
    };
    SerialScannerSettings settings_;
    asio::serial_port port_;
    asio::steady_timer pause_;  // until a half label is given up, or until more is read
    asio::steady_timer look_;
    asio::steady_timer again_;
    Backoff backoff_;
    Refusals refusals_{scanner_.id};
    std::optional<ScanFeed> feed_;  // of this opening of the line
    std::optional<SteadyTime> heard_;
    SteadyTime opened_{};
    Quiet quiet_{steady_clock::now()};
    std::string why_ = "its line was not opened yet";
    std::array<char, 512> incoming_{};
    bool stopped_ = false;
};

SerialScanner::SerialScanner(asio::io_context& loop, const config::Scanner& scanner,
                             const protocol::LabelReader& reader, Sink sink, SerialScannerSettings settings)
    : line_(std::make_shared<Line>(loop, scanner, reader, std::move(sink), settings)) {}
SerialScanner::~SerialScanner() { line_->stop(); }

void SerialScanner::start() { line_->start(); }
SourceHealth SerialScanner::health(SteadyTime now) const { return line_->health(now); }
void SerialScanner::stop() { line_->stop(); }

}  // namespace tautgate::links
