#include "service/links/frame_results.hpp"

#include <algorithm>
#include <limits>
#include <utility>
#include <variant>

#include "service/interlock/overloaded.hpp"
#include "service/journal/digest.hpp"

namespace tautgate::links {

using std::chrono::nanoseconds;

namespace {

// Before anything the tool could have told us, and far from where the arithmetic of intervals ends.
constexpr std::int64_t of_any_age_ns = std::numeric_limits<std::int64_t>::min() / 4;
// More numbers than a tool can name before their results come; then the oldest time stands for all.
constexpr std::size_t raised_kept = 256;
// How far before the newest one a result can lie and still be one that is sent again; beyond that the tool
// gives its numbers anew. So many the interlock remembers, too.
constexpr std::uint64_t sent_again = 16;
// While results that the tool named are missing, so many more words on where its count stands are told in
// this time, and no more.
constexpr unsigned told_at_once = 3;
constexpr std::chrono::seconds told_within{1};
// The first that differs, one that it goes back to, and the newest: the interlock finds from these what it
// would have found from all of them, since one that goes back ends what was found before it.
constexpr std::size_t held_most = 3;
// Of a profile without one.
constexpr const char* only_epoch = "0";

[[nodiscard]] std::int64_t ns_of(SteadyTime time) {
    return std::chrono::duration_cast<nanoseconds>(time.time_since_epoch()).count();
}

[[nodiscard]] std::optional<protocol::FrameCount::Known> as_count(const std::optional<KnownOfTool>& known) {
    if (!known)
        return std::nullopt;
    return protocol::FrameCount::Known{known->epoch, known->counter, {}};
}

[[nodiscard]] const protocol::FrameCounter* counter_in(const protocol::FrameProfile& profile) {
    const protocol::ResultMessage* result = protocol::result_of(profile);
    return result != nullptr && result->counter ? &*result->counter : nullptr;
}

}  // namespace

FrameResults::FrameResults(const protocol::FrameProfile& profile, const config::Tool& tool,
                           std::optional<KnownOfTool> known, std::string boot, std::uint64_t seed)
    : profile_(profile), counter_(counter_in(profile)),
      tells_newest_(protocol::tells_newest(profile)), tool_{tool.id},
      longest_delay_(tool.longest_run + tool.silence_limit), settling_(tool.settling),
      sends_within_(tool.settling + tool.silence_limit), boot_(std::move(boot)), epochs_(seed),
      count_(as_count(known)), newest_digest_(known ? known->digest : std::nullopt),
      offline_from_ns_(of_any_age_ns) {
    if (known)
        have_ = Place{known->epoch, known->counter};
    // The journal has it, so that the tool may drop it.
    if (known && known->complete)
        stored_ = interlock::Acknowledge{tool_, known->epoch, known->counter};
}

std::int64_t FrameResults::delay_ns() const { return nanoseconds(longest_delay_).count(); }

std::string FrameResults::epoch_named(const std::string& epoch) const {
    return epoch.empty() ? std::string(only_epoch) : epoch;
}

void FrameResults::connected(SteadyTime now) {
    since_ = free_since_ = now;
    // A connection that broke before it brought what was made meanwhile moves nothing forward.
    offline_from_ns_ = unheard_from_ns();
    answered_.reset();
    raised_.clear();
    placed_ = any_result_ = false;
    waiting_.clear();
    if (counter_ == nullptr)
        count_.unwatched(std::to_string(epochs_()));
}

FrameResults::Step FrameResults::take(const protocol::FrameHeard& heard, SteadyTime now) {
    Step step;
    if (!tells_newest_ && lacks_nothing(now))
        catch_up(now);
    std::visit(interlock::Overloaded{
                   [&](const protocol::FrameResult& result) { take(step, result, now); },
                   [&](const protocol::FrameStatus& status) { take(step, status, now); },
                   [&](const protocol::FrameTrace& trace) { take(step, trace); },
                   [](const protocol::FrameOther&) {},
               },
               heard);
    if (lacks_nothing(now))
        catch_up(now);
    return step;
}

void FrameResults::catch_up(SteadyTime now) {
    caught_up_ = std::max(caught_up_.value_or(came_at(now)), came_at(now));
}

std::uint64_t FrameResults::newest_named() const {
    return raised_.empty() ? answered_->counter : raised_.back().newest;
}

// A tool that does not say where its count stands has had the time to send what it kept, and the line to
// carry it, which may stand still for as long as it may be silent; with nothing that it waited for: one that
// waits to be told of each result has the rest of them still behind it.
bool FrameResults::lacks_nothing(SteadyTime now) const {
    if (!tells_newest_)
        return waiting_.empty() && now - free_since_ > sends_within_;
    return answered_ && have_ && have_->epoch == answered_->epoch && have_->counter >= newest_named();
}

// ---- where the count stands ---------------------------------------------------------------------------

void FrameResults::answer(Step& step, const Place& place, SteadyTime now) {
    if (now - told_from_ >= told_within) {
        told_from_ = now;
        told_since_ = 0;
    }
    ++told_since_;
    told_ = place;
    step.tell.emplace_back(interlock::ToolAnswered{tool_, place.epoch, place.counter});
}

// What the tool said last.
std::optional<FrameResults::Place> FrameResults::said() const {
    return held_.empty() ? told_ : std::optional(held_.back());
}

// Where we lack nothing of what it named so far, the word may be the first on something that is missing.
void FrameResults::tell_place(Step& step, const Place& place, SteadyTime now) {
    const bool lacks = told_ && have_ && *told_ != *have_;
    const bool is_often = now - told_from_ < told_within && told_since_ >= told_at_once;
    if (lacks && (is_often || !held_.empty()))
        hold_back(place);
    else
        answer(step, place, now);
}

void FrameResults::hold_back(const Place& place) {
    const bool goes_on =
        !held_.empty() && held_.back().epoch == place.epoch && held_.back().counter <= place.counter;
    if (held_.size() == held_most || (goes_on && held_.size() == 1)) {
        passed_over_ += goes_on ? 0 : 1;
        held_.back() = place;
    } else {
        held_.push_back(place);
    }
}

void FrameResults::tell_held(Step& step, SteadyTime now) {
    for (const Place& place : std::exchange(held_, {}))
        answer(step, place, now);
    step.passed_over += std::exchange(passed_over_, 0);
}

void FrameResults::take(Step& step, const protocol::FrameStatus& status, SteadyTime now) {
    const auto& known = count_.known();
    Place place{known ? known->epoch : std::string(only_epoch), known ? known->counter : 0};
    if (status.newest && counter_ != nullptr) {
        if (status.epoch)
            place.epoch = epoch_named(*status.epoch);
        place.counter = count_.unroll(*counter_, *status.newest, place.epoch);
        const bool first_word = !answered_;
        take_newest(step, place, now);
        // It may have lost power, or the connection, before it heard that its newest is stored. Without an
        // epoch the same number may by now stand for another one: such a tool hears it once it has sent that
        // again.
        const bool is_stored = stored_ && stored_->epoch == place.epoch && stored_->counter == place.counter;
        if (first_word && status.epoch && is_stored && place.counter > 0 && profile_.acknowledge)
            step.acknowledge.push_back(*status.newest);
    }
    if (status.enabled)
        step.seen = RunSeen{*status.enabled, status.program.value_or(""), place.epoch, place.counter};
}

void FrameResults::take_newest(Step& step, const Place& place, SteadyTime now) {
    if (!answered_) {
        tell_held(step, now);
        answer(step, place, now);
    } else if (said() != place) {
        tell_place(step, place, now);
    }
    raise(place, came_at(now));
    if (!have_)
        have_ = place;
    const auto& known = count_.known();
    if (known && known->epoch == place.epoch && place.counter < known->counter)
        count_ = protocol::FrameCount{{{place.epoch, place.counter, {}}}};  // it begins anew
}

void FrameResults::raise(const Place& place, SteadyTime now) {
    const std::uint64_t before = answered_ ? newest_named() : 0;
    if (!answered_ || answered_->epoch != place.epoch || place.counter < before) {
        answered_ = place;
        raised_.clear();
        return;
    }
    if (place.counter == before)
        return;
    if (raised_.size() >= raised_kept)
        raised_.back().newest = place.counter;
    else
        raised_.push_back({place.counter, now});
}

// ---- results ------------------------------------------------------------------------------------------

void FrameResults::take(Step& step, const protocol::FrameResult& result, SteadyTime now) {
    tell_held(step, now);
    const std::uint64_t digest = journal::short_name(journal::sha256(result.content));
    const Place place = place_of(result, digest);
    // A tool that never says where its count stands has said so by a result that goes on from it.
    if (!tells_newest_ && !any_result_ && continues(place))
        answer(step, {count_.known()->epoch, count_.known()->counter}, now);
    any_result_ = true;
    interlock::ResultReceived received{tool_, place.epoch, result.reading, made_of(place, now), digest};
    received.reading.counter = place.counter;
    const auto& known = count_.known();
    const bool is_newest = !known || known->epoch != place.epoch || place.counter >= known->counter;
    if (is_newest) {
        newest_digest_ = digest;
        told_ = have_ = place;
    }
    follow(place, result.mark);
    await_confirmation(place, result.reading.counter);
    step.tell.emplace_back(std::move(received));
}

FrameResults::Place FrameResults::place_of(const protocol::FrameResult& result, std::uint64_t digest) {
    if (counter_ == nullptr)
        return place_by_mark(result, digest);
    const std::string epoch = epoch_named(result.epoch);
    return {epoch, count_.unroll(*counter_, result.reading.counter, epoch)};
}

// The first one of a connection is the last one again, or nobody knows what came between. After a restart of
// the service the last one is known by what it said.
FrameResults::Place FrameResults::place_by_mark(const protocol::FrameResult& result, std::uint64_t digest) {
    const auto& known = count_.known();
    const bool is_first = !std::exchange(placed_, true);
    if (is_first && known && newest_digest_ == digest)
        return {known->epoch, known->counter};
    return {count_.epoch_by_mark(result.mark), count_.by_mark(result.mark)};
}

void FrameResults::follow(const Place& place, const std::string& mark) {
    const auto& known = count_.known();
    const bool began_anew =
        known && known->epoch == place.epoch && place.counter + sent_again < known->counter;
    if (began_anew)
        count_ = protocol::FrameCount{{{place.epoch, place.counter, mark}}};
    else
        count_.heard(place.epoch, place.counter, mark);
}

void FrameResults::begin_anew() {
    count_.heard(std::to_string(epochs_()), 0);
    newest_digest_.reset();
}

bool FrameResults::continues(const Place& place) const {
    const auto& known = count_.known();
    return known && known->epoch == place.epoch &&
           (place.counter == known->counter || place.counter == known->counter + 1);
}

FrameResults::Step FrameResults::not_understood(SteadyTime now) {
    Step step;
    const auto& known = count_.known();
    if (counter_ != nullptr || !placed_ || (known && known->counter == 0))
        return step;
    begin_anew();
    answer(step, {count_.known()->epoch, 0}, now);
    return step;
}

// A tool that sends its last result again on connecting has had the time to.
FrameResults::Step FrameResults::look(SteadyTime now) {
    Step step;
    if (now - told_from_ >= told_within)
        tell_held(step, now);
    if (counter_ != nullptr || placed_ || now - since_ < settling_)
        return step;
    placed_ = true;
    begin_anew();
    answer(step, {count_.known()->epoch, 0}, now);
    return step;
}

FrameResults::Step FrameResults::rest(SteadyTime now) {
    Step step;
    tell_held(step, now);
    return step;
}

// ---- what is acknowledged -----------------------------------------------------------------------------

void FrameResults::await_confirmation(const Place& place, std::uint64_t raw) {
    if (!profile_.acknowledge)
        return;
    if (std::exchange(waiting_epoch_, place.epoch) != place.epoch)
        waiting_.clear();
    waiting_[place.counter] = raw;
}

std::vector<std::uint64_t> FrameResults::stored(const interlock::Acknowledge& stored, SteadyTime now) {
    stored_ = stored;
    std::vector<std::uint64_t> numbers;
    if (stored.epoch != waiting_epoch_)
        return numbers;
    const auto end = waiting_.upper_bound(stored.counter);
    for (auto it = waiting_.begin(); it != end; it = waiting_.erase(it))
        numbers.push_back(it->second);
    if (!numbers.empty())
        free_since_ = now;
    return numbers;
}

// ---- curves -------------------------------------------------------------------------------------------

void FrameResults::take(Step& step, const protocol::FrameTrace& trace) {
    if (counter_ == nullptr)
        return;  // the check of the profile leaves no such tool
    const auto place = said();
    const std::string epoch = place ? place->epoch : std::string(only_epoch);
    step.trace = arrived(tool_, epoch, count_.unroll(*counter_, trace.belongs_to, epoch), trace.trace);
}

// ---- when it was made ---------------------------------------------------------------------------------

domain::Interval FrameResults::made_of(const Place& place, SteadyTime now) const {
    domain::Interval made{of_any_age_ns, ns_of(now), boot_};
    const auto& known = count_.known();
    if (known && known->epoch == place.epoch && place.counter <= known->counter)
        return made;  // one that comes after a later one, or again, may be of any age
    if (const auto since = live_since(place, came_at(now)))
        made.from_ns = ns_of(*since) - delay_ns();
    else
        made.from_ns = tells_newest_ ? offline_from_ns_ : unheard_from_ns();
    return made;
}

// After this was made what we have not heard of.
std::int64_t FrameResults::unheard_from_ns() const {
    return caught_up_ ? ns_of(*caught_up_) - delay_ns() : of_any_age_ns;
}

// When it was made at the latest, if that was while we heard the tool: when its number was first named, or
// now.
std::optional<SteadyTime> FrameResults::live_since(const Place& place, SteadyTime now) const {
    if (!tells_newest_)
        return lacks_nothing(now) ? std::optional(now) : std::nullopt;
    if (!answered_ || answered_->epoch != place.epoch || place.counter <= answered_->counter)
        return std::nullopt;
    const auto named =
        std::ranges::find_if(raised_, [&](const Raised& raised) { return raised.newest >= place.counter; });
    return named == raised_.end() ? now : named->at;
}

}  // namespace tautgate::links
