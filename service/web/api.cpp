#include "service/web/api.hpp"

#include <algorithm>
#include <utility>

#include "service/interlock/lookup.hpp"
#include "service/web/listing.hpp"
#include "service/web/target.hpp"
#include "service/web/views.hpp"
#include "service/web/work.hpp"

namespace tautgate::web {

using namespace interlock;

Problem not_signed_in(const std::string& header) {
    return {
        .status = 401,
        .code = "not_signed_in",
        .what = "nothing was changed",
        .where = header,
        .why =
            "it names no session that is open: none was given, it was not used for too long, or its person "
            "was suspended",
        .remedy = "sign in (POST /v1/sign-in) and send the session"};
}

Problem busy(const std::string& where) {
    return {.status = 503,
            .code = "busy",
            .what = "nothing was done",
            .where = where,
            .why = "too many requests of this kind are waiting already",
            .remedy = "try again in a few seconds"};
}

Problem no_such(const std::string& where, const std::string& what, const std::string& remedy) {
    return {.status = 404,
            .code = "not_found",
            .what = "nothing was found",
            .where = where,
            .why = what,
            .remedy = remedy};
}

Problem not_recorded(const std::string& where, const NotRecorded& fault) {
    return {.status = 503,
            .code = "not_recorded",
            .what = "this was not recorded and does not count",
            .where = where,
            .why = fault.why,
            .remedy = fault.remedy};
}

std::optional<std::string> bearer(const std::string& header) {
    constexpr std::string_view scheme = "Bearer ";
    if (!header.starts_with(scheme))
        return std::nullopt;
    return header.substr(scheme.size());
}

namespace {

Problem unconfirmed(const std::string& where) {
    return {.status = 504,
            .code = "not_confirmed",
            .what = "it is not known whether this was recorded",
            .where = where,
            .why = "the journal did not confirm it in time",
            .remedy = "look at the events (GET /v1/events) before trying again"};
}

}  // namespace

bool is_content(std::string_view content_type, std::string_view wanted) {
    const auto type = content_type.substr(0, content_type.find(';'));
    std::string lower;
    for (const char c : type)
        if (c != ' ')
            lower += c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    return lower == wanted;
}

const std::array<Api::Work::Entry, 33> Api::Work::table{{
    {"GET", "/v1/station", Needs::nothing, &Work::get_station},
    {"GET", "/v1/bays/{bay}/why", Needs::nothing, &Work::get_why},
    {"GET", "/v1/past-why", Needs::nothing, &Work::get_past_why},
    {"GET", "/v1/units/{serial}", Needs::nothing, &Work::get_unit},
    {"GET", "/v1/traces/{event}", Needs::nothing, &Work::get_traces},
    {"GET", "/v1/bypasses/{event}/units", Needs::nothing, &Work::get_units_of_bypass},
    {"GET", "/v1/health", Needs::nothing, &Work::get_health},
    {"GET", "/v1/events", Needs::nothing, &Work::get_events},
    {"GET", "/v1/rules", Needs::nothing, &Work::get_rules},
    {"GET", "/v1/people", Needs::session, &Work::get_people},
    {"POST", "/v1/sign-in", Needs::nothing, &Work::sign_in},
    {"POST", "/v1/sign-out", Needs::session, &Work::sign_out},
    {"POST", "/v1/people", Needs::nothing, &Work::enrol},  // the first needs the enrolment code instead
    {"POST", "/v1/people/{person}/enrolment", Needs::session, &Work::enrol_again},
    {"POST", "/v1/people/{person}/suspension", Needs::session, &Work::suspend},
    {"POST", "/v1/people/{person}/unlocking", Needs::session, &Work::unlock},
    {"POST", "/v1/own-secret", Needs::session, &Work::renew_own_secret},
    {"POST", "/v1/people/{person}/deputy", Needs::session, &Work::deputise},
    {"POST", "/v1/people/{person}/name-erasure", Needs::session, &Work::erase_name},
    // Needs the code that root wrote at the station, instead.
    {"POST", "/v1/administrator", Needs::nothing, &Work::replace_administrator},
    {"POST", "/v1/rules/approve", Needs::session, &Work::approve_rules},
    {"POST", "/v1/bays/{bay}/operator", Needs::session, &Work::operator_at_bay},
    {"POST", "/v1/bays/{bay}/wiring-test", Needs::session, &Work::try_wiring},
    {"POST", "/v1/bays/{bay}/scans", Needs::session, &Work::scan},
    {"POST", "/v1/bays/{bay}/checks", Needs::session, &Work::confirm_check},
    {"POST", "/v1/bays/{bay}/hand-checks", Needs::session, &Work::check_by_hand},
    {"POST", "/v1/bays/{bay}/selection", Needs::session, &Work::select_fastener},
    {"POST", "/v1/bays/{bay}/tools", Needs::session, &Work::call_tool},
    {"POST", "/v1/bays/{bay}/decisions", Needs::session, &Work::propose},
    {"POST", "/v1/bays/{bay}/decisions/{number}/second", Needs::session, &Work::second},
    {"POST", "/v1/bays/{bay}/decisions/{number}/end", Needs::session, &Work::end_proposal},
    {"GET", "/v1/orders", Needs::nothing, &Work::get_orders},
    {"POST", "/v1/orders", Needs::session, &Work::send_orders, Takes::json_or_csv},
}};

// ---- the way of a request ------------------------------------------------------------------------------

namespace {

bool is_parameter(std::string_view piece) { return piece.starts_with('{'); }

// The arguments, if the segments fit the path.
std::optional<std::vector<std::string>> match(std::string_view path,
                                              const std::vector<std::string>& segments) {
    std::vector<std::string> arguments;
    std::size_t index = 0;
    for (auto rest = path.substr(1); index < segments.size(); ++index) {
        const auto end = rest.find('/');
        const auto piece = rest.substr(0, end);
        if (is_parameter(piece))
            arguments.push_back(segments[index]);
        else if (piece != segments[index])
            return std::nullopt;
        if (end == std::string_view::npos)
            return index + 1 == segments.size() ? std::optional{arguments} : std::nullopt;
        rest.remove_prefix(end + 1);
    }
    return std::nullopt;
}

bool changes_something(std::string_view method) { return method != "GET"; }

}  // namespace

void Api::Work::set_own_authority(const std::string& host, std::uint16_t port) {
    const auto tail = ":" + std::to_string(port);
    own_authorities_ = {host + tail, "localhost" + tail, "127.0.0.1" + tail, "[::1]" + tail};
}

// A page of another origin, or a foreign name that was made to point at this machine, must not act through
// the browser of somebody who stands here.
std::optional<Problem> Api::Work::foreign(const Request& request) const {
    const auto ours = [&](std::string_view authority) {
        return std::ranges::find(own_authorities_, authority) != own_authorities_.end();
    };
    if (!ours(request.host))
        return Problem{.status = 403,
                       .code = "foreign_host",
                       .what = "nothing was done",
                       .where = "Host",
                       .why = "the request is addressed to another host than this station",
                       .remedy = "use the address and port at which the station listens"};
    constexpr std::string_view scheme = "http://";
    if (!request.origin.empty() &&
        !(request.origin.starts_with(scheme) && ours(std::string_view(request.origin).substr(scheme.size()))))
        return Problem{.status = 403,
                       .code = "foreign_origin",
                       .what = "nothing was done",
                       .where = "Origin",
                       .why = "the request comes from a page that is not the station's own",
                       .remedy = "use the station's own page, or a program that sends no Origin"};
    return std::nullopt;
}

std::optional<Problem> Api::Work::wrong_content(const Request& request, Takes takes) const {
    const bool fits = is_content(request.content_type, "application/json") ||
                      (takes == Takes::json_or_csv && is_content(request.content_type, "text/csv"));
    if (!changes_something(request.method) || fits)
        return std::nullopt;
    return Problem{.status = 415,
                   .code = "wrong_content_type",
                   .what = "nothing was changed",
                   .where = "Content-Type",
                   .why = "the body is not declared as application/json",
                   .remedy = takes == Takes::json ? "send Content-Type: application/json"
                                                  : "send Content-Type: application/json, or text/csv"};
}

std::optional<Problem> Api::Work::authenticate(Call& call, Needs needs) {
    const auto now = station_.monotonic();
    if (const auto token = bearer(call.request.authorization)) {
        const auto person = sign_ins_.person_of(*token, now, station_.state());
        if (!person)
            return not_signed_in("Authorization");
        call.person = *person;
    } else if (needs == Needs::session) {
        return not_signed_in("Authorization");
    }
    if (call.request.second_session.empty())
        return std::nullopt;
    const auto second = sign_ins_.person_of(call.request.second_session, now, station_.state());
    if (!second)
        return not_signed_in("Second-Session");
    if (*second == call.person)
        return Problem{.status = 403,
                       .code = "same_person_twice",
                       .what = "nothing was changed",
                       .where = "Second-Session",
                       .why = "both sessions belong to the same person",
                       .remedy = "let another person sign in and consent"};
    call.second = second;
    return std::nullopt;
}

void Api::Work::run(const Entry& entry, Call& call) {
    if (auto problem = wrong_content(call.request, entry.takes))
        return call.refuse(*problem);
    if (auto problem = authenticate(call, entry.needs))
        return call.refuse(*problem);
    (this->*entry.handler)(call);
}

void Api::Work::handle(Request request, Respond respond) {
    Call call{.request = std::move(request),
              .arguments = {},
              .query = {},
              .person = {},
              .second = {},
              .respond = std::move(respond)};
    if (auto problem = foreign(call.request))
        return call.refuse(*problem);
    auto target = read_target(call.request.target);
    if (!target)
        return call.refuse(no_such(call.where(), "the path cannot be read", "write it as RFC 3986 says"));
    call.query = std::move(target->query);

    std::string allowed;
    for (const auto& entry : table) {
        auto arguments = match(entry.path, target->segments);
        if (!arguments)
            continue;
        if (entry.method == call.request.method) {
            call.arguments = std::move(*arguments);
            return run(entry, call);
        }
        allowed += (allowed.empty() ? "" : ", ") + std::string(entry.method);
    }
    if (allowed.empty())
        return call.refuse(
            no_such(call.where(), "there is no such path", "see the API's description, openapi.json"));
    auto response =
        to_response({.status = 405,
                     .code = "wrong_method",
                     .what = "nothing was done",
                     .where = call.where(),
                     .why = "this path does not know the method " + call.request.method.substr(0, 16),
                     .remedy = "use " + allowed});
    response.headers.emplace_back("Allow", allowed);
    call.respond(std::move(response));
}

namespace {

// The bay of a call that is about one.
const BayState* bay_asked(const StationPort& station, const Call& call) {
    return call.where().starts_with("/v1/bays/") && !call.arguments.empty()
               ? find_bay(station, call.arguments.front())
               : nullptr;
}

}  // namespace

// Decides and journals; answers when it is durable, or says that this is not known. `after` comes before the
// answer, and only for what was not refused.
void Api::Work::submit(Payload payload, std::optional<people::PersonRecord> record, Call call,
                       std::function<void(const Recorded&)> after) {
    submit_for(std::move(payload), std::move(record), std::move(call), std::move(after), {});
}

void Api::Work::submit_for(Payload payload, std::optional<people::PersonRecord> record, Call call,
                           std::function<void(const Recorded&)> after, Reply reply) {
    struct Pending {
        Call call;
        boost::asio::steady_timer timer;
        bool answered = false;
    };
    auto pending = std::make_shared<Pending>(Pending{std::move(call), boost::asio::steady_timer(loop_)});
    pending->timer.expires_after(settings_.answer_limit);
    pending->timer.async_wait([pending](const boost::system::error_code& cancelled) {
        if (cancelled || std::exchange(pending->answered, true))
            return;
        pending->call.refuse(unconfirmed(pending->call.where()));
    });
    const auto person = record ? std::optional(record->number) : std::nullopt;
    const ActKind act = act_kind(payload);
    station_.submit(std::move(payload), std::move(record),
                    [pending, after = std::move(after), reply = std::move(reply), person, act,
                     &station = station_](std::expected<Recorded, NotRecorded> done) {
                        if (done && after && !std::holds_alternative<Refused>(done->outcome))
                            after(*done);
                        if (std::exchange(pending->answered, true))
                            return;
                        pending->timer.cancel();
                        const auto& waiting = pending->call;
                        if (done && reply && !std::holds_alternative<Refused>(done->outcome))
                            waiting.respond(reply(*done));
                        else if (done)
                            waiting.respond(receipt(*done, {.where = waiting.where(),
                                                            .station = station,
                                                            .at = {bay_asked(station, waiting), act},
                                                            .enrolled = person}));
                        else
                            waiting.refuse(not_recorded(waiting.where(), done.error()));
                    });
}

Problem Api::Work::no_such_bay(const Call& call) const {
    const auto* rules = rules_in_force(station_);
    if (rules == nullptr)
        return no_such(call.where(), "no rules are in force, so the station knows no bay yet",
                       "let the rules be approved first");
    return no_such(call.where(), "there is no such bay at this station",
                   "give one of " + listed(rules->bays, [](const config::Bay& bay) { return bay.id; }));
}

std::optional<BayId> Api::Work::bay_of(const Call& call) const {
    const auto* bay = find_bay(station_, call.arguments.front());
    if (bay != nullptr)
        return bay->id;
    call.refuse(no_such_bay(call));
    return std::nullopt;
}

std::optional<PersonNumber> Api::Work::person_argument(const Call& call) {
    const auto number = number_from(call.arguments.front());
    if (number && *number > 0 && *number <= 0xFFFFFFFF)
        return PersonNumber{static_cast<std::uint32_t>(*number)};
    call.refuse(no_such(call.where(), "people are named by their number", "take it from GET /v1/people"));
    return std::nullopt;
}

// ---- the api -------------------------------------------------------------------------------------------

Api::Api(boost::asio::io_context& loop, StationPort& station, people::Roster roster, ApiSettings settings)
    : work_(std::make_shared<Work>(loop, station, std::move(roster), std::move(settings))) {}

Api::~Api() = default;

void Api::handle(Request request, Respond respond) { work_->handle(std::move(request), std::move(respond)); }

void Api::on_durable() { work_->on_durable(); }

void Api::set_own_authority(const std::string& host, std::uint16_t port) {
    work_->set_own_authority(host, port);
}

std::vector<Route> Api::routes() {
    std::vector<Route> all;
    all.reserve(Work::table.size());
    for (const auto& entry : Work::table)
        all.push_back({std::string(entry.method), std::string(entry.path)});
    return all;
}

}  // namespace tautgate::web
