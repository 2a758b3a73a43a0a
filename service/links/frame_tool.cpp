#include "service/links/frame_tool.hpp"

#include <algorithm>
#include <deque>
#include <random>
#include <stdexcept>
#include <utility>
#include <variant>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <fmt/format.h>

#include "protocol/frame_compose.hpp"
#include "protocol/frame_decode.hpp"
#include "protocol/frame_splitter.hpp"
#include "protocol/text.hpp"
#include "service/links/byte_stream.hpp"
#include "service/links/flood.hpp"
#include "service/links/frame_results.hpp"
#include "service/links/freshness.hpp"
#include "service/links/refusals.hpp"
#include "service/links/unread.hpp"

namespace tautgate::links {

using boost::system::error_code;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

// Silence, what is to be sent and everything that waits are looked at so often; no limit is overrun by more.
constexpr milliseconds frame_look_interval{20};
constexpr double frames_a_second = 200;
// Of a frame that is refused; its length is told.
constexpr std::size_t refused_bytes_kept = 4096;

[[nodiscard]] const protocol::FrameProfile& frames_of(const config::Station& station,
                                                      const config::Tool& tool) {
    if (const protocol::FrameProfile* profile = config::frame_profile(station, tool))
        return *profile;
    throw std::invalid_argument(fmt::format(
        "tool {} has no frame profile that the station knows; check the station description first", tool.id));
}

[[nodiscard]] std::uint64_t seed_of_counts() {
    std::random_device random;
    return std::uint64_t{random()} << 32U | random();
}

[[nodiscard]] std::string in_words(const protocol::DecodeFault& fault) {
    std::string why = fault.field.empty() ? fault.what : fault.field + ": " + fault.what;
    return fault.remedy.empty() ? why : why + "; " + fault.remedy;
}

}  // namespace

class FrameTool::Talker : public std::enable_shared_from_this<Talker> {
  public:
    struct Ends {
        Sink sink;
        TraceSink traces;
        Known known;
    };
    Talker(boost::asio::io_context& loop, const config::Station& station, const config::Tool& tool, Ends ends,
           FrameToolSettings settings)
        : loop_(loop), tool_(tool), profile_(frames_of(station, tool)), settings_(std::move(settings)),
          ends_(std::move(ends)), freshness_({.silence = tool.silence_limit, .settling = tool.settling}),
          refusals_(tool.id), look_(loop), stream_(loop, std::get<config::FrameLink>(tool.link).way, tool.id,
                                                   hooks(), {.redial = settings_.redial}) {
        if (tool.control && profile_.control)
            talk_.emplace(domain::ToolId{tool.id}, tool.control->answer_within);
    }

    void start() {
        if (results_ || stopped_)
            return;
        results_.emplace(profile_, tool_, ends_.known ? ends_.known() : std::nullopt, settings_.boot,
                         seed_of_counts());
        stream_.start();
        look_later();
    }
    void acknowledge(const interlock::Acknowledge& stored) {
        if (!results_ || stopped_)
            return;
        for (const std::uint64_t number : results_->stored(stored, steady_clock::now()))
            send_acknowledgement(number);
        // Not from in here: the caller may be the sink's owner.
        boost::asio::post(loop_, [self = shared_from_this()] { self->work(); });
    }
    void order(RunOrder order) {
        if (!talk_)
            return;
        talk_->order(std::move(order));
        tell_order(steady_clock::now());
    }
    [[nodiscard]] SourceHealth health() const {
        SourceHealth health = freshness_.health(tool_.id, steady_clock::now());
        if (splitter_ && is_full())
            health.why = fmt::format("{} of its results wait to be stored; no more are read until then",
                                     results_->unconfirmed());
        else if (splitter_ && !results_->stands())
            health.why =
                "it is connected and has not said yet where its count stands; it has to send a status "
                "with `newest` when somebody connects, or as its sign of life";
        if (health.quality != interlock::Quality::good && !refused_last_.empty())
            health.why += fmt::format("; what came last was refused: {}", refused_last_);
        return health;
    }
    [[nodiscard]] std::uint16_t port() const { return stream_.port(); }
    void stop() {
        if (std::exchange(stopped_, true))
            return;
        look_.cancel();
        std::string rest;  // nobody is there to let it run
        if (talk_)
            if (auto disable = protocol::compose(profile_, profile_.control->disable))
                rest = std::move(*disable);
        stream_.stop(rest);
    }

  private:
    // The stream calls none of them once it is stopped, and that is before this ends.
    [[nodiscard]] ByteStream::Hooks hooks() {
        return {.opened = [this](std::optional<SteadyTime> waited_since) { opened(waited_since); },
                .came = [this](std::string_view bytes) { came(bytes); },
                .ended = [this](std::string why) { ended(std::move(why)); },
                .refused = [this](std::string why) { refuse({}, std::move(why)); }};
    }

    void tell(interlock::Payload payload) {
        if (!stopped_)
            ends_.sink(std::move(payload));
    }
    void tell_if(std::optional<interlock::InputRefused> refused) {
        if (refused)
            tell(std::move(*refused));
    }
    void tell_if(std::optional<QualityChange> change) {
        if (change)
            tell(interlock::ToolLinkChanged{
                {tool_.id}, change->quality, std::move(change->why), change->changes});
    }
    void refuse(std::string raw, std::string why) {
        if (raw.size() > refused_bytes_kept) {
            why += fmt::format(" ({} bytes; the first {} are kept)", raw.size(), refused_bytes_kept);
            raw.resize(refused_bytes_kept);
        }
        refused_last_ = why;
        tell_if(refusals_.add(steady_clock::now(), std::move(raw), std::move(why)));
    }

    // ---- the connection -------------------------------------------------------------------------------

    void opened(std::optional<SteadyTime> waited_since) {
        const SteadyTime now = steady_clock::now();
        splitter_.emplace(profile_);
        // What was not read is gone with the connection; a line still has it.
        if (!std::holds_alternative<config::SerialLine>(std::get<config::FrameLink>(tool_.link).way))
            unread_ = {};
        if (waited_since)
            unread_.begin(*waited_since);
        results_->connected(now);
        connected_at_ = came_at_ = beat_at_ = now;
        heard_at_.reset();
        ordered_.reset();
        for (const protocol::FrameToSend& frame : profile_.on_connect)
            send(frame);
        if (talk_)
            talk_->connected();
        tell_order(now);
        if (profile_.keep_alive)
            send(profile_.keep_alive->frame);
    }
    // What came whole before the end counts, be it too much or not.
    void ended(std::string why) {
        if (splitter_) {
            queue(splitter_->give_up());
            while (!waiting_.empty() && !stopped_)
                take_next(steady_clock::now());
            follow(results_->rest(steady_clock::now()), steady_clock::now());
            splitter_.reset();
        }
        tell_if(refusals_.rest());
        if (freshness_.quality() != interlock::Quality::stale)
            tell_if(freshness_.failed(steady_clock::now(), std::move(why)));
    }
    void look_later() {
        look_.expires_after(frame_look_interval);
        look_.async_wait([self = shared_from_this()](const error_code& error) {
            if (error || self->stopped_)
                return;
            self->look(steady_clock::now());
            if (!self->stopped_)
                self->look_later();
        });
    }
    void look(SteadyTime now) {
        tell_if(freshness_.look(now));
        tell_if(refusals_.due(now));
        if (!splitter_ || stopped_)
            return;
        // Where it is us who do not read, its silence within a frame says nothing.
        if (waiting_.empty() && is_broken_off(now) && !(profile_.checksum && stream_.holds_more()))
            queue(splitter_->give_up());
        work();
        if (!splitter_ || stopped_)
            return;
        unread_.look(reads_on_);
        if (now - heard_at_.value_or(connected_at_) > tool_.silence_limit)
            return stream_.hang_up(fmt::format("nothing was heard for {} ms", tool_.silence_limit.count()));
        follow(results_->look(now), now);
        tell_order(now);
        if (profile_.keep_alive && now - beat_at_ >= profile_.keep_alive->every) {
            beat_at_ = now;
            send(profile_.keep_alive->frame);
        }
    }

    // ---- what comes -----------------------------------------------------------------------------------

    void came(std::string_view bytes) {
        const SteadyTime now = steady_clock::now();
        // Nothing would tell the rest of it from the rest of another.
        if (!profile_.checksum && !unread_.since() && is_broken_off(now))
            queue(splitter_->give_up());
        came_at_ = now;
        unread_.came();
        flood_.bytes(came_at_, bytes.size());
        queue(splitter_->take(bytes));
        work();
        if (reads_on_ && bytes.size() < ByteStream::one_read)
            unread_.end();
    }
    // A frame that began has not gone on for its pause, as far as was read.
    [[nodiscard]] bool is_broken_off(SteadyTime now) const {
        return splitter_->half() && now - came_at_ >= profile_.pause;
    }
    void queue(std::vector<protocol::Cut> cuts) { std::ranges::move(cuts, std::back_inserter(waiting_)); }
    [[nodiscard]] bool is_full() const {
        return profile_.acknowledge && results_->unconfirmed() >= settings_.unconfirmed;
    }
    // Takes what waits, as far as there is room; what is more waits here, and behind it unread.
    void work() {
        const SteadyTime now = steady_clock::now();
        results_->read_late(unread_.since());
        while (!stopped_ && splitter_ && !waiting_.empty() && !is_full() && flood_.has_room(now))
            take_next(now);
        if (stopped_ || !splitter_)
            return;
        const bool is_flooded = !flood_.has_room(now);
        if (is_flooded && flood_.is_news())
            refuse({},
                   fmt::format("it sends more than {} frames or {} KiB that are no frames a second; what is "
                               "more is read later; look what it sends with tautgate look",
                               frames_a_second, Flood::garbage_a_second / 1024));
        if (stopped_ || !splitter_)
            return;
        reads_on_ = waiting_.empty() && !is_full() && !is_flooded;
        if (!reads_on_)
            unread_.begin(came_at_);
        stream_.read_on(reads_on_);
    }
    void take_next(SteadyTime now) {
        const protocol::Cut cut = std::move(waiting_.front());
        waiting_.pop_front();
        if (const auto* garbage = std::get_if<protocol::Garbage>(&cut)) {
            std::string why = fmt::format("{}: {}", protocol::counted(garbage->bytes, "byte"), garbage->why);
            if (!garbage->remedy.empty())
                why += "; " + garbage->remedy;
            return not_understood(garbage->raw, std::move(why), now);
        }
        const auto& frame = std::get<protocol::WholeFrame>(cut);
        flood_.frame(now);
        const auto heard = protocol::decode(profile_, frame);
        if (!heard)
            return not_understood(frame.raw, in_words(heard.error()), now);
        follow(results_->take(*heard, now), now);
        heard_at_ = now;
        refused_last_.clear();
        if (results_->stands())  // else nobody knows what it did meanwhile
            tell_if(freshness_.alive(now));
    }
    void not_understood(std::string raw, std::string why, SteadyTime now) {
        refuse(std::move(raw), std::move(why));
        follow(results_->not_understood(now), now);
    }
    void follow(FrameResults::Step step, SteadyTime now) {
        for (interlock::Payload& payload : step.tell)
            tell(std::move(payload));
        if (step.passed_over > 0)
            refuse({}, fmt::format("{} of its words on where its count stands were not recorded one by one: "
                                   "it names another place many times a second, and those that decide are "
                                   "recorded; look what it sends with tautgate look",
                                   step.passed_over));
        if (step.trace && !stopped_ && !ends_.traces(std::move(*step.trace)))
            refuse({}, fmt::format("{}; {}", too_many_curves, fewer_curves));
        for (const std::uint64_t number : step.acknowledge)
            send_acknowledgement(number);
        const bool is_about_the_order = !ordered_at_ || now - *ordered_at_ >= settings_.order_settles;
        if (step.seen && talk_ && is_about_the_order)
            if (auto word = talk_->hear(*step.seen, now))
                tell(std::move(*word));
    }

    // ---- what is sent ---------------------------------------------------------------------------------

    void send(const protocol::FrameToSend& frame, std::uint64_t number = 0) {
        auto bytes = protocol::compose(profile_, frame, number);
        if (bytes)
            return stream_.send(std::move(*bytes));
        // Not from in here: the caller may be the sink's owner.
        boost::asio::post(loop_, [self = shared_from_this(), why = std::move(bytes.error())]() mutable {
            self->refuse({}, "a frame cannot be sent to it: " + std::move(why));
        });
    }
    void send_acknowledgement(std::uint64_t number) {
        if (profile_.acknowledge && splitter_)
            send(*profile_.acknowledge, number);
    }
    void tell_order(SteadyTime now) {
        if (!talk_ || !splitter_ || stopped_)
            return;
        const auto order = talk_->to_tell(now);
        if (!order)
            return;
        if (ordered_ != order) {
            ordered_at_ = now;
            ordered_ = order;
            // Its answer is wanted soon.
            if (profile_.keep_alive)
                beat_at_ = now + settings_.order_settles - profile_.keep_alive->every;
        }
        write_order(*order);
        talk_->told(now);
    }
    // Never with another program than the wanted one: it is stopped first. A program that the profile gives
    // no number is refused by the check of the station.
    void write_order(const RunOrder& order) {
        const protocol::FrameControl& control = *profile_.control;
        send(control.disable);
        if (!order.enabled)
            return;
        if (control.program && !order.program.empty()) {
            const auto found =
                std::ranges::find(control.programs, order.program, &protocol::ProgramNumber::text);
            if (found == control.programs.end())
                return;
            send(*control.program, found->number);
        }
        send(control.enable);
    }

    boost::asio::io_context& loop_;
    const config::Tool tool_;
    const protocol::FrameProfile profile_;
    const FrameToolSettings settings_;
    Ends ends_;
    Freshness freshness_;
    Refusals refusals_;
    std::string refused_last_;  // why; empty since something was understood
    Flood flood_{frames_a_second};
    std::optional<FrameResults> results_;              // from start() on
    std::optional<ToolTalk> talk_;                     // of a tool that obeys
    std::optional<protocol::FrameSplitter> splitter_;  // of this connection; none: there is none
    std::deque<protocol::Cut> waiting_;                // came, and not looked at yet
    SteadyTime connected_at_{};
    SteadyTime came_at_{};  // when bytes came
    bool reads_on_ = true;
    Unread unread_;
    std::optional<SteadyTime> heard_at_;    // when a frame was understood, on this connection
    SteadyTime beat_at_{};                  // our sign of life
    std::optional<SteadyTime> ordered_at_;  // when another order was first told
    std::optional<RunOrder> ordered_;
    bool stopped_ = false;
    boost::asio::steady_timer look_;
    ByteStream stream_;
};

FrameTool::FrameTool(boost::asio::io_context& loop, const config::Station& station, const config::Tool& tool,
                     Sink sink, TraceSink traces, Known known, FrameToolSettings settings)
    : talker_(std::make_shared<Talker>(loop, station, tool,
                                       Talker::Ends{std::move(sink), std::move(traces), std::move(known)},
                                       std::move(settings))) {}
FrameTool::~FrameTool() { talker_->stop(); }

void FrameTool::start() { talker_->start(); }
void FrameTool::acknowledge(const interlock::Acknowledge& stored) { talker_->acknowledge(stored); }
void FrameTool::order(RunOrder order) { talker_->order(std::move(order)); }
SourceHealth FrameTool::health() const { return talker_->health(); }
std::uint16_t FrameTool::port() const { return talker_->port(); }
void FrameTool::stop() { talker_->stop(); }

}  // namespace tautgate::links
