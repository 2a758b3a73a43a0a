#include "service/links/scanner_port.hpp"

#include <algorithm>
#include <array>
#include <map>
#include <optional>
#include <string>
#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/steady_timer.hpp>
#include <fmt/format.h>

#include "service/links/peer_address.hpp"
#include "service/links/quiet.hpp"
#include "service/links/refusals.hpp"
#include "service/links/scan_feed.hpp"
#include "service/links/unattended.hpp"

namespace tautgate::links {

namespace asio = boost::asio;
using boost::system::error_code;
using interlock::Quality;
using std::chrono::milliseconds;

namespace {

constexpr milliseconds scanner_accept_pause{250};
constexpr milliseconds scanner_look_interval{200};

// One connection.
struct ScannerCall {
    ScannerCall(asio::ip::tcp::socket accepted, const config::Scanner& caller, ScanFeed its_feed)
        : socket(std::move(accepted)), pause(socket.get_executor()), scanner(caller),
          feed(std::move(its_feed)) {}

    asio::ip::tcp::socket socket;
    asio::steady_timer pause;  // until a half label is given up, or until more is read
    const config::Scanner& scanner;
    ScanFeed feed;
    bool open = true;
    std::array<char, 512> incoming{};
    Quiet quiet{std::chrono::steady_clock::now()};
};
using ScannerCallPtr = std::shared_ptr<ScannerCall>;

}  // namespace

class ScannerPort::Port : public std::enable_shared_from_this<Port> {
  public:
    Port(asio::io_context& loop, const config::Station& station, const protocol::LabelReader& reader,
         Sink sink, ScannerPortSettings settings)
        : endpoint_(station.scanner_port), scanners_(station.scanners), reader_(reader),
          sink_(std::move(sink)), settings_(settings), acceptor_(loop), accept_again_(loop), look_(loop) {}

    [[nodiscard]] std::expected<void, std::string> listen() {
        if (!endpoint_)
            return {};
        for (const config::Scanner& scanner : scanners_) {
            if (scanner.serial)
                continue;
            error_code failed;
            const auto peer = asio::ip::make_address(scanner.peer, failed);
            if (failed)
                return std::unexpected(fmt::format("scanner {} may call from '{}', which is no IP address; "
                                                   "correct its peer in the station description",
                                                   scanner.id, scanner.peer));
            by_peer_[without_mapping(peer)].push_back(&scanner);
        }
        if (const auto open = open_acceptor(acceptor_, *endpoint_, "scanners", "scanner_port"); !open)
            return std::unexpected(open.error());
        accept();
        look_later();
        return {};
    }

    [[nodiscard]] std::uint16_t port() const {
        error_code failed;
        const auto local = acceptor_.local_endpoint(failed);
        return failed ? std::uint16_t{0} : local.port();
    }

    [[nodiscard]] std::vector<SourceHealth> health(SteadyTime now) const {
        std::vector<SourceHealth> all;
        for (const config::Scanner& scanner : scanners_) {
            if (scanner.serial)
                continue;
            SourceHealth health{.name = scanner.id};
            const auto heard = heard_.find(scanner.id);
            if (heard != heard_.end())
                health.age = std::chrono::duration_cast<milliseconds>(now - heard->second);
            const bool connected = std::ranges::any_of(
                calls_, [&](const ScannerCallPtr& call) { return &call->scanner == &scanner; });
            if (connected)
                health.quality = Quality::good;
            else if (const auto ended = ended_.find(scanner.id); ended != ended_.end()) {
                health.quality = Quality::failed;
                health.why = ended->second;
            } else {
                health.why = "it has not called yet";
            }
            all.push_back(std::move(health));
        }
        return all;
    }

    void stop() {
        stopped_ = true;
        error_code ignored;  // they are given up either way
        (void)acceptor_.close(ignored);
        accept_again_.cancel();
        look_.cancel();
        for (const ScannerCallPtr& call : std::exchange(calls_, {}))
            shut(*call);
    }

  private:
    // ---- connections ----------------------------------------------------------------------------------

    void accept() {
        const auto now = std::chrono::steady_clock::now();
        const bool waits = somebody_waits(acceptor_);
        unattended_.end(waits);
        if (!waits)
            nobody_waited_.is(now);
        acceptor_.async_accept(
            [self = shared_from_this()](const error_code& error, asio::ip::tcp::socket socket) {
                if (self->stopped_)
                    return;
                self->nobody_waited_.ends();
                if (error)
                    return self->accept_later();
                self->take_call(std::move(socket));
                self->accept();
            });
    }
    // What failed (most likely no descriptor was free) does not get better by asking at once.
    void accept_later() {
        unattended_.begin(std::chrono::steady_clock::now());
        accept_again_.expires_after(scanner_accept_pause);
        accept_again_.async_wait([self = shared_from_this()](const error_code& error) {
            if (!error && !self->stopped_)
                self->accept();
        });
    }
    void take_call(asio::ip::tcp::socket socket) {
        error_code gone;
        const auto remote = socket.remote_endpoint(gone);
        if (gone)
            return;
        const auto peer = without_mapping(remote.address());
        const config::Scanner* const scanner = scanner_at(peer);
        if (scanner == nullptr)
            return;          // the socket closes with it
        error_code ignored;  // without it a scanner that lost its power is noticed later
        (void)socket.set_option(asio::socket_base::keep_alive(true), ignored);
        if (calls_.size() >= settings_.connections)
            end(calls_.front(), "a newer connection took its place");
        const auto half = half_before(socket, *scanner);
        if (stopped_)  // by whom it was told
            return;
        calls_.push_back(std::make_shared<ScannerCall>(std::move(socket), *scanner,
                                                       ScanFeed{*scanner, reader_, tell_, half}));
        // It may have called, and said something, at any time since nobody waited.
        calls_.back()->quiet = nobody_waited_;
        read(calls_.back());
    }
    // When a half was given up whose rest may come over this connection.
    [[nodiscard]] std::optional<SteadyTime> half_before(asio::ip::tcp::socket& socket,
                                                        const config::Scanner& scanner) {
        const auto given_up = given_up_.extract(scanner.id);
        if (const std::string waiting = unattended_.since() ? waiting_at(socket) : std::string{};
            !waiting.empty())
            return refuse_waiting(waiting, scanner);
        return given_up.empty() ? std::nullopt : std::optional(given_up.mapped());
    }
    [[nodiscard]] static std::string waiting_at(asio::ip::tcp::socket& socket) {
        error_code failed;
        std::string waiting(socket.available(failed), '\0');
        if (!waiting.empty())
            waiting.resize(socket.read_some(asio::buffer(waiting), failed));
        return waiting;
    }
    // What was scanned while nobody could be accepted may have been meant for a unit that is gone. The rest
    // of a label of which a part waited may still come.
    [[nodiscard]] std::optional<SteadyTime> refuse_waiting(const std::string& waiting,
                                                           const config::Scanner& scanner) {
        const auto now = std::chrono::steady_clock::now();
        if (auto refused = refusals_.add(
                now, waiting,
                fmt::format("{} byte(s) from scanner {} had waited while nobody could be accepted, so that "
                            "nobody knows for which unit they are; scan again",
                            waiting.size(), scanner.id)))
            tell_(std::move(*refused));
        protocol::ScanSplitter splitter{scanner.label_end};
        splitter.feed(waiting);
        while (splitter.next()) {
        }
        static_cast<void>(splitter.abandon());
        return splitter.awaits_rest() ? std::optional(now) : std::nullopt;
    }
    // Nobody: the peer is unknown, or one cannot say which bay it stands for; both are told.
    [[nodiscard]] const config::Scanner* scanner_at(const asio::ip::address& peer) {
        const auto found = by_peer_.find(peer);
        std::string why;
        if (found == by_peer_.end())
            why = fmt::format("no scanner may call from {}; enter the address as the peer of a scanner",
                              peer.to_string());
        else if (std::ranges::any_of(found->second, [&](const config::Scanner* other) {
                     return other->bay != found->second.front()->bay;
                 }))
            why = fmt::format(
                "scanners of several bays call from {}, so that a label could belong to any; give "
                "each an address of its own",
                peer.to_string());
        else
            return found->second.front();
        if (auto refused = refusals_.add(std::chrono::steady_clock::now(), {}, std::move(why)))
            tell_(std::move(*refused));
        return nullptr;
    }
    static void shut(ScannerCall& call) {
        call.open = false;
        call.pause.cancel();
        error_code ignored;  // the socket is given up either way
        (void)call.socket.close(ignored);
    }
    // By value: the argument may stand in the list from which it is taken.
    void end(ScannerCallPtr call, const std::string& why) {  // NOLINT(performance-unnecessary-value-param)
        if (!call->open)
            return;
        shut(*call);
        ended_[call->scanner.id] = why;
        std::erase(calls_, call);
        call->feed.give_up_half(std::chrono::steady_clock::now());
        if (const auto given_up = call->feed.half_given_up())
            given_up_[call->scanner.id] = *given_up;
    }
    void look_later() {
        look_.expires_after(scanner_look_interval);
        look_.async_wait([self = shared_from_this()](const error_code& error) {
            if (error || self->stopped_)
                return;
            self->nobody_waited_.look(!somebody_waits(self->acceptor_), std::chrono::steady_clock::now());
            for (const ScannerCallPtr& call : self->calls_)
                call->quiet.look(nothing_waits(*call), std::chrono::steady_clock::now());
            if (auto refused = self->refusals_.due(std::chrono::steady_clock::now()))
                self->tell_(std::move(*refused));
            if (!self->stopped_)
                self->look_later();
        });
    }

    // ---- labels ---------------------------------------------------------------------------------------

    [[nodiscard]] static bool nothing_waits(const ScannerCall& call) {
        error_code failed;
        return call.socket.available(failed) == 0 && !failed;
    }

    void read(const ScannerCallPtr& call) {
        call->socket.async_read_some(asio::buffer(call->incoming), [self = shared_from_this(),
                                                                    call](const error_code& error,
                                                                          std::size_t count) {
            if (!call->open)
                return;
            call->pause.cancel();
            if (error)
                return self->end(call, error == asio::error::eof
                                           ? "the scanner closed the connection"
                                           : "the connection broke: " + error.message());
            const auto now = std::chrono::steady_clock::now();
            self->heard_[call->scanner.id] = now;
            const std::size_t labels = call->feed.take({call->incoming.data(), count}, call->quiet.at(), now);
            if (!call->open)
                return;
            call->quiet.ends();
            if (const auto then = std::chrono::steady_clock::now(); nothing_waits(*call))
                call->quiet.is(then);
            self->go_on(call, labels);
        });
    }
    // One label is read on from at once. A burst is no hand that scans, and waits for its turn.
    void go_on(const ScannerCallPtr& call, std::size_t labels) {
        if (labels <= 1) {
            read(call);
            return await_rest(call);
        }
        if (auto told = call->feed.told_of_burst(labels))
            if (auto refused = refusals_.add(std::chrono::steady_clock::now(), {}, std::move(*told)))
                tell_(std::move(*refused));
        call->pause.expires_after(settings_.label_pause * static_cast<std::int64_t>(labels));
        call->pause.async_wait([self = shared_from_this(), call](const error_code& error) {
            if (error || !call->open)
                return;
            self->read(call);
            self->await_rest(call);
        });
    }
    void await_rest(const ScannerCallPtr& call) {
        call->pause.expires_after(settings_.label_time);
        call->pause.async_wait([self = shared_from_this(), call](const error_code& error) {
            // One that was due already when more bytes came is too late to be cancelled.
            const auto now = std::chrono::steady_clock::now();
            if (!error && call->open && call->pause.expiry() <= now)
                call->feed.give_up_half(now);
        });
    }
    std::optional<config::Endpoint> endpoint_;
    const std::vector<config::Scanner> scanners_;
    const protocol::LabelReader& reader_;
    Sink sink_;
    const ScanFeed::Sink tell_ = [this](interlock::Payload payload) {
        if (!stopped_)
            sink_(std::move(payload));
    };
    ScannerPortSettings settings_;
    asio::ip::tcp::acceptor acceptor_;
    asio::steady_timer accept_again_;
    Unattended unattended_;
    Quiet nobody_waited_{std::chrono::steady_clock::now()};  // to be accepted
    asio::steady_timer look_;
    std::map<asio::ip::address, std::vector<const config::Scanner*>> by_peer_;
    std::vector<ScannerCallPtr> calls_;           // oldest first
    std::map<std::string, SteadyTime> heard_;     // by scanner
    std::map<std::string, std::string> ended_;    // by scanner: how its last connection ended
    std::map<std::string, SteadyTime> given_up_;  // by scanner: a half of its last connection
    Refusals refusals_{"scanner port"};           // of peers that are no scanner, and of what waited
    bool stopped_ = false;
};

ScannerPort::ScannerPort(asio::io_context& loop, const config::Station& station,
                         const protocol::LabelReader& reader, Sink sink, ScannerPortSettings settings)
    : port_(std::make_shared<Port>(loop, station, reader, std::move(sink), settings)) {}
ScannerPort::~ScannerPort() { port_->stop(); }

std::expected<void, std::string> ScannerPort::listen() { return port_->listen(); }
std::uint16_t ScannerPort::port() const { return port_->port(); }
std::vector<SourceHealth> ScannerPort::health(SteadyTime now) const { return port_->health(now); }
void ScannerPort::stop() { port_->stop(); }

}  // namespace tautgate::links
