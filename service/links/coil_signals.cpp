#include "service/links/coil_signals.hpp"

#include <algorithm>
#include <utility>

#include <fmt/format.h>

#include "config/shortest_exchange.hpp"

namespace tautgate::links {

using interlock::Presence;

namespace {

// Looks that a coil may be behind at the equipment, and the equipment at us.
constexpr int beats_behind = 3;

[[nodiscard]] protocol::PulseTime pulse_time(Instant at) {
    return std::chrono::duration_cast<protocol::PulseTime>(at.time_since_epoch());
}
[[nodiscard]] Instant instant_of(protocol::PulseTime time) {
    return Instant{std::chrono::duration_cast<Instant::duration>(time)};
}

[[nodiscard]] protocol::FieldPlace place_of(const config::ControllerBit& bit) {
    return {bit.table, bit.number, 1};
}

[[nodiscard]] const config::CoilPoint& described(const config::CoilPlan& plan, const std::string& id) {
    // The check of the description has found every permissive there.
    return *std::ranges::find(plan.permissives, id, &config::CoilPoint::permissive);
}

[[nodiscard]] std::uint16_t count_of(const std::optional<KnownOfBay>& known, const domain::PermissiveId& id) {
    if (!known)
        return 0;
    const auto found = std::ranges::find(known->counts.moved, id, &interlock::Moved::permissive);
    return found == known->counts.moved.end() ? std::uint16_t{0} : found->count;
}

[[nodiscard]] Presence presence_as(std::optional<bool> level) {
    if (!level)
        return Presence::unknown;
    return *level ? Presence::present : Presence::absent;
}

void one_up(std::uint16_t& count) { count = static_cast<std::uint16_t>(count + 1); }

}  // namespace

CoilSignals::CoilSignals(const ControllerFrame& frame, const std::optional<KnownOfBay>& known)
    : frame_(frame),
      plan_(*frame.link.coils), present_{plan_.present, protocol::Debouncer{plan_.debounce}, {}, {}, {}, {}} {
    report_.bay = frame.bay;
    if (known) {
        report_.arrivals = known->counts.arrivals;
        report_.departures = known->counts.departures;
        report_.starts = known->counts.starts;
        present_.known = known->present;
    }
    std::vector<protocol::FieldPlace> places{place_of(plan_.echo), place_of(plan_.heartbeat)};
    const auto also = [&](const std::optional<config::ControllerBit>& bit) {
        if (bit)
            places.push_back(place_of(*bit));
    };
    also(plan_.present);
    for (const ControlledPoint& point : frame.points) {
        const config::CoilPoint& described_point = described(plan_, point.id.text);
        also(described_point.moved);
        also(described_point.acting);
        points_.push_back(
            {.moved = {described_point.moved, protocol::Debouncer{plan_.debounce}, {}, {}, {}, {}},
             .acting = described_point.acting,
             .count = count_of(known, point.id),
             .on_at = {},
             .acts = false,
             .heeded = false,
             .unheeded_since = {}});
        report_.moved.push_back({point.id, points_.back().count});
    }
    blocks_ = protocol::cover(std::move(places));
}

// ---- in ---------------------------------------------------------------------------------------------------

bool CoilSignals::bit_of(const config::ControllerBit& bit, std::span<const std::uint16_t> words) const {
    const bool high = words[protocol::offset_in(blocks_, place_of(bit)).value_or(0)] != 0;
    return high != bit.active_low;
}

void CoilSignals::sensed(const config::IoInput& input, std::optional<bool> level, Instant now) {
    if (std::holds_alternative<config::PresentInput>(input.use) && !present_.bit)
        take_sensor(present_, level, now);
    const auto* moved = std::get_if<config::MovedInput>(&input.use);
    for (std::size_t i = 0; i < points_.size() && moved != nullptr; ++i)
        if (frame_.points[i].id.text == moved->permissive && !points_[i].moved.bit)
            take_sensor(points_[i].moved, level, now);
}

// A module has debounced its level already.
void CoilSignals::take_sensor(Sensor& sensor, std::optional<bool> level, Instant now) {
    sensor.raw = level;
    if (!level) {
        gap_ = true;  // even if it is known again before anybody counts
        sensor.debouncer.forget();
        sensor.settled.reset();
    } else if (!sensor.bit) {
        if (sensor.settled != level)
            sensor.changed_after = now - plan_.debounce - frame_.link.beat_interval;
        sensor.settled = level;
    } else {
        take_bit(sensor, *level, now);
    }
}

void CoilSignals::take_bit(Sensor& sensor, bool level, Instant now) {
    if (sensor.debouncer.has_lapsed(pulse_time(now), level, config::longest_unseen))
        gap_ = true;
    if (const auto settled = sensor.debouncer.look(pulse_time(now), level)) {
        sensor.settled = settled->active;
        sensor.changed_after = instant_of(settled->before);
    }
}

// An echo that was there before we wrote anything is none.
void CoilSignals::take_signs(std::span<const std::uint16_t> words, Instant now) {
    if (written_ && !echoed_ && bit_of(plan_.echo, words) == alive_) {
        echoed_ = true;
        if (switched_)
            echo_sign_ = switched_at_;
    }
    const bool heartbeat = bit_of(plan_.heartbeat, words);
    if (heartbeat_ && *heartbeat_ != heartbeat)
        heartbeat_sign_ = now;
    heartbeat_ = heartbeat;
}

std::optional<Instant> CoilSignals::alive_as_of() const {
    if (!echo_sign_ || !heartbeat_sign_)
        return std::nullopt;
    return std::min(*echo_sign_, *heartbeat_sign_);
}

bool CoilSignals::is_alive(Instant now) const {
    const auto as_of = alive_as_of();
    return as_of && now - *as_of <= frame_.link.echo_timeout;
}

FeedbackSeen CoilSignals::take(std::span<const std::uint16_t> words, const std::vector<bool>& on,
                               Instant now) {
    if (is_too_long(std::exchange(read_at_, now), now))
        gap_ = true;
    take_signs(words, now);
    // Inputs of equipment whose program stands still say nothing of now.
    const bool alive = is_alive(now);
    const auto level = [&](const config::ControllerBit& bit) {
        return alive ? std::optional(bit_of(bit, words)) : std::nullopt;
    };
    if (present_.bit)
        take_sensor(present_, level(*present_.bit), now);
    writes(on, now);
    for (std::size_t i = 0; i < points_.size(); ++i) {
        Point& point = points_[i];
        if (point.moved.bit)
            take_sensor(point.moved, level(*point.moved.bit), now);
        point.acts = point.acting && bit_of(*point.acting, words);
        note_unheeded(point, alive && on[i], now);
    }
    return seen(now);
}

// Since then nobody looked, for so long that another unit may stand there.
bool CoilSignals::is_too_long(std::optional<Instant> since, Instant now) const {
    return since && now - *since > config::longest_unseen;
}

// Equipment that follows takes a release within some switches of the alive coil; and where it shows a
// movement, that is settled by then. One on which it acted and acts no more is gone for it: a coil that goes
// off now, for whatever reason, would be the off that lets it take the next one.
void CoilSignals::note_unheeded(Point& point, bool on, Instant now) {
    const bool is_seen_why = point.moved.raw == true || present_.raw == false;
    if (!point.acting || point.acts || is_seen_why) {
        point.heeded = on && point.acts;
        return point.unheeded_since.reset();
    }
    if (on && !point.unheeded_since)
        point.unheeded_since = now;
    const bool gave_up = point.heeded && point.unheeded_since && !on;
    const bool never_took =
        point.unheeded_since && now - *point.unheeded_since > 2 * frame_.link.echo_timeout;
    if (gave_up || (on && never_took))
        gap_ = true;
    if (!on || never_took) {
        point.unheeded_since.reset();
        point.heeded = false;
    }
}

FeedbackSeen CoilSignals::lost(Instant now) {
    if (present_.bit)
        take_sensor(present_, std::nullopt, now);
    for (Point& point : points_) {
        point.acts = point.heeded = false;
        point.unheeded_since.reset();
        if (point.moved.bit)
            take_sensor(point.moved, std::nullopt, now);
    }
    written_ = false;
    echoed_ = false;
    heartbeat_.reset();
    return seen(now);
}

FeedbackSeen CoilSignals::look(Instant now) { return seen(now); }

// ---- what is made of it
// -------------------------------------------------------------------------------------

bool CoilSignals::all_settled() const {
    return present_.settled &&
           std::ranges::all_of(points_, [](const Point& point) { return point.moved.settled.has_value(); });
}

void CoilSignals::count(Instant now) {
    if (is_too_long(counted_at_, now))
        gap_ = true;
    if (!all_settled()) {
        gap_ = true;
        report_.present = Presence::unknown;
        return;
    }
    const bool resumed = std::exchange(gap_, false);
    if (resumed)
        one_up(report_.starts);
    const auto lately_on = [&](const Point& point, const Sensor& sensor) {
        const Instant unseen = resumed ? counted_at_.value_or(now) : std::min(sensor.changed_after, now);
        return point.on_at && *point.on_at >= unseen - frame_.link.beat_interval;
    };
    const bool unit_changed = present_.known && present_.known != present_.settled;
    if (unit_changed)
        one_up(*present_.settled ? report_.arrivals : report_.departures);
    for (std::size_t i = 0; i < points_.size(); ++i) {
        Point& point = points_[i];
        const bool made = point.moved.known && !*point.moved.known && *point.moved.settled;
        if (made)
            one_up(point.count);
        if ((made && lately_on(point, point.moved)) || (unit_changed && lately_on(point, present_)))
            report_.on_wire_released.push_back(frame_.points[i].id);
        point.moved.known = point.moved.settled;
        report_.moved[i].count = point.count;
    }
    present_.known = present_.settled;
    counted_at_ = now;
    report_.present = presence_as(present_.settled);
}

std::optional<std::string> CoilSignals::acts_alone(Instant now) const {
    const auto grace = beats_behind * frame_.link.beat_interval;
    // What it shows before it follows us may be of an earlier run.
    if (!is_alive(now))
        return std::nullopt;
    for (std::size_t i = 0; i < points_.size(); ++i)
        if (points_[i].acts && !(points_[i].on_at && now - *points_[i].on_at <= grace))
            return fmt::format("the controller acts on a release of {} that the station did not give",
                               frame_.points[i].id.text);
    return std::nullopt;
}

std::string CoilSignals::why_not_alive() const {
    if (!written_)
        return "nothing was written to the controller yet";
    if (!echo_sign_ || (heartbeat_sign_ && *echo_sign_ < *heartbeat_sign_))
        return "the controller's echo of the alive coil stands still";
    return "the controller's heartbeat stands still";
}

FeedbackSeen CoilSignals::seen(Instant now) {
    count(now);
    FeedbackSeen seen;
    if (auto alone = acts_alone(now)) {
        seen.acts_alone = true;
        seen.why_not = std::move(*alone);
    } else if (!is_alive(now)) {
        seen.why_not = why_not_alive();
    } else {
        seen.alive_as_of = alive_as_of();
    }
    if (last_ != report_)
        seen.report = report_;
    report_.on_wire_released.clear();  // it was about what is told now
    last_ = report_;
    return seen;
}

// ---- out --------------------------------------------------------------------------------------------------

std::vector<PointGuard> CoilSignals::guards() const {
    const bool there = present_.settled == true && present_.raw == true;
    std::vector<PointGuard> guards;
    guards.reserve(points_.size());
    for (const Point& point : points_) {
        const bool still = point.moved.settled == false && point.moved.raw == false;
        guards.push_back({.open = there && still, .moved = point.count});
    }
    return guards;
}

void CoilSignals::writes(const std::vector<bool>& on, Instant now) {
    for (std::size_t i = 0; i < points_.size(); ++i)
        if (on[i])
            points_[i].on_at = now;
}

bool CoilSignals::alive(std::uint16_t beat, bool ended, Instant now) {
    if (!ended && echoed_ && beat_ != beat) {
        alive_ = !alive_;
        beat_ = beat;
        switched_ = true;
        switched_at_ = now;
        echoed_ = false;
        written_ = false;
    }
    return alive_;
}

}  // namespace tautgate::links
