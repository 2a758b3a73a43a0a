#include "service/links/tool_port.hpp"

#include <algorithm>
#include <array>
#include <deque>
#include <limits>
#include <map>
#include <optional>
#include <set>
#include <utility>
#include <variant>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <fmt/format.h>

#include "config/key_file.hpp"
#include "protocol/line.hpp"
#include "protocol/line_seal.hpp"
#include "service/journal/digest.hpp"
#include "service/links/flood.hpp"
#include "service/links/peer_address.hpp"
#include "service/links/receipts.hpp"
#include "service/links/refusals.hpp"
#include "service/links/tool_count.hpp"
#include "service/links/unattended.hpp"
#include "service/links/unread.hpp"

namespace tautgate::links {

namespace asio = boost::asio;
using boost::system::error_code;
using protocol::LineFault;
using std::chrono::milliseconds;

namespace {

// Silence, our beats and everything that waits are looked at so often; no limit is overrun by more.
constexpr milliseconds tool_look_interval{50};
// More than tools have to say, results kept over an outage and curves included. What is more is read later.
constexpr double lines_a_second = 1000;
// For a peer that was refused to read why, before the connection is closed.
constexpr milliseconds leaving_time{1000};
constexpr milliseconds tool_accept_pause{250};

// Before anything the tool could have told us, and far from where the arithmetic of intervals ends.
constexpr std::int64_t never_ns = std::numeric_limits<std::int64_t>::min() / 4;

std::int64_t ns(SteadyTime time) {
    return std::chrono::duration_cast<std::chrono::nanoseconds>(time.time_since_epoch()).count();
}

// A tool that may call, and what is known of it across its connections.
struct Caller {
    config::Tool tool;
    asio::ip::address peer;
    protocol::MeasuringRange range;
    Freshness freshness;
    Refusals refusals;
    std::optional<ToolTalk> talk{};  // of a tool that obeys
    std::optional<protocol::SharedKey> key{};
    // Of the newest result that was passed on in this epoch; 0: none.
    std::string epoch{};
    std::uint64_t newest = 0;
    std::int64_t newest_from_ns = never_ns;
    std::optional<SteadyTime> caught_up{};  // when it last said something and we lacked nothing

    // How long before its arrival a result can have been begun that was sent at once: the run itself, and as
    // long as the link may be silent before it counts as lost.
    [[nodiscard]] std::int64_t delay_ns() const {
        return std::chrono::nanoseconds(tool.longest_run + tool.silence_limit).count();
    }
};

// One connection.
struct ToolCall {
    explicit ToolCall(asio::ip::tcp::socket accepted) : socket(std::move(accepted)) {}

    asio::ip::tcp::socket socket;
    asio::ip::address peer{};
    SteadyTime since{};
    SteadyTime beat_at{};
    SteadyTime came_at{};                       // when bytes came
    std::optional<SteadyTime> leaving_since{};  // refused: what comes is not looked at any more
    bool open = true;
    bool reading = false;
    protocol::LineSplitter splitter{};
    // Of a tool with a key: what it said before it has proved who it is, and then the seals.
    std::optional<protocol::Hello> unproved{};
    std::optional<protocol::LineSeal> seal{};
    std::array<char, 4096> incoming{};
    std::deque<std::string> outgoing{};
    std::size_t unsent = 0;
    // From the hello on:
    Caller* caller = nullptr;
    std::uint64_t last_at_hello = 0;
    std::uint64_t had_at_hello = 0;  // of those, what we had
    std::int64_t offline_from_ns =
        never_ns;  // what was made while we did not hear the tool was made after this
    std::optional<ToolCount> count{};
    std::set<std::uint64_t> unconfirmed{};
    protocol::TraceParts trace_parts{};
    Flood flood{lines_a_second};
    bool is_flooded = false;
    Unread unread{};
    Receipts receipts{};

    // The tool said nothing of a result that is not here.
    [[nodiscard]] bool lacks_nothing() const {
        return std::max(caller->newest, had_at_hello) >= last_at_hello && count && !count->waiting();
    }
};
using ToolCallPtr = std::shared_ptr<ToolCall>;

// Only to read a line by before it is known whose it is; such a line is no result that anybody takes.
const protocol::MeasuringRange any_range{
    .torque_resolution = {1}, .angle_resolution = {1}, .torque_max = {1'000'000'000'000}};

}  // namespace

class ToolPort::Port : public std::enable_shared_from_this<Port> {
  public:
    Port(asio::io_context& loop, const config::Station& station, Sink sink, TraceSink traces,
         WantedFrom wanted, ToolPortSettings settings)
        : endpoint_(station.tool_port), sink_(std::move(sink)), traces_(std::move(traces)),
          wanted_(std::move(wanted)), settings_(std::move(settings)), acceptor_(loop), accept_again_(loop),
          look_(loop) {
        for (const config::Tool& tool : station.tools) {
            if (std::holds_alternative<config::LineLink>(tool.link))
                add(tool);
        }
    }

    [[nodiscard]] std::expected<void, std::string> listen() {
        if (!endpoint_)
            return {};
        for (const auto& [id, caller] : callers_) {
            if (caller.peer.is_unspecified())
                return std::unexpected(
                    fmt::format("tool {} may call from '{}', which is no IP address; correct its peer in the "
                                "station description",
                                id, std::get<config::LineLink>(caller.tool.link).peer));
        }
        if (const auto read = read_keys(); !read)
            return read;
        if (const auto open = open_acceptor(acceptor_, *endpoint_, "tools", "tool_port"); !open)
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

    void acknowledge(const interlock::Acknowledge& stored) {
        const ToolCallPtr call = call_of(stored.tool.text);
        if (!call || call->caller->epoch != stored.epoch)
            return;
        call->unconfirmed.erase(call->unconfirmed.begin(), call->unconfirmed.upper_bound(stored.counter));
        send(call, to_line(protocol::Acknowledge{stored.counter}));
        read(call);
    }

    void trace_stored(const interlock::TraceReceived& stored) {
        const ToolCallPtr call = call_of(stored.tool.text);
        if (call && call->caller->epoch == stored.epoch)
            send(call, to_line(protocol::TraceStored{stored.counter}));
    }
    void order(const domain::ToolId& tool, RunOrder order) {
        const auto found = callers_.find(tool.text);
        if (found == callers_.end() || !found->second.talk)
            return;
        found->second.talk->order(std::move(order));
        if (const ToolCallPtr call = call_of(tool.text))
            tell_order(call, std::chrono::steady_clock::now());
    }

    [[nodiscard]] std::vector<SourceHealth> health(SteadyTime now) const {
        std::vector<SourceHealth> all;
        for (const auto& [id, caller] : callers_) {
            all.push_back(caller.freshness.health(id, now));
            const ToolCallPtr call = call_of(id);
            if (call && is_full(*call))
                all.back().why =
                    fmt::format("{} of its results wait to be stored; no more are read until then",
                                call->unconfirmed.size());
        }
        return all;
    }

    void stop() {
        stopped_ = true;
        error_code ignored;  // they are given up either way
        (void)acceptor_.close(ignored);
        accept_again_.cancel();
        look_.cancel();
        for (const ToolCallPtr& call : std::exchange(calls_, {}))
            shut(*call);
    }

  private:
    void add(const config::Tool& tool) {
        error_code failed;
        auto peer = asio::ip::make_address(std::get<config::LineLink>(tool.link).peer, failed);
        const protocol::MeasuringRange range{.torque_resolution = tool.torque_resolution,
                                             .angle_resolution = tool.angle_resolution,
                                             .torque_max = tool.torque_max};
        callers_.emplace(tool.id, Caller{.tool = tool,
                                         .peer = failed ? asio::ip::address{} : without_mapping(peer),
                                         .range = range,
                                         .freshness = Freshness{{tool.silence_limit, tool.settling}},
                                         .refusals = Refusals{tool.id}});
        if (tool.control)
            callers_.at(tool.id).talk.emplace(domain::ToolId{tool.id}, tool.control->answer_within);
    }

    // Without its key a tool could not be told from another, so that none is listened to.
    [[nodiscard]] std::expected<void, std::string> read_keys() {
        for (auto& [id, caller] : callers_) {
            const std::string& file = std::get<config::LineLink>(caller.tool.link).key;
            if (file.empty())
                continue;
            auto key = config::read_key_file(settings_.keys / file);
            if (!key)
                return std::unexpected(fmt::format("the key of tool {} cannot be used: {}", id, key.error()));
            caller.key = *key;
        }
        return {};
    }

    void tell(interlock::Payload payload) {
        if (!stopped_)
            sink_(std::move(payload));
    }
    void tell_if(std::optional<interlock::InputRefused> refused) {
        if (refused)
            tell(std::move(*refused));
    }
    void tell_if(const Caller& caller, std::optional<QualityChange> change) {
        if (change)
            tell(interlock::ToolLinkChanged{
                {caller.tool.id}, change->quality, std::move(change->why), change->changes});
    }

    [[nodiscard]] ToolCallPtr call_of(const std::string& tool) const {
        const auto found = std::ranges::find_if(calls_, [&](const ToolCallPtr& call) {
            return call->open && call->caller != nullptr && call->caller->tool.id == tool;
        });
        return found == calls_.end() ? nullptr : *found;
    }
    [[nodiscard]] bool is_full(const ToolCall& call) const {
        return call.unconfirmed.size() + (call.count ? call.count->held() : 0) >= settings_.unconfirmed;
    }

    // ---- connections ----------------------------------------------------------------------------------

    void accept() {
        unattended_.end(somebody_waits(acceptor_));
        acceptor_.async_accept(
            [self = shared_from_this()](const error_code& error, asio::ip::tcp::socket socket) {
                if (self->stopped_)
                    return;
                if (error)
                    return self->accept_later();
                self->welcome_peer(std::move(socket));
                self->accept();
            });
    }
    // What failed (most likely no descriptor was free) does not get better by asking at once.
    void accept_later() {
        unattended_.begin(std::chrono::steady_clock::now());
        accept_again_.expires_after(tool_accept_pause);
        accept_again_.async_wait([self = shared_from_this()](const error_code& error) {
            if (!error && !self->stopped_)
                self->accept();
        });
    }
    void welcome_peer(asio::ip::tcp::socket socket) {
        error_code gone;
        const auto remote = socket.remote_endpoint(gone);
        if (gone)
            return;
        const auto now = std::chrono::steady_clock::now();
        if (calls_.size() >= settings_.connections)
            return tell_if(refusals_.add(now, {},
                                         fmt::format("{} called while {} connections were open",
                                                     remote.address().to_string(), calls_.size())));
        error_code ignored;  // without it the link is only slower
        (void)socket.set_option(asio::ip::tcp::no_delay(true), ignored);
        const auto call = std::make_shared<ToolCall>(std::move(socket));
        call->peer = without_mapping(remote.address());
        call->since = now;
        if (const auto waited_since = unattended_.since())
            call->unread.begin(*waited_since);
        calls_.push_back(call);
        read(call);
        const bool known =
            std::ranges::any_of(callers_, [&](const auto& entry) { return entry.second.peer == call->peer; });
        if (!known)
            turn_away(call, refusals_, {},
                      {fmt::format("no tool may call from {}", call->peer.to_string()),
                       "enter the address as the peer of the tool in the station description",
                       {}});
    }
    void shut(ToolCall& call) {
        call.open = false;
        error_code ignored;  // the socket is given up either way
        (void)call.socket.close(ignored);
    }
    // Ends a connection; `why` is told of the tool, unless it is known to be lost already.
    void hang_up(const ToolCallPtr& call, const std::string& why) {
        if (!call->open)
            return;
        shut(*call);
        std::erase(calls_, call);
        Caller* const caller = call->caller;
        if (caller == nullptr)
            return;
        tell_if(caller->refusals.rest());
        if (caller->freshness.quality() != interlock::Quality::stale)
            tell_if(*caller, caller->freshness.failed(std::chrono::steady_clock::now(), why));
    }

    // ---- looking at what is due -----------------------------------------------------------------------

    void look_later() {
        look_.expires_after(tool_look_interval);
        look_.async_wait([self = shared_from_this()](const error_code& error) {
            if (error || self->stopped_)
                return;
            self->look(std::chrono::steady_clock::now());
            if (!self->stopped_)
                self->look_later();
        });
    }
    void look(SteadyTime now) {
        hang_up_on_late(now);
        for (auto& [id, caller] : callers_) {
            tell_if(caller, caller.freshness.look(now));
            tell_if(caller.refusals.due(now));
        }
        tell_if(refusals_.due(now));
        const auto calls = calls_;
        for (const ToolCallPtr& call : calls) {
            if (call->open)
                look_at(call, now);
        }
    }
    // It goes on saying something, and no answer to a beat of ours is young enough.
    void hang_up_on_late(SteadyTime now) {
        const auto calls = calls_;
        for (const ToolCallPtr& call : calls) {
            if (call->caller == nullptr || call->leaving_since)
                continue;
            const auto limit = call->caller->tool.silence_limit;
            const auto proved = call->caller->freshness.last_sign();
            if (proved && now - *proved > limit && now - call->came_at <= limit)
                hang_up(call,
                        fmt::format("it has answered none of the station's beats of the last {} ms: what "
                                    "it says is late, or its program does not answer them",
                                    limit.count()));
        }
    }
    // Often enough that one that is lost between does not make the tool seem late.
    [[nodiscard]] milliseconds beat_interval_of(const ToolCall& call) const {
        return std::min(settings_.beat_interval, call.caller->tool.silence_limit / 4);
    }
    void beat(const ToolCallPtr& call, SteadyTime now) {
        call->beat_at = now;
        call->receipts.sent(next_beat_, now);
        send(call, to_line(protocol::Beat{next_beat_++}));
    }
    void look_at(const ToolCallPtr& call, SteadyTime now) {
        if (call->leaving_since) {
            if (now - *call->leaving_since >= leaving_time)
                hang_up(call, "it was refused");
            return;
        }
        if (call->caller == nullptr) {
            if (now - call->since >= settings_.hello_time)
                turn_away(call, refusals_, {},
                          {fmt::format("{} called and did not say hello", call->peer.to_string()),
                           "say hello first on every connection",
                           {}});
            return;
        }
        const auto heard = call->caller->freshness.last_sign();
        if (heard && now - *heard > call->caller->tool.silence_limit)
            return hang_up(call, "it was silent");
        call->unread.look(call->reading);
        look_at_flood(call, now);
        follow(call, call->count->look(now));
        tell_order(call, now);
        if (call->open && now - call->beat_at >= beat_interval_of(*call))
            beat(call, now);
        read(call);
    }

    // ---- bytes ----------------------------------------------------------------------------------------

    void read(const ToolCallPtr& call) {
        if (!call->open || call->reading)
            return;
        if (is_full(*call) || call->is_flooded)
            return call->unread.begin(call->came_at);
        call->reading = true;
        call->socket.async_read_some(
            asio::buffer(call->incoming),
            [self = shared_from_this(), call](const error_code& error, std::size_t count) {
                call->reading = false;
                if (!call->open)
                    return;
                if (error)
                    return self->hang_up(call, error == asio::error::eof
                                                   ? "the tool closed the connection"
                                                   : "the connection broke: " + error.message());
                if (!call->leaving_since)
                    self->take_bytes(call, {call->incoming.data(), count});
                if (count < call->incoming.size() && !self->is_full(*call) && !call->is_flooded)
                    call->unread.end();
                self->read(call);
            });
    }
    void take_bytes(const ToolCallPtr& call, std::string_view bytes) {
        call->came_at = std::chrono::steady_clock::now();
        call->unread.came();
        call->splitter.feed(bytes);
        while (call->open && !call->leaving_since) {
            const auto line = call->splitter.next();
            if (!line)
                break;
            call->flood.frame(call->came_at);
            if (*line)
                take_line(call, **line);
            else
                refuse_line(call, line->error());
        }
        look_at_flood(call, call->came_at);
    }
    // One that says more than it can have to say is read later, and holds nobody else up.
    void look_at_flood(const ToolCallPtr& call, SteadyTime now) {
        call->is_flooded = !call->flood.has_room(now);
        if (call->is_flooded && call->flood.is_news())
            tell_if(refusals_of(*call).add(
                now, {},
                fmt::format("it sends more than {} lines a second; what is more is read later; look what it "
                            "sends with tautgate look",
                            lines_a_second)));
    }
    void send(const ToolCallPtr& call, std::string bytes) {
        if (!call->open)
            return;
        if (call->unsent > settings_.unsent)
            return;  // its end is on the way
        if (call->seal)
            bytes = call->seal->seal(bytes);
        call->unsent += bytes.size();
        call->outgoing.push_back(std::move(bytes));
        if (call->unsent > settings_.unsent)  // not from in here: the caller may be the sink's owner
            asio::post(call->socket.get_executor(), [self = shared_from_this(), call] {
                self->hang_up(call, "it does not take what is sent to it");
            });
        if (call->outgoing.size() == 1)
            write(call);
    }
    void write(const ToolCallPtr& call) {
        asio::async_write(call->socket, asio::buffer(call->outgoing.front()),
                          [self = shared_from_this(), call](const error_code& error, std::size_t count) {
                              if (!call->open)
                                  return;
                              if (error)
                                  return self->hang_up(call, "the connection broke: " + error.message());
                              call->unsent -= count;
                              call->outgoing.pop_front();
                              if (!call->outgoing.empty())
                                  self->write(call);
                              else if (call->leaving_since)
                                  self->say_no_more(*call);
                          });
    }
    // The peer reads the end of the stream after what was sent. Closed at once, with its bytes unread, the
    // connection would be reset, and the refusal might be lost.
    static void say_no_more(ToolCall& call) {
        error_code ignored;  // it is closed soon either way
        (void)call.socket.shutdown(asio::ip::tcp::socket::shutdown_send, ignored);
    }

    // ---- lines ----------------------------------------------------------------------------------------

    void refuse(const ToolCallPtr& call, const LineFault& fault) {
        send(call, to_line(protocol::Refused{fault.what, fault.remedy}));
        tell_if(refusals_of(*call).add(std::chrono::steady_clock::now(), fault.raw, fault.what));
    }
    // A line that may have told of a result leaves unknown where the tool's count stands; with the next hello
    // it says so.
    void refuse_line(const ToolCallPtr& call, const LineFault& fault) {
        if (call->caller == nullptr || !protocol::may_be_result(fault.raw))
            return refuse(call, fault);
        turn_away(call, call->caller->refusals, fault.raw, fault);
    }
    [[nodiscard]] Refusals& refusals_of(ToolCall& call) {
        if (call.caller != nullptr)
            return call.caller->refusals;
        return call.unproved ? callers_.at(call.unproved->tool).refusals : refusals_;
    }
    void turn_away(const ToolCallPtr& call, Refusals& refusals, std::string raw, const LineFault& fault) {
        const auto now = std::chrono::steady_clock::now();
        call->leaving_since = now;
        send(call, to_line(protocol::Refused{fault.what, fault.remedy}));
        tell_if(refusals.add(now, std::move(raw), fault.what));
        if (call->caller != nullptr)
            tell_if(*call->caller, call->caller->freshness.failed(
                                       now, "the connection is ended over a line of it: " + fault.what));
    }
    void take_line(const ToolCallPtr& call, std::string_view line) {
        if (call->seal) {
            const auto opened = call->seal->open(line);
            if (!opened)
                return turn_away(call, refusals_of(*call), opened.error().raw, opened.error());
            line = *opened;
            if (call->unproved)
                welcome_proved(call);
            if (call->leaving_since || !call->open)
                return;
        }
        const auto message =
            protocol::parse_line(line, call->caller != nullptr ? call->caller->range : any_range);
        if (!message)
            return refuse_line(call, message.error());
        if (call->caller == nullptr) {
            if (const auto* hello = std::get_if<protocol::Hello>(&*message))
                return take(call, *hello, std::string(line));
            return refuse(call, {"the first line was no hello", "say hello first on every connection",
                                 std::string(line)});
        }
        if (std::holds_alternative<protocol::Hello>(*message))
            return refuse(call, {"hello was already said on this connection",
                                 "close and connect again to say another one", std::string(line)});
        const auto now = std::chrono::steady_clock::now();
        if (const auto* answer = std::get_if<protocol::Beat>(&*message))
            take(call, *answer, now);
        if (!call->open)
            return;
        if (const auto* result = std::get_if<protocol::LineResult>(&*message))
            take(call, *result, now);
        note_caught_up(*call, now);
        if (const auto* part = std::get_if<protocol::TracePart>(&*message); part != nullptr)
            take(call, *part, line);
        if (const auto* says = std::get_if<protocol::ToolSays>(&*message))
            take(call, *says, line, now);
    }

    // A sign of life is as old as the beat that it answers; one that answers none shows nothing.
    void take(const ToolCallPtr& call, const protocol::Beat& answer, SteadyTime now) {
        if (!call->receipts.answered(answer.number))
            return;
        Caller& caller = *call->caller;
        const auto said = *call->receipts.since();
        if (now - said <= caller.tool.silence_limit)
            tell_if(caller, caller.freshness.alive(said));
    }

    // ---- whether it may run -----------------------------------------------------------------------------

    void tell_order(const ToolCallPtr& call, SteadyTime now) {
        if (!call->open || call->leaving_since || call->caller == nullptr || !call->caller->talk)
            return;
        ToolTalk& talk = *call->caller->talk;
        const auto order = talk.to_tell(now);
        if (!order)
            return;
        send(call, order->enabled ? to_line(protocol::Enable{order->number.value, order->program})
                                  : to_line(protocol::Disable{order->number.value}));
        talk.told(now);
    }
    void take(const ToolCallPtr& call, const protocol::ToolSays& says, std::string_view line,
              SteadyTime now) {
        Caller& caller = *call->caller;
        if (!caller.talk)
            return refuse(call,
                          {"nobody lets this tool run or stops it",
                           "enter \"control\" for the tool in the station description, or send no state",
                           std::string(line)});
        // The answer to an earlier order says nothing of this one.
        if (says.order != caller.talk->order_told().number.value)
            return;
        if (auto word = caller.talk->hear({says.enabled, says.program, caller.epoch, says.last}, now))
            tell(std::move(*word));
    }

    // A connection that breaks before it brought what was made meanwhile moves nothing forward.
    static void note_caught_up(const ToolCall& call, SteadyTime now) {
        const auto said = call.receipts.since();
        if (!said || !call.lacks_nothing())
            return;
        const auto at = std::min(call.unread.came_at(now), *said);
        call.caller->caught_up = std::max(call.caller->caught_up.value_or(at), at);
    }

    void take(const ToolCallPtr& call, const protocol::Hello& hello, std::string raw) {
        const auto found = callers_.find(hello.tool);
        if (found == callers_.end())
            return turn_away(call, refusals_, std::move(raw),
                             {fmt::format("no tool '{}' with this protocol is known here", hello.tool),
                              "say the tool's id of the station description",
                              {}});
        Caller& caller = found->second;
        if (caller.peer != call->peer)
            return turn_away(call, caller.refusals, std::move(raw),
                             {fmt::format("tool {} may not call from {}, only from {}", hello.tool,
                                          call->peer.to_string(), caller.peer.to_string()),
                              "connect from there, or enter the address in the station description",
                              {}});
        if (caller.key.has_value() != !hello.nonce.empty())
            return turn_away(call, caller.refusals, std::move(raw), wrong_kind_of_hello(caller));
        if (caller.key)
            return challenge(call, caller, hello, raw);
        bind_alone(call, caller, hello, std::move(raw));
    }
    [[nodiscard]] static LineFault wrong_kind_of_hello(const Caller& caller) {
        if (caller.key)
            return {fmt::format("tool {} has a key, and its hello bears no nonce", caller.tool.id),
                    "give the tool its key, or take the key out of the station description",
                    {}};
        return {fmt::format("tool {} speaks with a key that the station does not have", caller.tool.id),
                "enter the key's file for the tool in the station description",
                {}};
    }
    // Who it is shows with its first sealed line; until then it is nobody, and blocks nobody.
    void challenge(const ToolCallPtr& call, Caller& caller, const protocol::Hello& hello,
                   const std::string& raw) {
        if (!protocol::is_nonce(hello.nonce))
            return turn_away(
                call, caller.refusals, raw,
                {"the nonce of hello is no 32 hexadecimal digits", "send a new one with each hello", {}});
        const std::string nonce = protocol::fresh_nonce();
        send(call, to_line(protocol::Challenge{nonce}));
        call->splitter.allow(protocol::sealed_limit);
        call->unproved = hello;
        call->seal.emplace(*caller.key, protocol::LineSeal::Side::station, raw, nonce);
    }
    void welcome_proved(const ToolCallPtr& call) {
        const protocol::Hello hello = *std::exchange(call->unproved, std::nullopt);
        bind_alone(call, callers_.at(hello.tool), hello, {});
    }
    void bind_alone(const ToolCallPtr& call, Caller& caller, const protocol::Hello& hello, std::string raw) {
        if (call_of(hello.tool))
            return turn_away(call, caller.refusals, std::move(raw),
                             {fmt::format("tool {} is connected already", hello.tool),
                              "close the other connection, or give this tool an id of its own",
                              {}});
        bind(call, caller, hello);
    }
    void bind(const ToolCallPtr& call, Caller& caller, const protocol::Hello& hello) {
        if (caller.epoch != hello.epoch) {
            caller.epoch = hello.epoch;
            caller.newest = 0;
            caller.newest_from_ns = never_ns;
        }
        call->caller = &caller;
        call->last_at_hello = hello.last;
        if (caller.caught_up)
            call->offline_from_ns = ns(*caller.caught_up) - caller.delay_ns();
        const auto now = std::chrono::steady_clock::now();
        const domain::ToolId id{hello.tool};
        // Until the count is known nothing of this call may be looked at; the sink may acknowledge meanwhile.
        call->count.emplace(1, settings_.resend_time);
        tell_if(caller, caller.freshness.alive(now));
        tell(interlock::ToolAnswered{id, hello.epoch, hello.last});
        if (!call->open)
            return;
        const std::uint64_t from = std::max<std::uint64_t>(1, wanted_(id, hello.epoch));
        call->had_at_hello = from - 1;
        call->count.emplace(from, settings_.resend_time);
        note_caught_up(*call, now);
        send(call, to_line(protocol::Welcome{from}));
        beat(call, now);
        if (caller.talk)
            caller.talk->connected();
        tell_order(call, now);
    }

    // ---- results --------------------------------------------------------------------------------------

    void take(const ToolCallPtr& call, const protocol::LineResult& result, SteadyTime now) {
        // The result stands; which of its values was not taken, and why, is told beside it.
        if (!result.notes.empty())
            tell_if(call->caller->refusals.add(now, result.reading.received.raw,
                                               fmt::format("{}", fmt::join(result.notes, "; "))));
        follow(call, call->count->take({result.reading, made_of(*call, result.reading.counter, now)}, now));
    }
    // In the order in which they come, whether their results are known or wait for others.
    void take(const ToolCallPtr& call, const protocol::TracePart& part, std::string_view line) {
        Caller& caller = *call->caller;
        auto step = call->trace_parts.take(part, caller.range);
        for (protocol::TraceFault& fault : step.faults)
            refuse(call, {std::move(fault.what), std::move(fault.remedy), std::string(line)});
        if (!step.complete || !call->open || stopped_)
            return;
        if (!traces_(arrived({caller.tool.id}, caller.epoch, step.complete->counter, step.complete->trace)))
            refuse(call, {too_many_curves, fewer_curves, std::string(line)});
    }
    void follow(const ToolCallPtr& call, ToolCount::Step step) {
        for (ArrivedResult& result : step.pass_on) {
            if (call->open)
                pass_on(*call, std::move(result));
        }
        if (step.ask_from)
            send(call, to_line(protocol::Welcome{*step.ask_from}));
    }
    void pass_on(ToolCall& call, ArrivedResult result) {
        Caller& caller = *call.caller;
        if (result.reading.counter > caller.newest) {
            caller.newest = result.reading.counter;
            caller.newest_from_ns = result.made.from_ns;
        }
        call.unconfirmed.insert(result.reading.counter);
        const std::uint64_t digest = journal::short_name(journal::sha256(result.reading.received.raw));
        tell(interlock::ResultReceived{
            {caller.tool.id}, caller.epoch, std::move(result.reading), std::move(result.made), digest});
    }
    // When a result that arrived at `now` can have been made. The tool's own stamp has no say: a clock that
    // was set while we did not hear the tool would move the result to another unit, and nobody would see it.
    [[nodiscard]] domain::Interval made_of(const ToolCall& call, std::uint64_t counter,
                                           SteadyTime now) const {
        const Caller& caller = *call.caller;
        domain::Interval made{ns(call.unread.came_at(now)) - caller.delay_ns(), ns(now), settings_.boot};
        const auto said = call.receipts.since();
        if (said)
            made.from_ns = std::min(made.from_ns, ns(*said - caller.tool.longest_run));
        if (counter <= caller.newest)  // one that comes after a later one may be of any age
            made.from_ns = never_ns;
        else if (call.count
                     ->waiting())  // missed at first; all that is sure is that its predecessor was earlier
            made.from_ns = std::min(made.from_ns, caller.newest_from_ns);
        else if (counter <= call.last_at_hello || !said)  // kept in the tool until it could call, perhaps
            made.from_ns = std::min(made.from_ns, std::max(caller.newest_from_ns, call.offline_from_ns));
        return made;
    }

    std::optional<config::Endpoint> endpoint_;
    Sink sink_;
    TraceSink traces_;
    WantedFrom wanted_;
    ToolPortSettings settings_;
    asio::ip::tcp::acceptor acceptor_;
    asio::steady_timer accept_again_;
    Unattended unattended_;
    asio::steady_timer look_;
    std::map<std::string, Caller> callers_;
    std::vector<ToolCallPtr> calls_;
    Refusals refusals_{"tool port"};  // of peers that are no tool
    std::uint64_t next_beat_ = 1;     // never one again, so that no answer passes for another's
    bool stopped_ = false;
};

ToolPort::ToolPort(asio::io_context& loop, const config::Station& station, Sink sink, TraceSink traces,
                   WantedFrom wanted, ToolPortSettings settings)
    : port_(std::make_shared<Port>(loop, station, std::move(sink), std::move(traces), std::move(wanted),
                                   std::move(settings))) {}
ToolPort::~ToolPort() { port_->stop(); }

std::expected<void, std::string> ToolPort::listen() { return port_->listen(); }
std::uint16_t ToolPort::port() const { return port_->port(); }
void ToolPort::order(const domain::ToolId& tool, RunOrder order) { port_->order(tool, std::move(order)); }
void ToolPort::acknowledge(const interlock::Acknowledge& stored) { port_->acknowledge(stored); }
void ToolPort::trace_stored(const interlock::TraceReceived& stored) { port_->trace_stored(stored); }
std::vector<SourceHealth> ToolPort::health(SteadyTime now) const { return port_->health(now); }
void ToolPort::stop() { port_->stop(); }

}  // namespace tautgate::links
