#include "service/history/past_why.hpp"

#include <algorithm>
#include <utility>

#include "protocol/utc.hpp"
#include "service/interlock/lookup.hpp"
#include "service/journal/codec.hpp"
#include "service/journal/reader.hpp"
#include "service/journal/recovery.hpp"

namespace tautgate::history {
namespace {

using domain::EventNumber;
using journal::JournalError;
using journal::Reader;
using journal::StayRow;
using journal::StoredEvent;
template <class Value>
using Read = std::expected<Value, JournalError>;

Read<StoredEvent> stored_event(Reader& reader, EventNumber number) {
    const auto rows = reader.events(number, 1);
    if (!rows)
        return std::unexpected(rows.error());
    auto stored = rows->empty() || rows->front().number != number
                      ? std::unexpected(std::string("it is missing"))
                      : journal::decode(rows->front().body);
    if (stored)
        return std::move(*stored);
    return std::unexpected(
        JournalError{.fault = journal::JournalFault::not_understood,
                     .path = reader.path().string(),
                     .what = "event " + std::to_string(number.value) + " cannot be read: " + stored.error(),
                     .remedy = "use the program version that wrote it",
                     .event = number});
}

// The last event with a stamp up to `utc_us`, by halving; 0: none is that old.
Read<EventNumber> last_until(Reader& reader, std::int64_t utc_us, EventNumber newest) {
    std::uint64_t at_or_before = 0;
    std::uint64_t after = newest.value + 1;
    while (after - at_or_before > 1) {
        const std::uint64_t middle = at_or_before + (after - at_or_before) / 2;
        const auto stored = stored_event(reader, EventNumber{middle});
        if (!stored)
            return std::unexpected(stored.error());
        (stored->event.at.utc_us <= utc_us ? at_or_before : after) = middle;
    }
    return EventNumber{at_or_before};
}

bool covers(const StayRow& stay, EventNumber event) {
    return stay.stay <= event && (!stay.ended || event < *stay.ended);
}

std::string when(const StayRow& stay) {
    return "from " + protocol::utc_text(stay.began_utc_us) + " (event " + std::to_string(stay.stay.value) +
           ")" +
           (stay.ended ? " to " + protocol::utc_text(stay.ended_utc_us.value_or(0)) + " (event " +
                             std::to_string(stay.ended->value) + ")"
                       : std::string(" on"));
}

NotThen not_here_then(const std::string& serial, EventNumber event, const std::vector<StayRow>& stays) {
    std::string times;
    for (const StayRow& stay : stays)
        times += (times.empty() ? "" : ", ") + when(stay);
    if (stays.empty())
        return {"the journal has never seen " + serial, "see that it is written as on the ticket"};
    return {serial + " was not at the station at event " + std::to_string(event.value),
            "ask about a moment at which it was: " + times};
}

// What is asked, found: the event, and the stay if a unit was named.
struct Moment {
    EventNumber event;
    std::optional<EventNumber> stay;
};
using Found = std::variant<Moment, NotThen>;

EventNumber before_its_end(const StayRow& stay, EventNumber newest) {
    return stay.ended ? EventNumber{stay.ended->value - 1} : newest;
}

Read<Found> moment_of(Reader& reader, const PastWhyAsked& asked) {
    const auto head = reader.head();
    if (!head)
        return std::unexpected(head.error());
    EventNumber event = asked.event;
    if (asked.at_utc_us) {
        const auto last = last_until(reader, *asked.at_utc_us, head->number);
        if (!last)
            return std::unexpected(last.error());
        event = *last;
    }
    const bool newest = asked.event.value == 0 && !asked.at_utc_us;
    if (!newest && (event.value == 0 || event > head->number))
        return NotThen{"the journal has no event of that time or number; its newest is event " +
                           std::to_string(head->number.value),
                       "ask about a moment of which it tells"};
    if (asked.serial.empty())
        return Moment{newest ? head->number : event, std::nullopt};
    const auto stays = reader.stays_of(domain::Serial{asked.serial});
    if (!stays)
        return std::unexpected(stays.error());
    if (newest && !stays->empty())
        return Moment{before_its_end(stays->back(), head->number), stays->back().stay};
    const auto here = std::ranges::find_if(*stays, [&](const StayRow& stay) { return covers(stay, event); });
    if (here == stays->end())
        return not_here_then(asked.serial, event, *stays);
    return Moment{event, here->stay};
}

std::string bays_in_words(const interlock::State& state) {
    std::string names;
    for (const interlock::BayState& bay : state.bays)
        names += (names.empty() ? "" : ", ") + bay.id.text;
    return names.empty() ? "it had none" : "name one of " + names;
}

// The bay that is asked about, as it was then.
std::variant<domain::BayId, NotThen> bay_then(const interlock::State& state, const PastWhyAsked& asked,
                                              const std::optional<EventNumber>& stay) {
    for (const interlock::BayState& bay : state.bays) {
        const interlock::Stay* there = interlock::stay_at(bay);
        const bool its = stay ? there != nullptr && there->id == *stay
                              : bay.id.text == asked.bay || (asked.bay.empty() && state.bays.size() == 1);
        if (!its)
            continue;
        if (!asked.bay.empty() && bay.id.text != asked.bay)
            return NotThen{asked.serial + " was at bay " + bay.id.text + " then, not at " + asked.bay,
                           "name that bay, or none"};
        return bay.id;
    }
    return NotThen{asked.bay.empty() ? std::string("the station had not one bay then")
                                     : "the station had no bay " + asked.bay + " then",
                   bays_in_words(state)};
}

Read<DecidedBy> decided_by(Reader& reader, EventNumber event) {
    if (event.value == 0)
        return DecidedBy{};
    const auto stored = stored_event(reader, event);
    if (!stored)
        return std::unexpected(stored.error());
    return DecidedBy{event, stored->event.at.utc_us, stored->program, stored->rules.digest};
}

Read<std::vector<DecidedBy>> decided(Reader& reader, const interlock::BayState& bay, EventNumber until) {
    std::vector<DecidedBy> all;
    for (const interlock::PermissiveState& permissive : bay.permissives) {
        const auto event = reader.output_since(bay.id.text, permissive.id.text, until);
        if (!event)
            return std::unexpected(event.error());
        auto by = decided_by(reader, event->value_or(EventNumber{}));
        if (!by)
            return std::unexpected(std::move(by.error()));
        all.push_back(std::move(*by));
    }
    return all;
}

}  // namespace

Read<PastWhyAnswer> past_why(Reader& reader, const PastWhyAsked& asked) {
    if (auto fault = reader.can_be_queried(); !fault)
        return std::unexpected(std::move(fault.error()));
    auto found = moment_of(reader, asked);
    if (!found)
        return std::unexpected(std::move(found.error()));
    if (auto* nothing = std::get_if<NotThen>(&*found))
        return std::move(*nothing);
    const Moment& moment = std::get<Moment>(*found);
    auto then = journal::recover_until(reader, journal::read_stored_rules, moment.event);
    if (!then)
        return std::unexpected(std::move(then.error()));
    auto bay = bay_then(then->state, asked, moment.stay);
    if (auto* nothing = std::get_if<NotThen>(&bay))
        return std::move(*nothing);
    const auto& id = std::get<domain::BayId>(bay);
    auto by = decided(reader, *interlock::bay_of(std::as_const(then->state), id), moment.event);
    if (!by)
        return std::unexpected(std::move(by.error()));
    const auto stored = stored_event(reader, moment.event);
    if (!stored)
        return std::unexpected(stored.error());
    return PastWhy{.event = moment.event,
                   .utc_us = stored->event.at.utc_us,
                   .program = stored->program,
                   .state = std::move(then->state),
                   .rules = std::move(then->rules),
                   .bay = id,
                   .decided = std::move(*by),
                   .stored_otherwise = then->differs_at};
}

}  // namespace tautgate::history
