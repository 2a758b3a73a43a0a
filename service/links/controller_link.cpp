#include "service/links/controller_link.hpp"

#include <algorithm>
#include <functional>
#include <mutex>
#include <optional>
#include <random>
#include <span>
#include <thread>
#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <fmt/format.h>

#include "service/interlock/gate.hpp"
#include "service/links/block_server.hpp"
#include "service/links/coil_signals.hpp"
#include "service/links/controller_blocks.hpp"
#include "service/links/flood.hpp"
#include "service/links/modbus_frame.hpp"
#include "service/links/modbus_wire.hpp"
#include "service/links/refusals.hpp"
#include "service/links/register_calls.hpp"

namespace tautgate::links {

using interlock::Quality;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

// Half the echo time-out, so that one lost request leaves time for a second one.
[[nodiscard]] milliseconds answer_within(const config::ControllerLink& link) {
    return std::clamp(link.echo_timeout / 2, milliseconds(20), milliseconds(500));
}

[[nodiscard]] std::uint16_t any_beat() {
    std::random_device device;
    return static_cast<std::uint16_t>(device());
}

}  // namespace

class ControllerLink::Line : public std::enable_shared_from_this<Line> {
  public:
    Line(boost::asio::io_context& loop, ControllerFrame frame, Sink sink,
         std::shared_ptr<DurableMark> durable, ControllerPace pace, const std::optional<KnownOfBay>& known)
        : loop_(loop), frame_(std::move(frame)), sink_(std::move(sink)), outgoing_(frame_, any_beat()),
          incoming_(frame_), freshness_(limits(frame_.link)), backoff_(std::random_device{}(), pace.redial),
          refusals_(fmt::format("controller of bay {}", frame_.bay.text)), pace_(pace),
          durable_(std::move(durable)), shared_{.health = freshness_} {
        if (frame_.link.coils) {
            coils_.emplace(frame_, known);
            outgoing_.guard(coils_->guards());
        }
    }

    // ---- on the loop ----

    void on_echo(std::function<void(SteadyTime)> told) { echo_ = std::move(told); }
    void start() {
        if (!thread_.joinable() && !closed_)
            thread_ = std::thread([this] { run(); });
    }
    void lose_sight() {
        {
            const std::lock_guard lock{mutex_};
            shared_.unseen = true;
        }
        waker_.wake();
    }
    void publish(std::vector<PermissiveOrder> orders, std::uint16_t beat) {
        // A new beat alone can wait until the thread has something to send anyway.
        const domain::EventNumber durable = durable_->up_to();
        const bool news = change_the_wire(orders, durable);
        const auto waits_for = first_not_durable(orders, durable);
        {
            const std::lock_guard lock{mutex_};
            shared_.orders = Orders{std::move(orders), beat, steady_clock::now()};
        }
        if (waits_for)
            wait_.until(*waits_for);
        else
            wait_.for_nothing();
        if (!news)
            return;
        waker_.wake();
        // The order first: where both threads share a processor, it would wait for everything that the loop
        // does in the same turn, such as an acknowledgement to a tool, which takes as long as all the rest of
        // the way.
        std::this_thread::yield();
    }
    void sensed(const config::IoInput& input, std::optional<bool> level) {
        {
            const std::lock_guard lock{mutex_};
            shared_.sensed.emplace_back(input, level);
        }
        waker_.wake();
    }
    void stop() {
        closed_ = true;
        {
            const std::lock_guard lock{mutex_};
            shared_.stopping = true;
        }
        waker_.wake();
        if (thread_.joinable())
            thread_.join();
    }
    [[nodiscard]] std::vector<domain::PermissiveId> released_on_wire() const {
        const std::lock_guard lock{mutex_};
        return shared_.released;
    }
    [[nodiscard]] SourceHealth health() const {
        const std::lock_guard lock{mutex_};
        SourceHealth health = shared_.health.health(frame_.bay.text, steady_clock::now());
        if (health.quality == Quality::good)
            return health;
        if (shared_.port != 0 && !shared_.health.last_sign() && shared_.problem.empty())
            health.why =
                fmt::format("no controller has written its feedback yet; the station listens for it at "
                            "{} port {}",
                            frame_.link.host, shared_.port);
        if (!shared_.problem.empty())
            health.why += "; " + shared_.problem;
        if (!shared_.refused.empty())
            health.why += "; what came last was refused: " + shared_.refused;
        return health;
    }
    [[nodiscard]] std::uint16_t port() const {
        const std::lock_guard lock{mutex_};
        return shared_.port;
    }

  private:
    // Of the orders, what may stand on the wire.
    [[nodiscard]] static std::vector<PermissiveOrder> on_wire(std::vector<PermissiveOrder> orders,
                                                              domain::EventNumber durable) {
        for (PermissiveOrder& order : orders) {
            if (!interlock::may_go_out(order.once_durable, durable))
                order.code = protocol::Code::withheld;
            order.once_durable = {};
        }
        return orders;
    }
    // Whether the new orders change that. The reason of what waits for the disk may come with the release.
    [[nodiscard]] bool change_the_wire(const std::vector<PermissiveOrder>& orders,
                                       domain::EventNumber durable) {
        const auto before = on_wire(published_, durable);
        auto now = on_wire(orders, durable);
        for (std::size_t i = 0; i < std::min(before.size(), now.size()); ++i)
            if (!interlock::may_go_out(orders[i].once_durable, durable))
                now[i].reason = before[i].reason;
        published_ = orders;
        return now != before;
    }
    [[nodiscard]] static std::optional<domain::EventNumber>
    first_not_durable(const std::vector<PermissiveOrder>& orders, domain::EventNumber durable) {
        std::optional<domain::EventNumber> first;
        for (const PermissiveOrder& order : orders)
            if (!interlock::may_go_out(order.once_durable, durable) &&
                (!first || order.once_durable < *first))
                first = order.once_durable;
        return first;
    }

    struct Orders {
        std::vector<PermissiveOrder> orders;
        std::uint16_t beat = 0;
        Instant given;
    };
    // What both threads touch.
    struct Shared {
        std::optional<Orders> orders{};
        std::vector<std::pair<config::IoInput, std::optional<bool>>>
            sensed{};  // in the order in which it came
        bool stopping = false;
        bool unseen = false;  // somebody was told so
        std::vector<domain::PermissiveId> released{};
        Freshness health;
        std::string problem{};
        std::string refused{};   // why, of the last request in vain; empty since feedback came
        std::uint16_t port = 0;  // of the server role
    };

    [[nodiscard]] static Freshness::Limits limits(const config::ControllerLink& link) {
        return {.silence = link.echo_timeout, .settling = link.settling};
    }

    // ---- on the link's thread ----

    void run() {
        switch (frame_.link.role) {
        case config::WireRole::client: return run_client();
        case config::WireRole::server: return run_server();
        }
    }

    // The newest orders, and what time alone has changed. False: the end is wanted.
    [[nodiscard]] bool refresh(Instant now) {
        std::optional<Orders> orders;
        decltype(shared_.sensed) sensed;
        bool stopping = false;
        bool unseen = false;
        {
            const std::lock_guard lock{mutex_};
            unseen = std::exchange(shared_.unseen, false);
            orders = std::exchange(shared_.orders, std::nullopt);
            sensed.swap(shared_.sensed);
            stopping = shared_.stopping;
        }
        for (const auto& [input, level] : sensed)
            take_sensed(input, level, now);
        if (orders)
            outgoing_.order(std::move(orders->orders), orders->beat, orders->given);
        outgoing_.durable(durable_->up_to());
        tell(freshness_.look(now), now);
        if (unseen)
            tell(freshness_.failed(now, "the service stood still, and nobody looked meanwhile"), now);
        if (auto refused = refusals_.due(now))
            post(std::move(*refused));
        return !stopping;
    }

    void run_client() {
        Instant dial_at = Instant::min();
        Instant dialled_at{};
        while (true) {
            const Instant now = steady_clock::now();
            if (!refresh(now))
                break;
            const bool was_connected = connection_.has_value();
            if (!connection_ && now >= dial_at) {
                dialled_at = now;
                connect(now);
            } else if (connection_ && outgoing_.due(now) <= now) {
                exchange();
            } else {
                waker_.wait(std::min(silence_at(), connection_ ? outgoing_.due(now) : dial_at));
            }
            const Instant then = steady_clock::now();
            if (was_connected && !connection_)
                backoff_.ended_after(std::chrono::duration_cast<milliseconds>(then - dialled_at));
            if (!connection_ && (was_connected || dialled_at == now))
                dial_at = then + backoff_.next();
        }
        outgoing_.end();
        // Whoever is not connected has shown no beat either. Only a release that may still stand is worth a
        // dial.
        if (!connection_ && !outgoing_.released_on_wire().empty())
            connect(steady_clock::now());
        if (connection_ && write_blocks())
            static_cast<void>(finish());  // the controller withholds by its own time-out otherwise
    }

    void connect(Instant now) {
        auto dialled = dial(frame_.link.host, frame_.link.port, frame_.link.unit, answer_within(frame_.link));
        if (!dialled)
            return lose(now, dialled.error());
        connection_.emplace(std::move(*dialled), frame_.link.unit, answer_within(frame_.link));
        outgoing_.lost();
        incoming_.report_again();
    }

    void lose(Instant now, std::string why) {
        connection_.reset();
        outgoing_.lost();
        tell(freshness_.failed(now, std::move(why)), now);
        if (coils_)
            heard(coils_->lost(now), now);
    }

    void exchange() {
        if (coils_)
            return exchange_coils();
        auto done = write_blocks();
        if (done)
            done = finish();
        if (!done)
            return lose(steady_clock::now(),
                        fmt::format("cannot write the permissives to the controller: {}", done.error()));
        std::vector<std::uint16_t> words(frame_.points.size() * protocol::feedback_words);
        done = ask_feedback(words);
        if (done)
            done = finish();
        if (!done)
            return lose(steady_clock::now(),
                        fmt::format("cannot read the feedback of the controller: {}", done.error()));
        hear(words);
    }

    // Looks first: what is seen may take a coil back.
    void exchange_coils() {
        std::vector<std::uint16_t> words(protocol::words_in(coils_->reads()));
        auto done = ask_coils(words);
        if (done)
            done = finish_reading();
        if (!done)
            return lose(steady_clock::now(),
                        fmt::format("cannot read the inputs of the controller: {}", done.error()));
        const Instant now = steady_clock::now();
        heard(coils_->take(words, outgoing_.maybe_on(), now), now);
        done = write_blocks();
        if (done)
            done = finish();
        if (!done)
            return lose(steady_clock::now(),
                        fmt::format("cannot write the coils of the controller: {}", done.error()));
        coils_->sent();
    }

    [[nodiscard]] RegisterCalls::Done ask_coils(std::span<std::uint16_t> words) {
        for (const protocol::BlockRange& block : coils_->reads()) {
            if (auto done = connection_->ask_to_read(block.table, block.start, words.first(block.length));
                !done)
                return done;
            words = words.subspan(block.length);
        }
        return {};
    }

    // The alive coil last: where it is switched over, every release before it is as it should be.
    [[nodiscard]] RegisterCalls::Done write_coils(Instant now) {
        const auto on = outgoing_.on();
        coils_->writes(on, now);
        for (std::size_t i = 0; i < on.size(); ++i)
            if (auto done = connection_->ask_to_write_coil(release_coil(i), on[i]); !done)
                return done;
        return connection_->ask_to_write_coil(frame_.link.coils->alive,
                                              coils_->alive(outgoing_.beat(), outgoing_.ended(), now));
    }
    [[nodiscard]] std::uint16_t release_coil(std::size_t point) const {
        return std::ranges::find(frame_.link.coils->permissives, frame_.points[point].id.text,
                                 &config::CoilPoint::permissive)
            ->release;
    }

    // Sends all blocks; whether they arrived is known when it is finished.
    [[nodiscard]] RegisterCalls::Done write_blocks() {
        const Instant now = steady_clock::now();
        const auto words = outgoing_.take(now);
        share_released();  // from now on the words may have arrived
        if (coils_)
            return write_coils(now);
        constexpr std::size_t most = blocks_per_write * protocol::permissive_words;
        for (std::size_t at = 0; at < words.size(); at += most) {
            const auto address = static_cast<std::uint16_t>(frame_.link.permissive_address + at);
            const auto part = std::span(words).subspan(at, std::min(most, words.size() - at));
            if (auto done = connection_->ask_to_write(address, part); !done)
                return done;
        }
        return {};
    }

    [[nodiscard]] RegisterCalls::Done ask_feedback(std::span<std::uint16_t> words) {
        constexpr std::size_t most = blocks_per_read * protocol::feedback_words;
        for (std::size_t at = 0; at < words.size(); at += most) {
            const auto address = static_cast<std::uint16_t>(frame_.link.feedback_address + at);
            const auto part = words.subspan(at, std::min(most, words.size() - at));
            if (auto done = connection_->ask_to_read(protocol::RegisterTable::holding, address, part); !done)
                return done;
        }
        return {};
    }

    // Until everything asked is answered. Withholding waits for no answer: it goes out behind the requests
    // under way, which a controller takes in their order.
    [[nodiscard]] RegisterCalls::Done finish() {
        const auto done = connection_->finish(waker_, [this]() -> RegisterCalls::Done {
            const Instant now = steady_clock::now();
            if (!refresh(now))
                outgoing_.end();
            return outgoing_.withholds(now) ? write_blocks() : RegisterCalls::Done{};
        });
        if (done) {
            outgoing_.sent();
            share_released();
        }
        return done;
    }

    // Nothing of ours is confirmed by what was read, unless a withhold went out meanwhile.
    [[nodiscard]] RegisterCalls::Done finish_reading() {
        bool wrote = false;
        const auto done = connection_->finish(waker_, [&]() -> RegisterCalls::Done {
            const Instant now = steady_clock::now();
            if (!refresh(now))
                outgoing_.end();
            if (!outgoing_.withholds(now))
                return {};
            wrote = true;
            return write_blocks();
        });
        if (done && wrote) {
            outgoing_.sent();
            coils_->sent();
            share_released();
        }
        return done;
    }

    void run_server() {
        Instant open_at = Instant::min();
        std::unique_ptr<BlockServer> server;
        while (true) {
            const Instant now = steady_clock::now();
            if (!refresh(now))
                break;
            if (!server && now >= open_at) {
                server = open(now);
                open_at = now + backoff_.next();
            }
            if (!server) {
                waker_.wait(std::min(silence_at(), open_at));
                continue;
            }
            if (outgoing_.due(now) <= now)
                show(*server, now);
            if (server->serve(waker_, std::min(silence_at(), outgoing_.due(now)), [&] {
                    // Nobody may be given what is no longer true.
                    const Instant asked = steady_clock::now();
                    static_cast<void>(refresh(asked));  // the end is noticed by the next round
                    if (outgoing_.due(asked) <= asked)
                        show(*server, asked);
                }))
                hear(server->feedback());
            tell_refused(*server);
        }
        outgoing_.end();
        if (server) {
            show(*server, steady_clock::now());
            // Whoever asks within the time that a request may take still gets the withhold as an answer.
            server->linger(answer_within(frame_.link));
        }
    }

    void tell_refused(BlockServer& server) {
        const Instant now = steady_clock::now();
        for (BlockServer::Refused& one : server.take_refused()) {
            note_refused(one.why);
            if (auto refused = refusals_.add(now, std::move(one.raw), std::move(one.why)))
                post(std::move(*refused));
        }
    }

    [[nodiscard]] std::unique_ptr<BlockServer> open(Instant now) {
        auto opened = BlockServer::open(frame_.link, frame_.points.size());
        if (!opened) {
            tell(freshness_.failed(now, opened.error()), now);
            return nullptr;
        }
        const std::lock_guard lock{mutex_};
        shared_.port = (*opened)->port();
        return std::move(*opened);
    }

    void show(BlockServer& server, Instant now) {
        server.show(outgoing_.take(now));
        outgoing_.sent();
        share_released();
    }

    void hear(std::span<const std::uint16_t> words) {
        const Instant now = steady_clock::now();
        note_refused({});
        heard(incoming_.take(words, outgoing_), now);
    }

    void take_sensed(const config::IoInput& input, std::optional<bool> level, Instant now) {
        if (!coils_)
            return;
        coils_->sensed(input, level, now);
        heard(coils_->look(now), now);
    }

    void heard(FeedbackSeen seen, Instant now) {
        note_problem(seen.why_not);
        bool became_good = false;
        const bool flooded = flooding_;
        const bool floods = is_flooding(seen.report.has_value(), now);
        // What was swallowed is told before anybody relies on the line again.
        if (flooded && !floods)
            tell_newest();
        if (seen.acts_alone) {
            tell(freshness_.failed(now, seen.why_not), now);
        } else if (floods) {
            tell(freshness_.failed(now, flood_words()), now);
        } else if (seen.alive_as_of && now - *seen.alive_as_of <= frame_.link.echo_timeout) {
            became_good = tell(freshness_.alive(*seen.alive_as_of), now);
        }
        if (coils_)
            outgoing_.guard(coils_->guards());
        if (seen.report && !floods)
            post(std::move(*seen.report));
        else if (became_good)
            tell_newest();
        if (seen.alive_as_of && echo_)
            boost::asio::post(loop_, [self = shared_from_this(), as_of = *seen.alive_as_of] {
                if (!self->closed_)
                    self->echo_(as_of);
            });
    }

    // Each report is an event: a sensor that flutters, or a second master that writes old feedback, would
    // fill the record. Until it is calm nothing that it says is believed; then its newest word is told as
    // that of a line that was lost.
    bool is_flooding(bool news, Instant now) {
        if (news)
            newest_news_ = now;
        if (flooding_) {
            flooding_ = now - newest_news_ < pace_.calm_after;
            if (!flooding_)
                reports_ = Flood{pace_.reports};
            return flooding_;
        }
        if (news)
            reports_.frame(now);
        flooding_ = !reports_.has_room(now);
        if (flooding_)
            if (auto refused = refusals_.add(now, {}, flood_words()))
                post(std::move(*refused));
        return flooding_;
    }
    [[nodiscard]] std::string flood_words() const {
        return fmt::format(
            "what the controller of bay {} says of its unit and its movements has changed more than "
            "{} times at once and goes on faster than {} times a second; see its sensors, their debounce, "
            "and "
            "that nobody else writes there",
            frame_.bay.text, pace_.reports.at_once, pace_.reports.a_second);
    }

    void tell_newest() {
        if (coils_)
            post(coils_->report());
        else if (incoming_.last())
            post(*incoming_.last());
    }

    // True: the line has become good.
    bool tell(std::optional<QualityChange> change, Instant now) {
        const bool good = freshness_.quality() == Quality::good;
        outgoing_.trust(good);
        {
            const std::lock_guard lock{mutex_};
            shared_.health = freshness_;
        }
        if (!change)
            return false;
        if (change->quality == Quality::stale)
            change->why += stale_because(now);
        const bool became_good = change->quality == Quality::good;
        post(interlock::ControllerLinkChanged{.bay = frame_.bay,
                                              .quality = change->quality,
                                              .why = std::move(change->why),
                                              .changes = change->changes});
        return became_good;
    }
    [[nodiscard]] std::string stale_because(Instant now) {
        if (outgoing_.loop_is_silent(now))
            return "; the station itself gave no new beat";
        const std::lock_guard lock{mutex_};
        return shared_.problem.empty() ? "" : "; " + shared_.problem;
    }
    void note_problem(const std::string& problem) {
        const std::lock_guard lock{mutex_};
        shared_.problem = problem;
    }
    void note_refused(const std::string& why) {
        const std::lock_guard lock{mutex_};
        shared_.refused = why;
    }
    void share_released() {
        auto released = outgoing_.released_on_wire();
        const std::lock_guard lock{mutex_};
        shared_.released = std::move(released);
    }

    // When a good line that says no more is stale.
    [[nodiscard]] Instant silence_at() const {
        if (freshness_.quality() != Quality::good || !freshness_.last_sign())
            return Instant::max();
        return *freshness_.last_sign() + frame_.link.echo_timeout + std::chrono::microseconds(1);
    }

    void post(interlock::Payload payload) {
        boost::asio::post(loop_, [self = shared_from_this(), payload = std::move(payload)]() mutable {
            if (!self->closed_)
                self->sink_(std::move(payload));
        });
    }

    boost::asio::io_context& loop_;
    const ControllerFrame frame_;
    Sink sink_;                               // the loop's
    std::function<void(Instant)> echo_;       // the loop's; may be empty
    bool closed_ = false;                     // the loop's
    std::vector<PermissiveOrder> published_;  // the loop's
    // The thread's.
    Outgoing outgoing_;
    Incoming incoming_;
    std::optional<CoilSignals> coils_;  // of equipment by coils, instead of `incoming_`
    Freshness freshness_;
    Backoff backoff_;
    Refusals refusals_;  // of masters in the server role, and of reports without end
    const ControllerPace pace_;
    Flood reports_{pace_.reports};
    Instant newest_news_{};
    bool flooding_ = false;
    std::optional<RegisterCalls> connection_;
    // Both.
    const std::shared_ptr<DurableMark> durable_;
    Waker waker_;
    DurableMark::Wait wait_{*durable_, waker_};
    mutable std::mutex mutex_;
    Shared shared_;
    std::thread thread_;
};

ControllerLink::ControllerLink(boost::asio::io_context& loop, const config::Station& station,
                               const config::Bay& bay, Sink sink, std::shared_ptr<DurableMark> durable,
                               ControllerPace pace, const std::optional<KnownOfBay>& known)
    : line_(std::make_shared<Line>(loop, controller_frame(station, bay), std::move(sink), std::move(durable),
                                   pace, known)) {}

ControllerLink::~ControllerLink() { line_->stop(); }

void ControllerLink::on_echo(std::function<void(SteadyTime as_of)> told) { line_->on_echo(std::move(told)); }

void ControllerLink::start() { line_->start(); }

void ControllerLink::lose_sight() { line_->lose_sight(); }
void ControllerLink::publish(std::vector<PermissiveOrder> orders, std::uint16_t beat) {
    line_->publish(std::move(orders), beat);
}

void ControllerLink::sensed(const config::IoInput& input, std::optional<bool> level) {
    line_->sensed(input, level);
}

std::vector<domain::PermissiveId> ControllerLink::released_on_wire() const {
    return line_->released_on_wire();
}

SourceHealth ControllerLink::health() const { return line_->health(); }

void ControllerLink::stop() { line_->stop(); }

std::uint16_t ControllerLink::listening_port() const { return line_->port(); }

}  // namespace tautgate::links
