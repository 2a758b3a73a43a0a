#include "service/links/register_tool.hpp"

#include <algorithm>
#include <limits>
#include <mutex>
#include <random>
#include <stdexcept>
#include <thread>
#include <utility>
#include <variant>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <fmt/format.h>

#include "service/journal/digest.hpp"
#include "service/links/backoff.hpp"
#include "service/links/modbus_wire.hpp"
#include "service/links/refusals.hpp"
#include "service/links/register_calls.hpp"

namespace tautgate::links {

using std::chrono::milliseconds;
using std::chrono::nanoseconds;
using std::chrono::steady_clock;

namespace {

// Earlier than any boot, and far enough from the end of the numbers to be calculated with.
constexpr std::int64_t long_ago_ns = std::numeric_limits<std::int64_t>::min() / 4;

[[nodiscard]] std::int64_t since_boot(SteadyTime time) {
    return std::chrono::duration_cast<nanoseconds>(time.time_since_epoch()).count();
}

// So that a device that does not answer is noticed well before it counts as silent.
[[nodiscard]] milliseconds answer_within(const config::Tool& tool) {
    return std::clamp(tool.silence_limit / 4, milliseconds(20), milliseconds(500));
}

[[nodiscard]] const protocol::RegisterProfile& profile_of(const config::Station& station,
                                                          const config::Tool& tool) {
    if (const auto* link = std::get_if<config::RegisterLink>(&tool.link))
        for (const auto& named : station.profiles)
            if (named.id == link->profile)
                return named.profile;
    throw std::invalid_argument(fmt::format(
        "tool {} has no register profile that the station knows; check the station description first",
        tool.id));
}

[[nodiscard]] std::string epoch_text(const std::optional<protocol::KnownResult>& known) {
    return std::to_string(known && known->epoch ? *known->epoch : 0);
}

[[nodiscard]] std::string bytes_of(const std::vector<std::uint16_t>& words) {
    std::string bytes;
    for (const std::uint16_t word : words) {
        bytes.push_back(static_cast<char>(word >> 8U));
        bytes.push_back(static_cast<char>(word & 0xFFU));
    }
    return bytes;
}

}  // namespace

class RegisterTool::Poller : public std::enable_shared_from_this<Poller> {
  public:
    Poller(boost::asio::io_context& loop, const config::Station& station, const config::Tool& tool, Sink sink,
           Known known, std::string boot)
        : loop_(loop), tool_(tool), link_(std::get<config::RegisterLink>(tool.link)),
          profile_(profile_of(station, tool)), boot_(std::move(boot)), sink_(std::move(sink)),
          ask_known_(std::move(known)),
          freshness_({.silence = tool.silence_limit, .settling = tool.settling}),
          backoff_(std::random_device{}()), refusals_(tool.id), shared_{.health = freshness_} {}

    // ---- on the loop ----

    void start() {
        if (thread_.joinable() || closed_)
            return;
        const auto known = ask_known_ ? ask_known_() : std::nullopt;
        watch_ = protocol::ResultWatch{known};
        // The journal has it, so that the tool may drop it.
        if (known)
            shared_.stored = Stored{epoch_text(known), known->counter};
        thread_ = std::thread([this] { run(); });
    }
    void acknowledge(const interlock::Acknowledge& stored) {
        {
            const std::lock_guard lock{mutex_};
            // The latest word holds, a lower number too: the count may have begun anew in the same epoch.
            shared_.stored = Stored{stored.epoch, stored.counter};
        }
        waker_.wake();
    }
    [[nodiscard]] SourceHealth health() const {
        const std::lock_guard lock{mutex_};
        return shared_.health.health(tool_.id, steady_clock::now());
    }
    [[nodiscard]] PollCounts polls() const {
        const std::lock_guard lock{mutex_};
        return shared_.polls;
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

  private:
    // The newest result of the tool that is durable here.
    struct Stored {
        std::string epoch;
        std::uint64_t counter = 0;
        bool operator==(const Stored&) const = default;
    };
    struct Shared {
        bool stopping = false;
        std::optional<Stored> stored{};
        Freshness health;
        PollCounts polls{};
    };

    // ---- on the link's thread ----

    void run() {
        SteadyTime due = steady_clock::now();
        SteadyTime dial_at = SteadyTime::min();
        SteadyTime dialled_at{};
        while (!stopping()) {
            const SteadyTime now = steady_clock::now();
            tell(freshness_.look(now));
            if (auto refused = refusals_.due(now))
                post(std::move(*refused));
            if (!connection_ && now >= dial_at) {
                dialled_at = now;
                if (!connect(now))
                    dial_at = steady_clock::now() + backoff_.next();
                due = steady_clock::now();
                continue;
            }
            if (connection_ && (!write_acknowledgement() || (now >= due && !poll(now)))) {
                const SteadyTime lost = steady_clock::now();
                backoff_.ended_after(std::chrono::duration_cast<milliseconds>(lost - dialled_at));
                dial_at = lost + backoff_.next();
                continue;
            }
            if (now >= due)
                due = next_due(due);
            waker_.wait(std::min(connection_ ? due : dial_at, now + Refusals::quiet));
        }
        if (connection_)
            static_cast<void>(write_acknowledgement());  // the tool keeps what it could not be told
        if (auto refused = refusals_.rest())
            post(std::move(*refused));
    }

    [[nodiscard]] bool stopping() const {
        const std::lock_guard lock{mutex_};
        return shared_.stopping;
    }

    // A fixed schedule: what was missed is counted and not made up for.
    [[nodiscard]] SteadyTime next_due(SteadyTime due) {
        const SteadyTime now = steady_clock::now();
        const auto interval = std::chrono::duration_cast<SteadyTime::duration>(link_.poll_interval);
        due += interval;
        if (due > now)
            return due;
        const auto missed = (now - due) / interval + 1;
        if (connection_)
            count(&PollCounts::skipped, static_cast<std::uint64_t>(missed));
        return due + missed * interval;
    }

    [[nodiscard]] bool connect(SteadyTime now) {
        auto dialled = dial(link_.host, link_.port, link_.unit, answer_within(tool_));
        if (!dialled) {
            count(&PollCounts::failed);
            tell(freshness_.failed(now, dialled.error()));
            return false;
        }
        connection_.emplace(std::move(*dialled), link_.unit, answer_within(tool_));
        answered_ = false;
        return true;
    }

    bool lose_poll(const std::string& why) {
        count(&PollCounts::failed);
        return lose(fmt::format("cannot read the result block: {}", why));
    }
    bool lose(std::string why) {
        connection_.reset();
        whole_.clear();
        tell(freshness_.failed(steady_clock::now(), std::move(why)));
        return false;
    }

    // False: the connection was lost over it.
    [[nodiscard]] bool write_acknowledgement() {
        std::optional<Stored> stored;
        {
            const std::lock_guard lock{mutex_};
            stored = shared_.stored;
        }
        if (!stored || stored == acknowledged_ || !profile_.acknowledge)
            return true;
        // Of another epoch, or the tool has not said yet which one is its own: it may change with the next
        // poll.
        if (!answered_ || stored->epoch != epoch_text(watch_.known()))
            return true;
        const auto words = protocol::acknowledge_words(profile_, stored->counter);
        auto done = connection_->ask_to_write(*profile_.acknowledge, words);
        if (done)
            done = connection_->finish();
        if (!done)
            return lose(fmt::format("cannot acknowledge result {}: {}", stored->counter, done.error()));
        acknowledged_ = stored;
        return true;
    }

    // One look at the tool. False: the connection was lost over it.
    [[nodiscard]] bool poll(SteadyTime began) {
        constexpr int looks = 2;  // a torn block is read once more at once
        for (int look = 0; look < looks; ++look) {
            std::vector<std::uint16_t> block(profile_.length);
            if (const auto done = read(profile_.start, block); !done)
                return lose_poll(done.error());
            // Word for word what it showed when it was last whole: nothing is being written, and a second
            // look could tell no more.
            std::vector<std::uint16_t> again = second_part(block);
            if (block != whole_) {
                if (const auto done = read(second_start(), again); !done)
                    return lose_poll(done.error());
            }
            const auto outcome = watch_.observe(profile_, block, again);
            if (!outcome) {
                refuse(block, outcome.error());
                return true;
            }
            if (std::holds_alternative<protocol::Torn>(*outcome))
                continue;
            whole_ = block;
            take(*outcome, block, began);
            return true;
        }
        count(&PollCounts::discarded);
        return true;
    }

    [[nodiscard]] std::uint16_t second_start() const {
        return profile_.second_read == protocol::SecondRead::counter ? profile_.counter.field.address
                                                                     : profile_.start;
    }
    // The part of a block that is read a second time.
    [[nodiscard]] std::vector<std::uint16_t> second_part(const std::vector<std::uint16_t>& block) const {
        if (profile_.second_read == protocol::SecondRead::block)
            return block;
        const auto begin = block.begin() + (profile_.counter.field.address - profile_.start);
        return {begin, begin + static_cast<std::ptrdiff_t>(protocol::width(profile_.counter.field.type))};
    }
    // Without the first answer there is no second request: the tool may be writing, and the order matters.
    [[nodiscard]] RegisterCalls::Done read(std::uint16_t address, std::vector<std::uint16_t>& into) {
        if (auto asked = connection_->ask_to_read(profile_.table, address, into); !asked)
            return asked;
        return connection_->finish();
    }

    void refuse(const std::vector<std::uint16_t>& block, const protocol::DecodeFault& fault) {
        count(&PollCounts::discarded);
        std::string why = fault.field.empty() ? fault.what : fault.field + ": " + fault.what;
        if (!fault.remedy.empty())
            why += "; " + fault.remedy;
        if (auto refused = refusals_.add(steady_clock::now(), bytes_of(block), std::move(why)))
            post(std::move(*refused));
    }

    void take(const protocol::WatchOutcome& outcome, const std::vector<std::uint16_t>& block,
              SteadyTime began) {
        const SteadyTime now = steady_clock::now();
        if (!answered_ || count_began_anew(outcome))
            answer();
        tell(freshness_.alive(now));  // good only once the tool has said where it stands
        // A tool that waits for acknowledgements shows nothing newer before its first one has been
        // acknowledged, and that is done by the decision about it: made before we followed the tool, counted
        // for nothing.
        const bool is_new =
            !std::holds_alternative<protocol::NoNew>(outcome) &&
            (!std::holds_alternative<protocol::Baseline>(outcome) || profile_.acknowledge.has_value());
        // Zero where the count begins at one: the tool has none to show.
        const std::uint64_t counter = watch_.known()->counter;
        if (is_new && (counter != 0 || profile_.counter.lowest == 0)) {
            auto reading = protocol::decode(profile_, block);
            if (!reading) {
                refuse(block, reading.error());
                // It is one of the tool's results all the same: until it is settled, one is outstanding.
                return answer();
            }
            reading->counter = counter;
            report(std::move(*reading), now);
        } else if (everything_acknowledged()) {
            caught_up_ = began;
        }
        count(&PollCounts::good);
    }

    // Told before the first result of the new count, or that would pass for one sent again.
    [[nodiscard]] static bool count_began_anew(const protocol::WatchOutcome& outcome) {
        const auto* jump = std::get_if<protocol::Jump>(&outcome);
        return std::holds_alternative<protocol::Restarted>(outcome) || (jump != nullptr && !jump->lost);
    }

    void answer() {
        answered_ = true;
        post(interlock::ToolAnswered{
            .tool = {tool_.id}, .epoch = epoch_text(watch_.known()), .last = watch_.known()->counter});
    }

    // A tool that waits for acknowledgements may have more behind the result that it shows.
    [[nodiscard]] bool everything_acknowledged() const {
        if (!profile_.acknowledge)
            return true;
        return !told_ || (acknowledged_ && acknowledged_->epoch == told_->epoch &&
                          acknowledged_->counter >= told_->counter);
    }

    // The result came after the last look that found nothing new, and its run began at most the longest run
    // before that. Where there was no such look in this run of the program nobody knows how old it is.
    void report(protocol::Reading reading, SteadyTime now) {
        const std::int64_t from = caught_up_ ? since_boot(*caught_up_ - tool_.longest_run) : long_ago_ns;
        told_ = Stored{epoch_text(watch_.known()), reading.counter};
        const std::uint64_t digest = journal::short_name(journal::sha256(reading.received.raw));
        post(interlock::ResultReceived{.tool = {tool_.id},
                                       .epoch = told_->epoch,
                                       .reading = std::move(reading),
                                       .made = {from, since_boot(now), boot_},
                                       .digest = digest});
    }

    void count(std::uint64_t PollCounts::*kind, std::uint64_t by = 1) {
        const std::lock_guard lock{mutex_};
        shared_.polls.*kind += by;
    }
    void tell(std::optional<QualityChange> change) {
        {
            const std::lock_guard lock{mutex_};
            shared_.health = freshness_;
        }
        if (change)
            post(interlock::ToolLinkChanged{.tool = {tool_.id},
                                            .quality = change->quality,
                                            .why = std::move(change->why),
                                            .changes = change->changes});
    }
    void post(interlock::Payload payload) {
        boost::asio::post(loop_, [self = shared_from_this(), payload = std::move(payload)]() mutable {
            if (!self->closed_)
                self->sink_(std::move(payload));
        });
    }

    boost::asio::io_context& loop_;
    const config::Tool tool_;
    const config::RegisterLink link_;
    const protocol::RegisterProfile profile_;
    const std::string boot_;
    // The loop's.
    Sink sink_;
    Known ask_known_;
    bool closed_ = false;
    // The thread's, once it runs.
    protocol::ResultWatch watch_;
    Freshness freshness_;
    Backoff backoff_;
    Refusals refusals_;
    std::optional<RegisterCalls> connection_;
    std::vector<std::uint16_t> whole_;     // the block as it was last whole; empty: not on this connection
    bool answered_ = false;                // ToolAnswered was sent on this connection
    std::optional<Stored> told_;           // newest result given to the loop
    std::optional<Stored> acknowledged_;   // newest that was written
    std::optional<SteadyTime> caught_up_;  // when the last look began that found nothing more
    // Both.
    Waker waker_;
    mutable std::mutex mutex_;
    Shared shared_;
    std::thread thread_;
};

RegisterTool::RegisterTool(boost::asio::io_context& loop, const config::Station& station,
                           const config::Tool& tool, Sink sink, Known known, std::string boot)
    : poller_(std::make_shared<Poller>(loop, station, tool, std::move(sink), std::move(known),
                                       std::move(boot))) {}

RegisterTool::~RegisterTool() { poller_->stop(); }

void RegisterTool::start() { poller_->start(); }

void RegisterTool::acknowledge(const interlock::Acknowledge& stored) { poller_->acknowledge(stored); }

SourceHealth RegisterTool::health() const { return poller_->health(); }

PollCounts RegisterTool::polls() const { return poller_->polls(); }

void RegisterTool::stop() { poller_->stop(); }

}  // namespace tautgate::links
