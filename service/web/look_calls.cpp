#include <algorithm>
#include <limits>

#include "protocol/utc.hpp"
#include "service/history/past_why_json.hpp"
#include "service/history/record_json.hpp"
#include "service/web/target.hpp"
#include "service/web/views.hpp"
#include "service/web/work.hpp"

namespace tautgate::web {
namespace {

constexpr std::size_t events_max = 500;
constexpr std::uint64_t last_number = std::numeric_limits<std::int64_t>::max();  // of the journal
constexpr milliseconds follow_max{30'000};

// The moment, the bay and the unit of GET /v1/past-why.
std::optional<history::PastWhyAsked> past_why_asked(const std::map<std::string, std::string>& query) {
    history::PastWhyAsked asked;
    for (const auto& [key, value] : query) {
        if (key == "bay") {
            asked.bay = value;
        } else if (key == "serial") {
            asked.serial = value;
        } else if (key == "event") {
            const auto number = number_from(value);
            if (!number || *number == 0 || *number > last_number)
                return std::nullopt;
            asked.event = {*number};
        } else if (key == "at") {
            const auto stamp = protocol::parse_utc(value);
            if (!stamp)
                return std::nullopt;
            asked.at_utc_us = stamp->micros;
        }
    }
    const bool both = asked.event.value != 0 && asked.at_utc_us.has_value();
    return both ? std::nullopt : std::optional(asked);
}

}  // namespace

void Api::Work::get_station(Call& call) { call.answer(station_view(station_, roster_)); }
void Api::Work::get_health(Call& call) { call.answer(health_view(station_)); }
void Api::Work::get_rules(Call& call) { call.answer(rules_view(station_)); }
void Api::Work::get_people(Call& call) { call.answer(people_view(station_, roster_, sign_ins_)); }

void Api::Work::get_why(Call& call) {
    const auto& id = call.arguments.front();
    if (const auto* bay = find_bay(station_, id))
        return call.answer(why_view(station_, *bay));
    if (const auto bay = bay_before_rules(station_, id))
        return call.answer(why_view(station_, *bay));
    call.refuse(no_such_bay(call));
}

void Api::Work::get_past_why(Call& call) {
    const auto asked = past_why_asked(call.query);
    if (!asked)
        return call.refuse(
            {.status = 400,
             .code = "bad_query",
             .what = "nothing was looked up",
             .where = call.where(),
             .why = "event takes a whole number from 1 on, at a time, and only one of them goes",
             .remedy = "ask for instance /v1/past-why?bay=J1&at=2026-11-26T10:42:00Z"});
    read<history::PastWhyAnswer>(
        std::move(call), [question = *asked](const Archive& archive) { return archive.past_why(question); },
        [](const Call& answered, const history::PastWhyAnswer& answer) {
            if (const auto* nothing = std::get_if<history::NotThen>(&answer))
                return answered.refuse(no_such(answered.where(), nothing->what, nothing->remedy));
            answered.answer(history::past_why_json(std::get<history::PastWhy>(answer)));
        });
}

void Api::Work::get_unit(Call& call) {
    const domain::Serial serial{call.arguments.front()};
    read<history::UnitRecord>(
        std::move(call), [serial](const Archive& archive) { return archive.unit(serial); },
        [this](const Call& asked, const history::UnitRecord& record) {
            if (record.stays.empty() && record.holds.empty())
                return asked.refuse(no_such(asked.where(), "the journal has never seen this serial number",
                                            "see that it is written as on the ticket, letter by letter"));
            asked.answer(unit_view(record, roster_));
        });
}

void Api::Work::get_traces(Call& call) {
    const auto number = number_from(call.arguments.front());
    if (!number || *number == 0 || *number > last_number)
        return call.refuse(no_such(call.where(),
                                   "traces are named by the event of their result, or their own",
                                   "take the number from GET /v1/units/{serial}"));
    read<journal::StoredTraces>(
        std::move(call),
        [event = EventNumber{*number}](const Archive& archive) { return archive.traces(event); },
        [](const Call& asked, const journal::StoredTraces& stored) {
            if (stored.traces.empty())
                return asked.refuse(no_such(asked.where(), "no trace came with this event or for its result",
                                            "see in GET /v1/units/{serial} which results have one"));
            asked.answer(history::traces_json(stored));
        });
}

void Api::Work::get_units_of_bypass(Call& call) {
    const auto number = number_from(call.arguments.front());
    if (!number || *number == 0 || *number > last_number)
        return call.refuse(no_such(call.where(), "bypasses are named by the event that placed them",
                                   "take the number from GET /v1/station or GET /v1/units/{serial}"));
    const EventNumber bypass{*number};
    read<std::vector<journal::UnitOfBypass>>(
        std::move(call), [bypass](const Archive& archive) { return archive.units_of_bypass(bypass); },
        [bypass](const Call& asked, const std::vector<journal::UnitOfBypass>& units) {
            asked.answer(history::bypass_units_json(bypass, units));
        });
}

void Api::Work::read_events(Call call, EventNumber from, std::size_t most) {
    read<std::vector<StoredEvent>>(
        std::move(call), [from, most](const Archive& archive) { return archive.events(from, most); },
        [from](const Call& asked, const std::vector<StoredEvent>& events) {
            const auto next = events.empty() ? from.value : events.back().number.value + 1;
            asked.respond({.status = 200,
                           .content_type = "application/x-ndjson",
                           .body = event_lines(events),
                           .headers = {{"Next-From", std::to_string(next)}}});
        });
}

void Api::Work::follow(Call call, EventNumber from, std::size_t most, milliseconds wait) {
    followers_.push_back({std::move(call), from, most, boost::asio::steady_timer(loop_)});
    const auto place = std::prev(followers_.end());
    place->timer.expires_after(wait);
    place->timer.async_wait([self = weak_from_this(), place](const boost::system::error_code& cancelled) {
        const auto work = self.lock();
        if (cancelled || !work)
            return;
        auto follower = std::move(*place);
        work->followers_.erase(place);
        work->read_events(std::move(follower.call), follower.from, follower.most);
    });
}

void Api::Work::on_durable() {
    const auto durable = station_.durable();
    for (auto place = followers_.begin(); place != followers_.end();) {
        // A timer that has fired already answers by itself.
        if (place->from > durable || place->timer.cancel() == 0) {
            ++place;
            continue;
        }
        auto follower = std::move(*place);
        place = followers_.erase(place);
        read_events(std::move(follower.call), follower.from, follower.most);
    }
}

void Api::Work::get_events(Call& call) {
    const auto number = [&](const std::string& key, std::uint64_t otherwise) -> std::optional<std::uint64_t> {
        const auto found = call.query.find(key);
        return found == call.query.end() ? std::optional{otherwise} : number_from(found->second);
    };
    const auto from = number("from", 1);
    const auto most = number("most", events_max);
    const auto wait = number("wait_ms", 0);
    if (!from || *from > last_number || !most || !wait || *most == 0)
        return call.refuse(
            {.status = 400,
             .code = "bad_query",
             .what = "no events were read",
             .where = call.where(),
             .why =
                 "from, most and wait_ms take whole numbers, most at least 1, from up to 9223372036854775807",
             .remedy = "give for instance /v1/events?from=1&most=100"});
    const auto limit = std::min<std::size_t>(*most, events_max);
    const EventNumber first{std::max<std::uint64_t>(*from, 1)};
    if (first > station_.durable() && *wait > 0)
        return follow(std::move(call), first, limit,
                      std::min(follow_max, milliseconds(static_cast<std::int64_t>(
                                               std::min<std::uint64_t>(*wait, 60'000)))));
    read_events(std::move(call), first, limit);
}

}  // namespace tautgate::web
