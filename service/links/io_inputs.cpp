#include "service/links/io_inputs.hpp"

#include <algorithm>
#include <mutex>
#include <random>
#include <span>
#include <thread>
#include <utility>
#include <variant>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <fmt/format.h>

#include "config/io_gauges.hpp"
#include "config/shortest_exchange.hpp"
#include "protocol/register_plan.hpp"
#include "service/journal/digest.hpp"
#include "service/links/modbus_wire.hpp"
#include "service/links/pace.hpp"
#include "service/links/refusals.hpp"
#include "service/links/register_line.hpp"
#include "service/links/serial_bus.hpp"

namespace tautgate::links {

using protocol::PulseTime;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

[[nodiscard]] PulseTime time_of(SteadyTime at) {
    return std::chrono::duration_cast<PulseTime>(at.time_since_epoch());
}

// The tool whose pulses come by this input; nullptr: none.
[[nodiscard]] const config::Tool* tool_at(const config::Station& station, const std::string& module,
                                          const std::string& input) {
    const auto found = std::ranges::find_if(station.tools, [&](const config::Tool& tool) {
        const auto* link = std::get_if<config::PulseLink>(&tool.link);
        return link != nullptr && link->io == module && link->input == input;
    });
    return found == station.tools.end() ? nullptr : &*found;
}

// One input, and what was made of it so far.
struct WatchedInput {
    WatchedInput(const config::IoInput& described, std::optional<domain::ToolId> of_tool, std::string source)
        : input(described), tool(std::move(of_tool)), gauge(config::gauge_of(input)),
          refusals(std::move(source)) {}

    config::IoInput input;
    std::optional<domain::ToolId> tool;
    config::InputGauge gauge;
    Refusals refusals;
    std::uint64_t counter = 0;  // of the tool's newest result
};

}  // namespace

config::RegisterLink link_of(const config::IoModule& module) {
    return {.host = module.host,
            .serial = module.serial,
            .port = module.port,
            .unit = module.unit,
            .profile = {},
            .poll_interval = module.poll_interval};
}

class IoInputs::Poller : public std::enable_shared_from_this<Poller> {
  public:
    Poller(boost::asio::io_context& loop, const config::Station& station, const config::IoModule& module,
           Sinks sinks, Counted counted, std::string boot, std::shared_ptr<SerialBuses> buses)
        : loop_(loop), module_(module), link_(link_of(module)), boot_(std::move(boot)),
          sinks_(std::move(sinks)), ask_counted_(std::move(counted)), buses_(std::move(buses)),
          freshness_({.silence = module.silence_limit, .settling = module.settling}),
          redial_(std::random_device{}()), health_(freshness_) {
        std::vector<protocol::FieldPlace> places;
        places.reserve(module.inputs.size());
        inputs_.reserve(module.inputs.size());
        for (const config::IoInput& input : module.inputs) {
            const config::Tool* tool = tool_at(station, module.id, input.id);
            inputs_.emplace_back(input,
                                 tool != nullptr ? std::optional(domain::ToolId{tool->id}) : std::nullopt,
                                 tool != nullptr ? tool->id : fmt::format("{}/{}", module.id, input.id));
            places.push_back(config::place_of(input));
        }
        blocks_ = protocol::cover(std::move(places));
        words_.resize(protocol::words_in(blocks_));
    }

    // ---- on the loop ----

    void start() {
        if (thread_.joinable() || closed_ || inputs_.empty())
            return;
        for (WatchedInput& input : inputs_)
            if (input.tool && ask_counted_)
                input.counter = ask_counted_(*input.tool);
        thread_ = std::thread([this] { run(); });
    }
    [[nodiscard]] SourceHealth health() const {
        const std::lock_guard lock{mutex_};
        SourceHealth health = health_.health(module_.id, steady_clock::now());
        health.polls = polls_;
        return health;
    }
    void stop() {
        closed_ = true;
        {
            const std::lock_guard lock{mutex_};
            stopping_ = true;
        }
        waker_.wake();
        if (thread_.joinable())
            thread_.join();
        connection_.reset();
        buses_.reset();  // handlers under way still hold this, and must not hold the line
    }

  private:
    // ---- on the module's thread ----

    void run() {
        SteadyTime due = steady_clock::now();
        while (!stopping()) {
            const SteadyTime now = steady_clock::now();
            tell(freshness_.look(now));
            look_at_refusals(now);
            if (!connection_ && redial_.is_due(now)) {
                redial_.began(now);
                if (!connect(now))
                    redial_.reached_nobody(steady_clock::now());
                due = steady_clock::now();
                continue;
            }
            if (connection_ && now >= due && !poll(now)) {
                redial_.lost(steady_clock::now());
                continue;
            }
            if (now >= due)
                due = next_due(due);
            waker_.wait(std::min(connection_ ? due : redial_.at(), now + Refusals::quiet));
        }
        for (WatchedInput& input : inputs_)
            if (auto refused = input.refusals.rest())
                post(std::move(*refused));
    }

    [[nodiscard]] SteadyTime next_due(SteadyTime due) {
        const auto next = next_poll(due, module_.poll_interval, steady_clock::now());
        if (connection_)
            count(&PollCounts::skipped, next.missed);
        return next.at;
    }
    void count(std::uint64_t PollCounts::*kind, std::uint64_t by = 1) {
        const std::lock_guard lock{mutex_};
        polls_.*kind += by;
    }

    [[nodiscard]] bool stopping() const {
        const std::lock_guard lock{mutex_};
        return stopping_;
    }

    [[nodiscard]] bool connect(SteadyTime now) {
        auto opened = open_line(link_, answer_time(module_.silence_limit), *buses_);
        if (!opened) {
            count(&PollCounts::failed);
            tell(freshness_.failed(now, opened.error()));
            return false;
        }
        connection_ = std::move(*opened);
        answered_ = false;
        return true;
    }

    // One look at all inputs. False: the connection was lost over it.
    [[nodiscard]] bool poll(SteadyTime began) {
        std::span<std::uint16_t> rest{words_};
        for (const protocol::BlockRange& block : blocks_) {
            if (const auto done = connection_->read(block, rest.first(block.length)); !done)
                return lose(fmt::format("cannot read the inputs: {}", done.error()));
            rest = rest.subspan(block.length);
        }
        // The program stood still, not the connection: what happened meanwhile nobody saw.
        if (looked_at_ && steady_clock::now() - *looked_at_ > longest_unseen())
            end_all();
        looked_at_ = began;
        if (!std::exchange(answered_, true))
            for (const WatchedInput& input : inputs_)
                if (input.tool)
                    post(interlock::ToolAnswered{*input.tool, epoch, input.counter});
        tell(freshness_.alive(steady_clock::now()));
        for (WatchedInput& input : inputs_)
            look(input, time_of(began));
        tell_look(time_of(began));
        count(&PollCounts::good);
        return true;
    }

    [[nodiscard]] milliseconds longest_unseen() const {
        return std::min(module_.silence_limit, config::shortest_exchange);
    }

    bool lose(std::string why) {
        count(&PollCounts::failed);
        connection_.reset();
        looked_at_.reset();
        end_all();
        tell_look(std::nullopt);
        tell(freshness_.failed(steady_clock::now(), std::move(why)));
        return false;
    }
    void end_all() {
        for (WatchedInput& input : inputs_)
            end(input);
    }
    void end(WatchedInput& input) {
        if (auto* gauge = std::get_if<protocol::PulseGauge>(&input.gauge)) {
            if (const auto news = gauge->end())
                take(input, *news);
        } else if (auto* count = std::get_if<protocol::PulseCount>(&input.gauge)) {
            count->end();
        } else if (auto* position = std::get_if<protocol::PositionGauge>(&input.gauge)) {
            if (const auto news = position->end())
                take(input, *news);
        } else {
            std::get<protocol::Debouncer>(input.gauge).forget();
            tell_level(input, std::nullopt);
        }
    }

    // ---- one input ----

    [[nodiscard]] std::uint16_t word_of(const config::IoInput& input) const {
        return words_[protocol::offset_in(blocks_, config::place_of(input)).value_or(0)];
    }
    [[nodiscard]] bool is_active(const config::IoInput& input) const {
        return config::is_active(input, word_of(input));
    }

    void look(WatchedInput& input, PulseTime at) {
        if (auto* gauge = std::get_if<protocol::PulseGauge>(&input.gauge)) {
            if (const auto news = gauge->look(at, is_active(input.input)))
                take(input, *news);
        } else if (auto* count = std::get_if<protocol::PulseCount>(&input.gauge)) {
            if (const auto news = count->look(at, word_of(input.input)))
                take(input, *news);
        } else if (auto* position = std::get_if<protocol::PositionGauge>(&input.gauge)) {
            if (const auto news = position->look(at, word_of(input.input)))
                take(input, *news);
        } else {
            look_at_level(input, std::get<protocol::Debouncer>(input.gauge), at);
        }
    }
    void look_at_level(WatchedInput& input, protocol::Debouncer& level, PulseTime at) {
        const bool active = is_active(input.input);
        if (level.has_lapsed(at, active, config::longest_unseen))
            end(input);
        if (const auto settled = level.look(at, active))
            tell_level(input, settled->active);
    }

    void take(WatchedInput& input, const protocol::PulseNews& news) {
        if (const auto* good = std::get_if<protocol::GoodPulse>(&news))
            return take_good(input, *good);
        const config::PulseInput& limits = *config::pulse_of(input.input);  // it is a pulse
        if (const auto* shorter = std::get_if<protocol::TooShort>(&news))
            return refuse(input,
                          fmt::format("a pulse of {} is too short and counts for nothing; press or pull "
                                      "until it is through, or correct min_ms",
                                      protocol::pulse_text(shorter->length, limits.shortest)));
        if (const auto* longer = std::get_if<protocol::TooLong>(&news))
            return refuse(input,
                          fmt::format("a pulse of {} is too long and counts for nothing; let go earlier, "
                                      "or correct max_ms",
                                      protocol::pulse_text(longer->length, limits.longest)));
        if (const auto* on = std::get_if<protocol::StillOn>(&news))
            return refuse(input, fmt::format("the contact has been on for {} and counts for nothing; see "
                                             "whether it is stuck",
                                             protocol::pulse_text(on->length, limits.longest)));
        const auto& cut = std::get<protocol::CutOff>(news);
        refuse(input,
               cut.unwatched == PulseTime::zero()
                   ? std::string("a pulse was under way when the link was lost and counts for nothing; "
                                 "make it again")
                   : fmt::format("a pulse was under way while nobody looked for {} and counts for "
                                 "nothing; make it again",
                                 protocol::pulse_text(cut.unwatched)));
    }
    // From the last look that saw it otherwise to the one that was asked for then. When exactly within a look
    // the module saw it is not known: from the question to the longest that an answer takes.
    [[nodiscard]] domain::Interval seen_in(PulseTime after, PulseTime asked) const {
        const PulseTime seen = asked + answer_time(module_.silence_limit);
        return {after.count(), std::min(seen, time_of(steady_clock::now())).count(), boot_};
    }
    void take_good(WatchedInput& input, const protocol::GoodPulse& pulse) {
        const domain::Interval made = seen_in(pulse.after, pulse.began);
        if (std::holds_alternative<config::ButtonInput>(input.input.use))
            return press(input, made);
        click(input, made, fmt::format("pulse of {}", protocol::pulse_text(pulse.length)));
    }
    void take(WatchedInput& input, const protocol::CountNews& news) {
        if (const auto* jumped = std::get_if<protocol::CountJumped>(&news))
            return refuse(
                input, fmt::format("the module's count went from {} to {} in a way that pulses seen one by "
                                   "one cannot; it goes on from there, and nothing of it counts",
                                   jumped->before, jumped->now));
        const auto& counted = std::get<protocol::CountedPulses>(news);
        const domain::Interval made{counted.after.count(), time_of(steady_clock::now()).count(), boot_};
        for (std::uint32_t i = 0; i < counted.pulses; ++i)
            click(input, made, fmt::format("count {}", word_of(input.input)));
    }

    void take(const WatchedInput& input, const protocol::PositionNews& news) {
        post(interlock::ArmMoved{.tool = {std::get<config::ArmInput>(input.input.use).tool},
                                 .position = news.position,
                                 .changed = seen_in(news.before, news.since)});
    }

    void click(WatchedInput& input, const domain::Interval& made, const std::string& what) {
        if (!input.tool)
            return;
        protocol::Reading reading;
        reading.counter = ++input.counter;
        reading.tool_verdict = protocol::ToolVerdict::ok;
        reading.tool_reason = "click";
        reading.received.raw = fmt::format("{}/{} {} {} {} {}", module_.id, input.input.id, input.counter,
                                           what, made.from_ns, made.to_ns);
        const std::uint64_t digest = journal::short_name(journal::sha256(reading.received.raw));
        post(interlock::ResultReceived{.tool = *input.tool,
                                       .epoch = epoch,
                                       .reading = std::move(reading),
                                       .made = made,
                                       .digest = digest});
    }
    void press(const WatchedInput& input, const domain::Interval& made) {
        post(interlock::ButtonPressed{.bay = {module_.bay},
                                      .button = fmt::format("{}/{}", module_.id, input.input.id),
                                      .step = std::get<config::ButtonInput>(input.input.use).step,
                                      .made = made});
    }

    // ---- telling ----

    void refuse(WatchedInput& input, std::string why) {
        if (auto refused = input.refusals.add(steady_clock::now(), {}, std::move(why)))
            post(std::move(*refused));
    }
    void look_at_refusals(SteadyTime now) {
        for (WatchedInput& input : inputs_)
            if (auto refused = input.refusals.due(now))
                post(std::move(*refused));
    }
    void tell(const std::optional<QualityChange>& change) {
        {
            const std::lock_guard lock{mutex_};
            health_ = freshness_;
        }
        if (!change)
            return;
        for (const WatchedInput& input : inputs_)
            if (input.tool)
                post(interlock::ToolLinkChanged{.tool = *input.tool,
                                                .quality = change->quality,
                                                .why = change->why,
                                                .changes = change->changes});
    }
    void tell_level(const WatchedInput& input, std::optional<bool> active) {
        boost::asio::post(loop_, [self = shared_from_this(), about = input.input, active] {
            if (!self->closed_ && self->sinks_.level)
                self->sinks_.level(about, active);
        });
    }
    void tell_look(std::optional<PulseTime> began) {
        if (sinks_.looked)
            boost::asio::post(loop_, [self = shared_from_this(), began] {
                if (!self->closed_)
                    self->sinks_.looked(began);
            });
    }
    void post(interlock::Payload payload) {
        boost::asio::post(loop_, [self = shared_from_this(), payload = std::move(payload)]() mutable {
            if (!self->closed_)
                self->sinks_.event(std::move(payload));
        });
    }

    static constexpr const char* epoch = "1";  // one count for ever: this counts, and never starts anew

    boost::asio::io_context& loop_;
    const config::IoModule module_;
    const config::RegisterLink link_;
    const std::string boot_;
    // The loop's.
    Sinks sinks_;
    Counted ask_counted_;
    bool closed_ = false;
    // The thread's, once it runs.
    std::shared_ptr<SerialBuses> buses_;
    Freshness freshness_;
    Redial redial_;
    std::vector<WatchedInput> inputs_;
    std::vector<protocol::BlockRange> blocks_;
    std::vector<std::uint16_t> words_;          // of the newest look
    std::unique_ptr<RegisterLine> connection_;  // null: none
    bool answered_ = false;                     // on this connection
    std::optional<SteadyTime> looked_at_;       // the same; when the last good look began
    // Both.
    Waker waker_;
    mutable std::mutex mutex_;
    Freshness health_;
    PollCounts polls_;
    bool stopping_ = false;
    std::thread thread_;
};

IoInputs::IoInputs(boost::asio::io_context& loop, const config::Station& station,
                   const config::IoModule& module, Sinks sinks, Counted counted, std::string boot,
                   std::shared_ptr<SerialBuses> buses)
    : poller_(std::make_shared<Poller>(loop, station, module, std::move(sinks), std::move(counted),
                                       std::move(boot), std::move(buses))) {}
IoInputs::~IoInputs() { poller_->stop(); }

void IoInputs::start() { poller_->start(); }
SourceHealth IoInputs::health() const { return poller_->health(); }
void IoInputs::stop() { poller_->stop(); }

}  // namespace tautgate::links
