#include "service/links/register_tool.hpp"

#include <algorithm>
#include <charconv>
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

#include "protocol/register_control.hpp"
#include "protocol/result_watch.hpp"
#include "service/journal/digest.hpp"
#include "service/links/modbus_wire.hpp"
#include "service/links/pace.hpp"
#include "service/links/polled_blocks.hpp"
#include "service/links/polled_trace.hpp"
#include "service/links/refusals.hpp"
#include "service/links/register_line.hpp"
#include "service/links/serial_bus.hpp"

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

[[nodiscard]] const protocol::RegisterProfile& profile_of(const config::Station& station,
                                                          const config::Tool& tool) {
    if (const auto* profile = config::register_profile(station, tool))
        return *profile;
    throw std::invalid_argument(fmt::format(
        "tool {} has no register profile that the station knows; check the station description first",
        tool.id));
}

// Never given before: of every run and tool another.
[[nodiscard]] std::uint64_t seed_of_epochs() {
    std::random_device random;
    return std::uint64_t{random()} << 32U | random();
}

[[nodiscard]] std::string epoch_text(const std::optional<protocol::KnownResult>& known) {
    return std::to_string(known && known->epoch ? *known->epoch : 0);
}

// The epoch of a polled tool is a number; one that another kind of link had named may be any text.
[[nodiscard]] std::optional<std::uint64_t> number_in(const std::string& epoch) {
    std::uint64_t number = 0;
    const char* const end = epoch.data() + epoch.size();
    const auto [rest, error] = std::from_chars(epoch.data(), end, number);
    return error == std::errc{} && rest == end ? std::optional(number) : std::nullopt;
}

[[nodiscard]] std::uint64_t digest_of(std::string_view raw) {
    return journal::short_name(journal::sha256(raw));
}

}  // namespace

class RegisterTool::Poller : public std::enable_shared_from_this<Poller> {
  public:
    // Where what it hears goes, and what it asks first.
    struct Ends {
        Sink sink;
        TraceSink traces;
        Known known;
    };
    struct Around {
        std::string boot;
        std::shared_ptr<SerialBuses> buses;
        Backoff::Limits redial;
    };
    Poller(boost::asio::io_context& loop, const config::Station& station, const config::Tool& tool, Ends ends,
           Around around)
        : loop_(loop), tool_(tool), link_(std::get<config::RegisterLink>(tool.link)),
          profile_(profile_of(station, tool)), boot_(std::move(around.boot)), sink_(std::move(ends.sink)),
          traces_(std::move(ends.traces)), ask_known_(std::move(ends.known)),
          freshness_({.silence = tool.silence_limit, .settling = tool.settling}),
          redial_(std::random_device{}(), around.redial), refusals_(tool.id), blocks_(profile_),
          trace_(profile_), buses_(std::move(around.buses)),
          epochs_(seed_of_epochs()), shared_{.health = freshness_} {
        if (tool.control && profile_.control)
            talk_.emplace(domain::ToolId{tool.id}, tool.control->answer_within);
    }

    // ---- on the loop ----

    void start() {
        if (thread_.joinable() || closed_)
            return;
        const auto known = ask_known_ ? ask_known_() : std::nullopt;
        if (known) {
            const protocol::KnownResult result{known->counter, number_in(known->epoch)};
            watch_ = protocol::ResultWatch{result};
            newest_ = known->digest;
            known_ = Stored{epoch_text(result), result.counter};
            // The journal has it, so that the tool may drop it.
            if (known->complete)
                shared_.stored = known_;
            // One that was only named is nobody's here.
            if (known->digest)
                curve_unseen_ = known_;
        }
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
    void order(RunOrder order) {
        {
            const std::lock_guard lock{mutex_};
            if (shared_.run == order)
                return;
            shared_.run = std::move(order);
        }
        waker_.wake();
    }
    [[nodiscard]] SourceHealth health() const {
        const std::lock_guard lock{mutex_};
        SourceHealth health = shared_.health.health(tool_.id, steady_clock::now());
        health.polls = shared_.polls;
        return health;
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
        connection_.reset();
        buses_.reset();  // handlers under way still hold this, and must not hold the line
    }

  private:
    // The newest result of the tool that is durable here.
    struct Stored {
        std::string epoch;
        std::uint64_t counter = 0;
        bool operator==(const Stored&) const = default;
    };
    // A new result that was seen and does not count yet.
    struct Shown {
        std::uint64_t counter = 0;
        std::vector<std::uint16_t> words;
        SteadyTime since;  // unchanged
        SteadyTime came;   // the end of the look that saw it first
    };
    struct Shared {
        bool stopping = false;
        std::optional<Stored> stored{};
        RunOrder run{};
        Freshness health;
        PollCounts polls{};
    };

    // ---- on the link's thread ----

    void run() {
        SteadyTime due = steady_clock::now();
        while (!stopping()) {
            const SteadyTime now = steady_clock::now();
            tell(freshness_.look(now));
            if (auto refused = refusals_.due(now))
                post(std::move(*refused));
            if (!connection_ && redial_.is_due(now)) {
                redial_.began(now);
                if (!connect(now))
                    redial_.reached_nobody(steady_clock::now());
                due = steady_clock::now();
                continue;
            }
            if (connection_ && (!write_acknowledgement() || !write_orders() ||
                                (now >= due && !(poll(now) && read_of_trace())))) {
                redial_.lost(steady_clock::now());
                continue;
            }
            if (now >= due)
                due = next_due(due);
            waker_.wait(std::min(connection_ ? due : redial_.at(), now + Refusals::quiet));
        }
        if (connection_)
            static_cast<void>(write_acknowledgement());  // the tool keeps what it could not be told
        if (connection_ && talk_)
            static_cast<void>(write_order({}));  // nobody is there to let it run
        if (auto refused = refusals_.rest())
            post(std::move(*refused));
    }

    [[nodiscard]] bool stopping() const {
        const std::lock_guard lock{mutex_};
        return shared_.stopping;
    }

    // A fixed schedule: what was missed is counted and not made up for.
    [[nodiscard]] SteadyTime next_due(SteadyTime due) {
        const auto next = next_poll(due, link_.poll_interval, steady_clock::now());
        if (connection_ && next.missed > 0)
            count(&PollCounts::skipped, next.missed);
        return next.at;
    }

    [[nodiscard]] bool connect(SteadyTime now) {
        auto opened = open_line(link_, answer_time(tool_.silence_limit), *buses_);
        if (!opened) {
            count(&PollCounts::failed);
            tell(freshness_.failed(now, opened.error()));
            return false;
        }
        connection_ = std::move(*opened);
        answered_ = false;
        must_clear_ = profile_.handshake.has_value();
        tell_again_ = true;  // it may have lost power before it acted on what it was told
        look_anew();
        if (talk_)
            talk_->connected();
        return true;
    }

    bool lose_poll(const std::string& why) {
        count(&PollCounts::failed);
        return lose(fmt::format("cannot read the result block: {}", why));
    }
    bool lose(std::string why) {
        trace_.begin_again();
        connection_.reset();
        whole_.clear();
        ready_ = false;
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
        const bool told = stored == acknowledged_ && !tell_again_ && !is_not_taken();
        if (!stored || told || !protocol::waits_for_the_station(profile_))
            return true;
        // Of another epoch, or the tool has not said yet which one is its own: it may change with the next
        // poll.
        if (!answered_ || stored->epoch != epoch_text(watch_.known()))
            return true;
        // What stands under its number may be another result, which we lack.
        if (stored->counter == watch_.known()->counter && shows_another())
            return true;
        // A handshake names no result: it is about the one that the tool shows, so that must be this one.
        if (profile_.handshake && (!ready_ || stored->counter != watch_.known()->counter))
            return true;
        if (const auto done = tell_stored(stored->counter); !done)
            return lose(fmt::format("cannot acknowledge result {}: {}", stored->counter, done.error()));
        acknowledged_ = stored;
        tell_again_ = false;
        return true;
    }

    // The tool of a handshake still waits with what it was told about: the word may have been lost behind a
    // gateway that confirmed it. Of one that is told a count nobody can say that, and none is told twice.
    [[nodiscard]] bool is_not_taken() const {
        return profile_.handshake && ready_ && acknowledged_ && written_at_ &&
               acknowledged_->counter == watch_.known()->counter &&
               steady_clock::now() > *written_at_ + tool_.settling;
    }

    [[nodiscard]] RegisterLine::Done tell_stored(std::uint64_t counter) {
        written_at_ = steady_clock::now();
        if (!profile_.handshake)
            return connection_->write(*profile_.acknowledge, protocol::acknowledge_words(profile_, counter));
        must_clear_ = true;
        watch_.let_go();  // also where the answer is lost
        return shake(profile_.handshake->value);
    }

    [[nodiscard]] RegisterLine::Done shake(std::uint16_t value) {
        const protocol::Handshake& handshake = *profile_.handshake;
        if (handshake.table == protocol::RegisterTable::coils)
            return connection_->write_coil(handshake.address, value != 0);
        return connection_->write(handshake.address, {&value, 1});
    }

    // The tool has taken the acknowledgement; one that stayed would meet its next result. False: the
    // connection was lost over it.
    [[nodiscard]] bool clear_acknowledgement() {
        if (!must_clear_ || ready_)
            return true;
        if (const auto done = shake(profile_.handshake->cleared); !done)
            return lose(fmt::format("cannot clear the acknowledgement: {}", done.error()));
        must_clear_ = false;
        written_at_ = steady_clock::now();
        return true;
    }

    // ---- whether it may run ----

    // False: the connection was lost over it.
    [[nodiscard]] bool write_orders() {
        if (!talk_)
            return true;
        {
            const std::lock_guard lock{mutex_};
            talk_->order(shared_.run);
        }
        const auto order = talk_->to_tell(steady_clock::now());
        if (!order)
            return true;
        if (const auto done = write_order(*order); !done)
            return lose(fmt::format("cannot tell the tool whether it may run: {}", done.error()));
        talk_->told(steady_clock::now());
        return true;
    }

    // Never with another program than the wanted one: it is stopped first. A program that the profile gives
    // no number is refused by the check of the station.
    [[nodiscard]] RegisterLine::Done write_order(const RunOrder& order) {
        const protocol::RegisterControl& control = *profile_.control;
        auto done = write_control(control.enable, control.enable.off);
        if (!done || !order.enabled)
            return done;
        if (control.program && !order.program.empty()) {
            const auto number = protocol::program_number(control, order.program);
            if (!number)
                return done;
            done = connection_->write(*control.program, {&*number, 1});
        }
        return done ? write_control(control.enable, control.enable.on) : done;
    }

    [[nodiscard]] RegisterLine::Done write_control(const protocol::ControlWrite& write, std::uint16_t value) {
        if (write.table == protocol::RegisterTable::coils)
            return connection_->write_coil(write.address, value != 0);
        return connection_->write(write.address, {&value, 1});
    }

    // Read before the results are looked at, so that what is said of its count is of a later moment.
    // Nothing, but understood: it is no tool that obeys. The error is why the connection is to be given up.
    [[nodiscard]] std::expected<std::optional<protocol::ControlSeen>, std::string> read_control() {
        if (!talk_)
            return std::nullopt;
        std::vector<std::uint16_t> words;
        for (const protocol::BlockRange& block : protocol::control_reads(profile_)) {
            std::vector<std::uint16_t> part(block.length);
            if (const auto done = connection_->read(block, part); !done)
                return std::unexpected(done.error());
            words.insert(words.end(), part.begin(), part.end());
        }
        auto seen = protocol::decode_control(profile_, words);
        if (!seen) {
            refuse(words, seen.error());
            return std::nullopt;
        }
        return std::move(*seen);
    }

    void report_control(const std::optional<protocol::ControlSeen>& seen) {
        if (!seen || !talk_ || in_ring_ || shown_)
            return;
        if (auto word = talk_->hear({seen->enabled, seen->program, epoch_text(watch_.known()),
                                     watch_.known() ? watch_.known()->counter : 0},
                                    steady_clock::now()))
            post(std::move(*word));
    }

    // One look at the tool. False: the connection was lost over it.
    [[nodiscard]] bool poll(SteadyTime began) {
        constexpr int looks = 2;  // a torn block is read once more at once
        understood_ = true;
        const auto control = read_control();
        if (!control)
            return lose_poll(control.error());
        for (int look = 0; look < looks; ++look) {
            const auto seen = blocks_.look(*connection_, whole_);
            if (!seen)
                return lose_poll(seen.error());
            if (nobody_looked_until(steady_clock::now()))
                look_anew();
            const auto outcome = watch_.observe(profile_, seen->words, seen->again, is_newest(seen->words));
            if (!outcome) {
                refuse(seen->words, outcome.error());
                return true;
            }
            if (std::holds_alternative<protocol::Torn>(*outcome))
                continue;
            whole_ = seen->words;
            looked_at_ = began;
            if (profile_.handshake)
                ready_ = protocol::is_ready(profile_, whole_);
            const bool kept = take(*outcome, began) && clear_acknowledgement();
            if (kept && understood_) {
                count(&PollCounts::good);
                report_control(*control);
            }
            return kept;
        }
        count(&PollCounts::discarded);
        return true;
    }

    // For so long that the link would have been called silent: the program stood still, not the connection.
    [[nodiscard]] bool nobody_looked_until(SteadyTime now) const {
        return looked_at_ && now - *looked_at_ > tool_.silence_limit;
    }
    // What the tool did meanwhile only its count can tell.
    void look_anew() {
        looked_at_.reset();
        whole_.clear();
        watch_.unwatched(epochs_());
    }

    // A piece of the curve that is wanted, if one is. False: the connection was lost over it.
    [[nodiscard]] bool read_of_trace() {
        auto step = trace_.step(*connection_, steady_clock::now());
        if (!step)
            return lose(fmt::format("cannot read the curve of a result: {}", step.error()));
        tell_lost(std::move(step->lost));
        if (step->found)
            boost::asio::post(loop_,
                              [self = shared_from_this(),
                               trace = arrived({tool_.id}, step->found->of.epoch, step->found->of.counter,
                                               step->found->trace)]() mutable {
                                  // One for each result at most; were it more, the gate would count it.
                                  if (!self->closed_)
                                      static_cast<void>(self->traces_(std::move(trace)));
                              });
        return true;
    }
    void tell_lost(std::string why) {
        if (why.empty())
            return;
        if (auto refused = refusals_.add(steady_clock::now(), {}, std::move(why)))
            post(std::move(*refused));
    }

    // These links may have come up between a result and its curve. It is asked for while the tool shows that
    // very result; a curve that is kept already changes nothing.
    void look_for_last_curve(const protocol::WatchOutcome& outcome, SteadyTime now) {
        const auto of = std::exchange(curve_unseen_, std::nullopt);
        if (!of || !std::holds_alternative<protocol::NoNew>(outcome) || shows_another())
            return;
        if (of->counter == watch_.known()->counter && of->epoch == epoch_text(watch_.known()))
            tell_lost(trace_.expect({of->epoch, of->counter}, now));
    }

    // What the newest result that we have said.
    [[nodiscard]] bool is_newest(const std::vector<std::uint16_t>& words) const {
        return !profile_.counter && newest_ && words != whole_ && content_digest(words) == *newest_;
    }

    [[nodiscard]] std::uint64_t content_digest(const std::vector<std::uint16_t>& words) const {
        return digest_of(protocol::wire_bytes(protocol::content_of(profile_, words)));
    }

    void refuse(const std::vector<std::uint16_t>& block, const protocol::DecodeFault& fault) {
        understood_ = false;
        count(&PollCounts::discarded);
        std::string why = fault.field.empty() ? fault.what : fault.field + ": " + fault.what;
        if (!fault.remedy.empty())
            why += "; " + fault.remedy;
        if (auto refused = refusals_.add(steady_clock::now(), protocol::wire_bytes(block), std::move(why)))
            post(std::move(*refused));
    }

    // False: the connection was lost over it.
    [[nodiscard]] bool take(const protocol::WatchOutcome& outcome, SteadyTime began) {
        const SteadyTime now = steady_clock::now();
        if (!answered_ || count_began_anew(outcome))
            answer();
        tell(freshness_.alive(now));  // good only once the tool has said where it stands
        look_for_last_curve(outcome, now);
        if (profile_.ring)
            return follow_ring(outcome, began);
        // A tool that waits for acknowledgements shows nothing newer before its first one has been
        // acknowledged, and that is done by the decision about it: made before we followed the tool, counted
        // for nothing.
        const bool is_new = !std::holds_alternative<protocol::NoNew>(outcome) &&
                            (!std::holds_alternative<protocol::Baseline>(outcome) ||
                             protocol::waits_for_the_station(profile_));
        if (is_new && has_a_result())
            see_first(began, now);
        else if (shown_)
            see_again(began);
        else if (changed_under_its_count(outcome, began))
            decode(whole_, watch_.known()->counter, now);
        else if (nothing_behind(began))
            caught_up_ = began;
        return true;
    }

    // A result counts once it was seen twice, and unchanged for as long as the tool may be writing it: one
    // that shows its count or mark before the values would show us those of the result before.
    void see_first(SteadyTime began, SteadyTime now) {
        if (const auto replaced = std::exchange(shown_, std::nullopt))
            refuse(replaced->words,
                   {"",
                    fmt::format("result {} was replaced by the next one before it had stood for {} ms",
                                replaced->counter, profile_.written_within.count()),
                    "let the tool wait longer between two results, poll it more often, or correct "
                    "written_within_ms",
                    replaced->counter});
        const std::uint64_t counter = watch_.known()->counter;
        if (profile_.second_read == protocol::SecondRead::counter)
            decode(whole_, counter, now);
        else
            shown_ = Shown{counter, whole_, began, now};
    }
    void see_again(SteadyTime began) {
        if (protocol::content_of(profile_, whole_) != protocol::content_of(profile_, shown_->words)) {
            shown_->words = whole_;
            shown_->since = began;
        }
        if (began - shown_->since < profile_.written_within)
            return;
        const Shown seen = *std::exchange(shown_, std::nullopt);
        decode(whole_, seen.counter, seen.came);
        if (nothing_behind(began))
            caught_up_ = began;
    }

    // Other values stand under the count of the newest result that we have; after a start of the service that
    // one is known by the digest of its content.
    [[nodiscard]] bool shows_another() const {
        // What a handshake shows when it has been told is nobody's.
        if (whole_.empty() || shown_ || (!profile_.counter && profile_.handshake))
            return false;
        if (told_)
            return told_->counter == watch_.known()->counter && whole_ != told_words_ &&
                   protocol::content_of(profile_, whole_) != protocol::content_of(profile_, told_words_);
        return known_ && known_->counter == watch_.known()->counter &&
               known_->epoch == epoch_text(watch_.known()) && newest_ && content_digest(whole_) != *newest_;
    }

    // The tool wrote its count before its values, so slowly that both reads saw the old ones; or it gives its
    // count to another result. What was told is not true, and the core is to say so. Most tools write their
    // values first: for a moment other values under the old count mean that the next one is being written.
    [[nodiscard]] bool changed_under_its_count(const protocol::WatchOutcome& outcome, SteadyTime began) {
        const bool differs = std::holds_alternative<protocol::NoNew>(outcome) && shows_another();
        if (!differs)
            differs_since_.reset();
        else if (!differs_since_)
            differs_since_ = began;
        if (!differs || began - *differs_since_ < tool_.settling)
            return false;
        differs_since_.reset();
        return true;
    }

    // Zero where the count begins at one: the tool has none to show.
    [[nodiscard]] bool has_a_result() const {
        return watch_.known()->counter != 0 || (profile_.counter && profile_.counter->lowest == 0);
    }

    // `came`: when it was seen first.
    void decode(const std::vector<std::uint16_t>& words, std::uint64_t counter, SteadyTime came) {
        auto reading = protocol::decode(profile_, words);
        if (!reading) {
            refuse(words, reading.error());
            // It is one of the tool's results all the same: until it is settled, one is outstanding.
            return answer();
        }
        reading->counter = counter;
        report(std::move(*reading), words, came);
    }

    // ---- a ring of results ----

    // From which one on the ring is to be read after this outcome.
    [[nodiscard]] std::optional<std::uint64_t> first_in_ring(const protocol::WatchOutcome& outcome) const {
        if (const auto* next = std::get_if<protocol::NewResult>(&outcome))
            return next->counter;
        if (const auto* jump = std::get_if<protocol::Jump>(&outcome); jump != nullptr && jump->lost)
            return jump->expected;
        if (count_began_anew(outcome))
            return oldest_in_ring();
        return std::nullopt;
    }

    // The slot of the oldest result is the one that the next is written to, perhaps just now and values
    // first.
    [[nodiscard]] std::uint64_t oldest_in_ring() const {
        const std::uint64_t newest = watch_.known()->counter;
        const std::uint64_t usable = profile_.ring->slots - 1U;
        return std::max(profile_.counter->lowest, newest >= usable ? newest - usable + 1 : 0);
    }

    // Reads what is missing, oldest first; a few at a time, so that the tool is still polled. False: the
    // connection was lost over it.
    [[nodiscard]] bool follow_ring(const protocol::WatchOutcome& outcome, SteadyTime began) {
        constexpr int most_at_once = 8;
        const std::uint64_t newest = watch_.known()->counter;
        if (count_began_anew(outcome))
            in_ring_.reset();
        if (const auto first = first_in_ring(outcome); !in_ring_ && first && *first <= newest)
            in_ring_ = first;
        if (!std::holds_alternative<protocol::NoNew>(outcome))
            newest_since_ = began;
        for (int i = 0; in_ring_ && i < most_at_once && !stopping(); ++i) {
            in_ring_ = std::max(*in_ring_, oldest_in_ring());  // what was written over is a gap in the count
            if (*in_ring_ == newest && may_be_written(began))
                return true;
            const auto step = read_slot(*in_ring_);
            if (!step)
                return lose_poll(step.error());
            if (!*step)
                return true;
            if (++*in_ring_ > newest)
                in_ring_.reset();
        }
        if (!in_ring_ && nothing_behind(began))
            caught_up_ = began;
        return true;
    }

    // The newest slot, whose count may have been shown before its values.
    [[nodiscard]] bool may_be_written(SteadyTime began) const {
        return profile_.second_read == protocol::SecondRead::block && newest_since_ &&
               (began == *newest_since_ || began - *newest_since_ < profile_.written_within);
    }

    // True: done with it, be it reported, refused or written over. False: it is being written, look again
    // later.
    [[nodiscard]] std::expected<bool, std::string> read_slot(std::uint64_t counter) {
        constexpr int patience = 3;
        const auto words = blocks_.slot(*connection_, counter);
        if (!words)
            return std::unexpected(words.error());
        const auto stands = *words ? protocol::counter_in(profile_, **words) : std::nullopt;
        if (stands && *stands == protocol::raw_count(*profile_.counter, counter)) {
            slot_looks_ = 0;
            decode(**words, counter, steady_clock::now());
            return true;
        }
        if (++slot_looks_ < patience)
            return false;
        slot_looks_ = 0;
        const std::string says = stands ? fmt::format("count {}", *stands) : "no count that stands still";
        refuse(words->value_or(std::vector<std::uint16_t>{}),
               {"ring", fmt::format("the slot of result {} says {}", counter, says),
                "check slots, stride, the place of the counter and its range in the profile", counter});
        answer();  // it is one of the tool's results all the same
        return true;
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

    // A tool that waits for acknowledgements may have more behind the result that it shows, and shows that
    // only some time after it was told that the one shown is stored.
    [[nodiscard]] bool nothing_behind(SteadyTime began) const {
        if (!protocol::waits_for_the_station(profile_) || (profile_.counter && !has_a_result()))
            return true;
        if (written_at_ && began < *written_at_ + tool_.settling)
            return false;
        if (profile_.handshake)
            return !ready_ && !must_clear_;
        const auto& known = watch_.known();
        // It may not have acted on what it was told on an earlier connection, and is told once more.
        return acknowledged_ && !tell_again_ && acknowledged_->epoch == epoch_text(known) &&
               acknowledged_->counter >= known->counter;
    }

    // The result came after the last look that found nothing new, and its run began at most the longest run
    // before that. Where there was no such look in this run of the program nobody knows how old it is.
    void report(protocol::Reading reading, const std::vector<std::uint16_t>& words, SteadyTime came) {
        const std::int64_t from = caught_up_ ? since_boot(*caught_up_ - tool_.longest_run) : long_ago_ns;
        told_ = Stored{epoch_text(watch_.known()), reading.counter};
        forget_word_about(*told_);
        const std::uint64_t digest = content_digest(words);
        newest_ = digest;
        told_words_ = words;
        if (reading.counter == watch_.known()->counter)
            tell_lost(trace_.expect({told_->epoch, reading.counter}, steady_clock::now()));
        post(interlock::ResultReceived{.tool = {tool_.id},
                                       .epoch = told_->epoch,
                                       .reading = std::move(reading),
                                       .made = {from, since_boot(came), boot_},
                                       .digest = digest});
    }

    // That something is stored under this number was said of another result: this one waits for a word of its
    // own, and is not acknowledged before.
    void forget_word_about(const Stored& told) {
        if (acknowledged_ == told)
            acknowledged_.reset();
        const std::lock_guard lock{mutex_};
        if (shared_.stored == told)
            shared_.stored.reset();
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
    TraceSink traces_;
    Known ask_known_;
    bool closed_ = false;
    // The thread's, once it runs.
    protocol::ResultWatch watch_;
    Freshness freshness_;
    Redial redial_;
    Refusals refusals_;
    std::optional<ToolTalk> talk_;  // of a tool that obeys
    PolledBlocks blocks_;
    PolledTrace trace_;
    std::shared_ptr<SerialBuses> buses_;
    std::unique_ptr<RegisterLine> connection_;  // null: none
    std::vector<std::uint16_t> whole_;  // what is read, as it was last whole; empty: not on this connection
    std::optional<SteadyTime> looked_at_;      // when the last good look began; none: not on this connection
    std::optional<Shown> shown_;               // a result that has to be seen again
    std::optional<std::uint64_t> newest_;      // digest of the newest result
    std::optional<std::uint64_t> in_ring_;     // the next result to be read from the ring; none: all are
    std::optional<SteadyTime> newest_since_;   // of the ring: when it was seen first
    int slot_looks_ = 0;                       // at the slot in hand
    bool understood_ = true;                   // everything in the poll in hand
    bool ready_ = false;                       // by the last look the tool waits with a result
    bool must_clear_ = false;                  // the acknowledgement may still stand at the tool
    std::mt19937_64 epochs_;                   // names of counts that begin here
    bool answered_ = false;                    // ToolAnswered was sent on this connection
    std::optional<Stored> known_;              // the newest that the journal had at the start
    std::optional<Stored> curve_unseen_;       // the same, until the tool's first word on where it stands
    std::optional<Stored> told_;               // newest result given to the loop
    std::vector<std::uint16_t> told_words_;    // and what it was read from
    std::optional<SteadyTime> differs_since_;  // other values stand under the count that was told
    bool tell_again_ = false;                  // the acknowledgement, on this connection
    std::optional<SteadyTime> written_at_;     // when the tool was last told something
    std::optional<Stored> acknowledged_;       // newest that was written
    std::optional<SteadyTime> caught_up_;      // when the last look began that found nothing more
    // Both.
    Waker waker_;
    mutable std::mutex mutex_;
    Shared shared_;
    std::thread thread_;
};

RegisterTool::RegisterTool(boost::asio::io_context& loop, const config::Station& station,
                           const config::Tool& tool, Sink sink, TraceSink traces, Known known,
                           std::string boot, std::shared_ptr<SerialBuses> buses, Backoff::Limits redial)
    : poller_(std::make_shared<Poller>(loop, station, tool,
                                       Poller::Ends{std::move(sink), std::move(traces), std::move(known)},
                                       Poller::Around{std::move(boot), std::move(buses), redial})) {}

RegisterTool::~RegisterTool() { poller_->stop(); }

void RegisterTool::start() { poller_->start(); }

void RegisterTool::acknowledge(const interlock::Acknowledge& stored) { poller_->acknowledge(stored); }

void RegisterTool::order(RunOrder order) { poller_->order(std::move(order)); }

SourceHealth RegisterTool::health() const { return poller_->health(); }

PollCounts RegisterTool::polls() const { return poller_->polls(); }

void RegisterTool::stop() { poller_->stop(); }

}  // namespace tautgate::links
