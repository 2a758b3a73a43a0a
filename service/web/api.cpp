#include "service/web/api.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <exception>
#include <list>
#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <nlohmann/json.hpp>

#include "service/people/verifier.hpp"
#include "service/web/actions.hpp"
#include "service/web/body.hpp"
#include "service/web/target.hpp"
#include "service/web/views.hpp"

namespace tautgate::web {
namespace {

using namespace interlock;
using std::chrono::milliseconds;

constexpr std::size_t reads_waiting_max = 16;
constexpr std::size_t events_max = 500;
constexpr milliseconds follow_max{30'000};

struct Call {
    Request request;
    std::vector<std::string> arguments;  // of the path, in order
    std::map<std::string, std::string> query;
    PersonNumber person;                 // of the session; 0 where the route needs none and none was given
    std::optional<PersonNumber> second;  // of the second session, never the same person
    Respond respond;

    void answer(std::string body) const { respond({.status = 200, .body = std::move(body)}); }
    void refuse(const Problem& problem) const { respond(to_response(problem)); }
    [[nodiscard]] const std::string& where() const { return request.target; }
};

// ---- problems that more than one route has -------------------------------------------------------------

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

Problem no_such(const std::string& where, const std::string& what) {
    return {.status = 404,
            .code = "not_found",
            .what = "nothing was found",
            .where = where,
            .why = what,
            .remedy = "GET /v1/station shows what there is"};
}

Problem unconfirmed(const std::string& where) {
    return {.status = 504,
            .code = "not_confirmed",
            .what = "it is not known whether this was recorded",
            .where = where,
            .why = "the journal did not confirm it in time",
            .remedy = "look at the events (GET /v1/events) before trying again"};
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

bool is_json(std::string_view content_type) {
    const auto type = content_type.substr(0, content_type.find(';'));
    std::string lower;
    for (const char c : type)
        if (c != ' ')
            lower += c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    return lower == "application/json";
}

std::string seconds_text(std::chrono::seconds time) { return std::to_string(time.count()) + " s"; }

}  // namespace

class Api::Work : public std::enable_shared_from_this<Api::Work> {
  public:
    Work(boost::asio::io_context& loop, StationPort& station, people::Roster roster, ApiSettings settings)
        : loop_(loop), station_(station), roster_(std::move(roster)), settings_(std::move(settings)),
          sign_ins_(settings_.sign_ins), verifier_(loop) {}

    ~Work() {
        reads_.stop();
        reads_.join();
    }
    Work(const Work&) = delete;
    Work& operator=(const Work&) = delete;
    Work(Work&&) = delete;
    Work& operator=(Work&&) = delete;

    void handle(Request request, Respond respond);
    void on_durable();
    void set_own_authority(const std::string& host, std::uint16_t port);

    using Handler = void (Work::*)(Call);
    enum class Needs : std::uint8_t { nothing, session };
    struct Entry {
        std::string_view method;
        std::string_view path;
        Needs needs;
        Handler handler;
    };
    static const std::array<Entry, 20> table;

  private:
    // routes
    void get_station(Call call);
    void get_why(Call call);
    void get_health(Call call);
    void get_rules(Call call);
    void get_people(Call call);
    void get_unit(Call call);
    void get_events(Call call);
    void sign_in(Call call);
    void sign_out(Call call);
    void enrol(Call call);
    void enrol_again(Call call);
    void suspend(Call call);
    void unlock(Call call);
    void approve_rules(Call call);
    void operator_at_bay(Call call);
    void scan(Call call);
    void confirm_check(Call call);
    void propose(Call call);
    void second(Call call);
    void end_proposal(Call call);

    // guards
    std::optional<Problem> foreign(const Request& request) const;
    std::optional<Problem> wrong_content(const Request& request) const;
    std::optional<Problem> authenticate(Call& call, Needs needs);
    void run(const Entry& entry, Call call);
    [[nodiscard]] std::optional<BayId> bay_of(const Call& call) const;
    static std::optional<PersonNumber> person_argument(const Call& call);
    static std::optional<EventNumber> proposal_argument(const Call& call);

    // what routes share
    [[nodiscard]] std::chrono::seconds sign_in_lasts() const;
    void submit(Payload payload, std::optional<people::PersonRecord> record, Call call,
                std::function<void(const Recorded&)> after = {});
    template <class Value>
    void read(Call call, std::function<std::expected<Value, ReadFault>(const Archive&)> ask,
              std::function<void(const Call&, Value)> show);
    void check_secret(PersonNumber person, std::string stored, people::Secret secret, Call call);
    void signed_in(PersonNumber person, const Call& call);
    void wrong_secret(PersonNumber person, Call call);
    void attempt_refused(PersonNumber person, const people::AttemptRefused& refused, const Call& call);
    void hash_and_enrol(Person person, people::PersonRecord record, std::optional<people::Secret> secret,
                        Call call);
    void submit_enrolment(const Person& person, people::PersonRecord record, Call call);
    void enrolled(const people::PersonRecord& record, bool secret_changed);
    std::optional<Problem> first_enrolment_fault(const Call& call, const std::string& code) const;
    std::optional<Problem> badge_fault(const Call& call, const std::string& badge, PersonNumber of) const;
    static std::vector<domain::Role> read_roles(Body& body);
    void follow(Call call, EventNumber from, std::size_t most, milliseconds wait);
    void read_events(Call call, EventNumber from, std::size_t most);
    void note(const std::string& sentence) const {
        if (settings_.note)
            settings_.note(sentence);
    }

    // A caller who waits for events that are not there yet.
    struct Follower {
        Call call;
        EventNumber from;
        std::size_t most = 0;
        boost::asio::steady_timer timer;
    };

    boost::asio::io_context& loop_;
    StationPort& station_;
    people::Roster roster_;
    ApiSettings settings_;
    people::SignIns sign_ins_;
    std::vector<std::string> own_authorities_;
    std::list<Follower> followers_;
    std::size_t reads_waiting_ = 0;
    std::optional<std::string> nobodys_credential_;  // costs as much to check as anybody's
    people::Verifier verifier_;
    boost::asio::thread_pool reads_{1};
};

const std::array<Api::Work::Entry, 20> Api::Work::table{{
    {"GET", "/v1/station", Needs::nothing, &Work::get_station},
    {"GET", "/v1/bays/{bay}/why", Needs::nothing, &Work::get_why},
    {"GET", "/v1/units/{serial}", Needs::nothing, &Work::get_unit},
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
    {"POST", "/v1/rules/approve", Needs::session, &Work::approve_rules},
    {"POST", "/v1/bays/{bay}/operator", Needs::session, &Work::operator_at_bay},
    {"POST", "/v1/bays/{bay}/scans", Needs::session, &Work::scan},
    {"POST", "/v1/bays/{bay}/checks", Needs::session, &Work::confirm_check},
    {"POST", "/v1/bays/{bay}/decisions", Needs::session, &Work::propose},
    {"POST", "/v1/bays/{bay}/decisions/{number}/second", Needs::session, &Work::second},
    {"POST", "/v1/bays/{bay}/decisions/{number}/end", Needs::session, &Work::end_proposal},
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

std::optional<Problem> Api::Work::wrong_content(const Request& request) const {
    if (!changes_something(request.method) || is_json(request.content_type))
        return std::nullopt;
    return Problem{.status = 415,
                   .code = "wrong_content_type",
                   .what = "nothing was changed",
                   .where = "Content-Type",
                   .why = "the body is not declared as application/json",
                   .remedy = "send Content-Type: application/json"};
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

void Api::Work::run(const Entry& entry, Call call) {
    if (auto problem = wrong_content(call.request))
        return call.refuse(*problem);
    if (auto problem = authenticate(call, entry.needs))
        return call.refuse(*problem);
    (this->*entry.handler)(std::move(call));
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
        return call.refuse(no_such(call.where(), "the path cannot be read"));
    call.query = std::move(target->query);

    std::string allowed;
    for (const auto& entry : table) {
        auto arguments = match(entry.path, target->segments);
        if (!arguments)
            continue;
        if (entry.method == call.request.method) {
            call.arguments = std::move(*arguments);
            return run(entry, std::move(call));
        }
        allowed += (allowed.empty() ? "" : ", ") + std::string(entry.method);
    }
    if (allowed.empty())
        return call.refuse(no_such(call.where(), "there is no such path"));
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

// Decides and journals; answers when it is durable, or says that this is not known. `after` comes before the
// answer, and only for what was not refused.
void Api::Work::submit(Payload payload, std::optional<people::PersonRecord> record, Call call,
                       std::function<void(const Recorded&)> after) {
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
    station_.submit(std::move(payload), std::move(record),
                    [pending, after = std::move(after)](std::expected<Recorded, NotRecorded> done) {
                        if (done && after && !std::holds_alternative<Refused>(done->outcome))
                            after(*done);
                        if (std::exchange(pending->answered, true))
                            return;
                        pending->timer.cancel();
                        const auto& waiting = pending->call;
                        if (done)
                            waiting.respond(receipt(*done, waiting.where()));
                        else
                            waiting.refuse(not_recorded(waiting.where(), done.error()));
                    });
}

template <class Value>
void Api::Work::read(Call call, std::function<std::expected<Value, ReadFault>(const Archive&)> ask,
                     std::function<void(const Call&, Value)> show) {
    if (reads_waiting_ >= reads_waiting_max)
        return call.refuse(busy(call.where()));
    ++reads_waiting_;
    boost::asio::post(reads_, [&loop = loop_, keep = boost::asio::make_work_guard(loop_),
                               archive = station_.archive(), ask = std::move(ask), show = std::move(show),
                               call = std::move(call), self = weak_from_this()]() mutable {
        auto found = ask(*archive);
        boost::asio::post(loop,
                          [found = std::move(found), show = std::move(show), call = std::move(call), self] {
                              const auto work = self.lock();
                              if (!work)
                                  return;
                              --work->reads_waiting_;
                              if (found)
                                  return show(call, *found);
                              call.refuse({.status = 500,
                                           .code = "journal_unreadable",
                                           .what = found.error().what,
                                           .where = call.where(),
                                           .why = found.error().why,
                                           .remedy = found.error().remedy});
                          });
    });
}

std::optional<BayId> Api::Work::bay_of(const Call& call) const {
    const auto* bay = find_bay(station_, call.arguments.front());
    if (bay != nullptr)
        return bay->id;
    call.refuse(no_such(call.where(), "there is no such bay at this station"));
    return std::nullopt;
}

std::optional<PersonNumber> Api::Work::person_argument(const Call& call) {
    const auto number = number_from(call.arguments.front());
    if (number && *number > 0 && *number <= 0xFFFFFFFF)
        return PersonNumber{static_cast<std::uint32_t>(*number)};
    call.refuse(no_such(call.where(), "people are named by their number"));
    return std::nullopt;
}

// ---- looking -------------------------------------------------------------------------------------------

void Api::Work::get_station(Call call) { call.answer(station_view(station_, roster_)); }
void Api::Work::get_health(Call call) { call.answer(health_view(station_)); }
void Api::Work::get_rules(Call call) { call.answer(rules_view(station_)); }
void Api::Work::get_people(Call call) { call.answer(people_view(station_, roster_, sign_ins_)); }

void Api::Work::get_why(Call call) {
    const auto* bay = find_bay(station_, call.arguments.front());
    if (bay == nullptr)
        return call.refuse(no_such(call.where(), "there is no such bay at this station"));
    call.answer(why_view(station_, *bay));
}

void Api::Work::get_unit(Call call) {
    const domain::Serial serial{call.arguments.front()};
    read<history::UnitRecord>(
        std::move(call), [serial](const Archive& archive) { return archive.unit(serial); },
        [this](const Call& asked, const history::UnitRecord& record) {
            if (record.stays.empty())
                return asked.refuse(no_such(asked.where(), "the journal has never seen this serial number"));
            asked.answer(unit_view(record, roster_));
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

void Api::Work::get_events(Call call) {
    const auto number = [&](const std::string& key, std::uint64_t otherwise) -> std::optional<std::uint64_t> {
        const auto found = call.query.find(key);
        return found == call.query.end() ? std::optional{otherwise} : number_from(found->second);
    };
    const auto from = number("from", 1);
    const auto most = number("most", events_max);
    const auto wait = number("wait_ms", 0);
    if (!from || !most || !wait || *most == 0)
        return call.refuse({.status = 400,
                            .code = "bad_query",
                            .what = "no events were read",
                            .where = call.where(),
                            .why = "from, most and wait_ms take whole numbers, most at least 1",
                            .remedy = "give for instance /v1/events?from=1&most=100"});
    const auto limit = std::min<std::size_t>(*most, events_max);
    const EventNumber first{std::max<std::uint64_t>(*from, 1)};
    if (first > station_.durable() && *wait > 0)
        return follow(std::move(call), first, limit,
                      std::min(follow_max, milliseconds(static_cast<std::int64_t>(
                                               std::min<std::uint64_t>(*wait, 60'000)))));
    read_events(std::move(call), first, limit);
}

// ---- signing in ----------------------------------------------------------------------------------------

std::chrono::seconds Api::Work::sign_in_lasts() const {
    const auto* rules = rules_in_force(station_);
    return rules == nullptr ? settings_.sign_in_lasts : rules->people.sign_in_lasts;
}

namespace {

// One answer for a wrong secret, an unknown badge and a person who may not sign in: nothing to tell them
// apart by.
Problem wrong_credentials(const std::string& where) {
    return {.status = 401,
            .code = "wrong_credentials",
            .what = "nobody was signed in",
            .where = where,
            .why = "person and secret do not fit together",
            .remedy = "try again; after several wrong ones the person is locked for a time"};
}

}  // namespace

void Api::Work::sign_in(Call call) {
    auto body = Body::parse(call.request.body);
    people::wipe(call.request.body);
    const auto badge = body.optional_text("badge");
    const auto number = body.optional_number("person");
    auto secret = body.secret("secret");
    if (badge.has_value() == number.has_value())
        body.refuse("badge", "exactly one of badge and person is needed", "give the one or the other");
    const auto fault = body.fault();
    body.wipe();
    if (fault)
        return call.refuse(*fault);

    const auto person = badge ? roster_.by_badge(*badge)
                        : *number <= 0xFFFFFFFF
                            ? std::optional{PersonNumber{static_cast<std::uint32_t>(*number)}}
                            : std::nullopt;
    const auto* known = person ? people::find_person(station_.state(), *person) : nullptr;
    const auto* record = person ? roster_.find(*person) : nullptr;
    if (known == nullptr || known->suspended || record == nullptr || record->credential.empty())
        return check_secret(PersonNumber{}, nobodys_credential_.value_or(std::string{}), std::move(secret),
                            std::move(call));
    if (const auto begun = sign_ins_.begin(*person, station_.monotonic()); !begun)
        return attempt_refused(*person, begun.error(), call);
    check_secret(*person, record->credential, std::move(secret), std::move(call));
}

void Api::Work::attempt_refused(PersonNumber person, const people::AttemptRefused& refused,
                                const Call& call) {
    const bool locked = refused.why == people::AttemptRefusal::locked;
    if (refused.first_of_lock)
        station_.submit(SignInRefused{.person = person, .why = "tried while locked"}, std::nullopt,
                        [](const std::expected<Recorded, NotRecorded>&) {});
    auto response = to_response({.status = 429,
                                 .code = locked ? "locked" : "too_soon",
                                 .what = "nobody was signed in and the secret was not looked at",
                                 .where = call.where(),
                                 .why = locked ? "after several wrong secrets this person is locked"
                                               : "after a wrong secret the next try has to wait",
                                 .remedy = "wait " + seconds_text(refused.wait) +
                                           (locked ? ", or ask another administrator to unlock" : "")});
    response.headers.emplace_back("Retry-After", std::to_string(refused.wait.count()));
    call.respond(std::move(response));
}

// Person 0 stands for nobody: the secret is hashed all the same, so that the time taken tells nothing.
void Api::Work::check_secret(PersonNumber person, std::string stored, people::Secret secret, Call call) {
    const bool nobody = person == PersonNumber{};
    const auto respond = std::make_shared<Call>(std::move(call));
    const auto checked = [self = weak_from_this(), respond, person, nobody](people::Verification result) {
        const auto work = self.lock();
        if (!work)
            return;
        if (nobody)
            return respond->refuse(wrong_credentials(respond->where()));
        switch (result) {
        case people::Verification::right: return work->signed_in(person, *respond);
        case people::Verification::wrong: return work->wrong_secret(person, std::move(*respond));
        case people::Verification::not_checkable: break;
        }
        work->sign_ins_.not_checked(person);
        work->note("The credential of person " + std::to_string(person.value) + " could not be checked.");
        respond->refuse(
            {.status = 503,
             .code = "not_checkable",
             .what = "nobody was signed in",
             .where = respond->where(),
             .why = "the stored credential could not be checked: memory is short or it is damaged",
             .remedy = "try again; if it stays, let an administrator enrol the person again"});
    };
    bool taken = false;
    if (nobody && stored.empty()) {
        // The first stranger pays for the credential that later ones are checked against.
        taken = verifier_.hash(
            std::move(secret), settings_.hash_cost,
            [self = weak_from_this(), checked](std::expected<std::string, people::SecretFault> hash) {
                if (const auto work = self.lock(); work && hash)
                    work->nobodys_credential_ = std::move(*hash);
                checked(people::Verification::wrong);
            });
    } else {
        taken = verifier_.verify(std::move(stored), std::move(secret), checked);
    }
    if (taken)
        return;
    if (!nobody)
        sign_ins_.not_checked(person);
    respond->refuse(busy(respond->where()));
}

void Api::Work::signed_in(PersonNumber person, const Call& call) {
    const auto* known = people::find_person(station_.state(), person);
    if (known == nullptr || known->suspended) {  // while the secret was being checked
        sign_ins_.not_checked(person);
        return call.refuse(wrong_credentials(call.where()));
    }
    const auto session = sign_ins_.right(person, station_.monotonic(), sign_in_lasts());
    nlohmann::json roles = nlohmann::json::array();
    for (const auto role : known->roles)
        roles.push_back(name_of(role));
    call.answer(nlohmann::json{{"session", session.token},
                               {"person", {{"number", person.value}, {"name", roster_.name_of(person)}}},
                               {"roles", std::move(roles)},
                               {"ends_after_s", session.ends_after.count()}}
                    .dump(-1, ' ', false, nlohmann::json::error_handler_t::replace));
}

// Answered once the refusal is on record.
void Api::Work::wrong_secret(PersonNumber person, Call call) {
    const auto wrong = sign_ins_.wrong(person, station_.monotonic());
    auto problem = wrong_credentials(call.where());
    if (wrong.locked)
        note("Person " + std::to_string(person.value) + " is locked for " + seconds_text(wrong.wait) +
             " after several wrong secrets.");
    station_.submit(
        SignInRefused{.person = person, .why = wrong.locked ? "wrong secret; now locked" : "wrong secret"},
        std::nullopt,
        [call = std::move(call), problem = std::move(problem)](const auto&) { call.refuse(problem); });
}

void Api::Work::sign_out(Call call) {
    auto body = Body::parse(call.request.body);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    sign_ins_.end(bearer(call.request.authorization).value_or(std::string{}));
    call.answer("{}");
}

// ---- people --------------------------------------------------------------------------------------------

std::vector<domain::Role> Api::Work::read_roles(Body& body) {
    std::vector<domain::Role> roles;
    for (const auto& name : body.texts("roles")) {
        const auto role = role_from(name);
        if (!role) {
            body.refuse("roles", "'" + name + "' is no role",
                        "give some of line_operator, production_supervisor, quality_engineer, "
                        "manufacturing_engineer, maintenance, administrator");
            return roles;
        }
        if (std::ranges::find(roles, *role) == roles.end())
            roles.push_back(*role);
    }
    if (roles.empty())
        body.refuse("roles", "it names no role", "give at least one");
    return roles;
}

std::optional<Problem> Api::Work::first_enrolment_fault(const Call& call, const std::string& code) const {
    if (call.person != PersonNumber{})
        return std::nullopt;
    if (code.empty() || !station_.state().people.empty())
        return not_signed_in("Authorization");
    if (!call.request.from_loopback)
        return Problem{.status = 403,
                       .code = "only_at_the_station",
                       .what = "nobody was enrolled",
                       .where = call.where(),
                       .why = "the first administrator is enrolled at the station itself",
                       .remedy = "send the request from the station PC"};
    if (!settings_.enrolment_code || !settings_.enrolment_code->matches(code))
        return Problem{.status = 403,
                       .code = "wrong_enrolment_code",
                       .what = "nobody was enrolled",
                       .where = "/enrolment_code",
                       .why = "it is not the code of this start of the service",
                       .remedy = "read it from the file enrol.code in the service's state folder"};
    return std::nullopt;
}

std::optional<Problem> Api::Work::badge_fault(const Call& call, const std::string& badge,
                                              PersonNumber of) const {
    const auto owner = roster_.by_badge(badge);
    if (!owner || *owner == of)
        return std::nullopt;
    return Problem{.status = 409,
                   .code = "badge_taken",
                   .what = "nobody was enrolled",
                   .where = call.where(),
                   .why = "the badge belongs to " + roster_.name_of(*owner),
                   .remedy = "give the person another badge"};
}

void Api::Work::enrol(Call call) {
    auto body = Body::parse(call.request.body);
    people::wipe(call.request.body);
    people::PersonRecord record{.number = {}, .name = body.text("name", 200)};
    record.badge = body.optional_text("badge", 200).value_or(std::string{});
    Person person{.number = {}, .roles = read_roles(body)};
    auto secret = body.secret("secret");
    auto code = body.optional_text("enrolment_code", 100).value_or(std::string{});
    auto problem = body.fault();
    body.wipe();
    if (!problem)
        problem = first_enrolment_fault(call, code);
    people::wipe(code);
    if (!problem)
        problem = badge_fault(call, record.badge, {});
    if (problem)
        return call.refuse(*problem);
    if (const auto weak = people::weakness(secret))
        return call.refuse({.status = 422,
                            .code = "secret_too_weak",
                            .what = "nobody was enrolled",
                            .where = "/secret",
                            .why = weak->what,
                            .remedy = weak->remedy});
    person.number = record.number = roster_.promise_number(station_.state());
    hash_and_enrol(std::move(person), std::move(record), std::move(secret), std::move(call));
}

// Other roles, a new secret, or back after a suspension.
void Api::Work::enrol_again(Call call) {
    const auto number = person_argument(call);
    if (!number)
        return;
    auto body = Body::parse(call.request.body);
    people::wipe(call.request.body);
    people::PersonRecord record{.number = *number};
    record.name = body.optional_text("name", 200).value_or(std::string{});
    record.badge = body.optional_text("badge", 200).value_or(std::string{});
    Person person{.number = *number, .roles = read_roles(body)};
    std::optional<people::Secret> secret;
    if (body.has("secret"))
        secret = body.secret("secret");
    auto problem = body.fault();
    body.wipe();
    if (!problem)
        problem = badge_fault(call, record.badge, *number);
    if (!problem && people::find_person(station_.state(), *number) == nullptr)
        problem = no_such(call.where(), "nobody has this number");
    if (problem)
        return call.refuse(*problem);
    if (const auto weak = secret ? people::weakness(*secret) : std::nullopt)
        return call.refuse({.status = 422,
                            .code = "secret_too_weak",
                            .what = "nothing was changed",
                            .where = "/secret",
                            .why = weak->what,
                            .remedy = weak->remedy});
    hash_and_enrol(std::move(person), std::move(record), std::move(secret), std::move(call));
}

void Api::Work::hash_and_enrol(Person person, people::PersonRecord record,
                               std::optional<people::Secret> secret, Call call) {
    if (!secret)
        return submit_enrolment(person, std::move(record), std::move(call));
    const auto asked = std::make_shared<Call>(std::move(call));
    const bool taken =
        verifier_.hash(std::move(*secret), settings_.hash_cost,
                       [self = weak_from_this(), person = std::move(person), record = std::move(record),
                        asked](std::expected<std::string, people::SecretFault> hash) mutable {
                           const auto work = self.lock();
                           if (!work)
                               return;
                           if (!hash)
                               return asked->refuse({.status = 503,
                                                     .code = "secret_not_hashed",
                                                     .what = "nobody was enrolled",
                                                     .where = "/secret",
                                                     .why = hash.error().what,
                                                     .remedy = hash.error().remedy});
                           record.credential = std::move(*hash);
                           work->submit_enrolment(person, std::move(record), std::move(*asked));
                       });
    if (!taken)
        asked->refuse(busy(asked->where()));
}

void Api::Work::submit_enrolment(const Person& person, people::PersonRecord record, Call call) {
    PersonEnrolled event{.person = person, .by = std::nullopt, .seconded_by = call.second};
    if (call.person != PersonNumber{})
        event.by = call.person;
    const bool secret_changed = !record.credential.empty();
    submit(std::move(event), record, std::move(call),
           [self = weak_from_this(), record, secret_changed](const Recorded&) {
               if (const auto work = self.lock())
                   work->enrolled(record, secret_changed);
           });
}

void Api::Work::enrolled(const people::PersonRecord& record, bool secret_changed) {
    roster_.put(record);
    if (secret_changed)
        sign_ins_.end_all_of(record.number);
    if (!settings_.enrolment_code)
        return;
    if (const auto removed = settings_.enrolment_code->use_up(); !removed)
        note(removed.error().what + ": " + removed.error().why + "; " + removed.error().remedy);
    settings_.enrolment_code.reset();
}

void Api::Work::suspend(Call call) {
    const auto number = person_argument(call);
    if (!number)
        return;
    const auto body = Body::parse(call.request.body);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto by = call.person;
    submit(PersonSuspended{.person = *number, .by = by}, std::nullopt, std::move(call),
           [self = weak_from_this(), person = *number](const Recorded&) {
               if (const auto work = self.lock())
                   work->sign_ins_.end_all_of(person);
           });
}

// Changes no decision and no record; the lock itself lives in this process only.
void Api::Work::unlock(Call call) {
    const auto number = person_argument(call);
    if (!number)
        return;
    const auto body = Body::parse(call.request.body);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto* by = people::find_person(station_.state(), call.person);
    if (by == nullptr || !people::has_role(*by, domain::Role::administrator) || *number == call.person)
        return call.refuse({.status = 403,
                            .code = "not_entitled",
                            .what = "nobody was unlocked",
                            .where = call.where(),
                            .why = "only another person who is administrator may unlock somebody",
                            .remedy = "ask an administrator, or wait until the lock ends"});
    if (!sign_ins_.unlock(*number, station_.monotonic()))
        return call.refuse({.status = 409,
                            .code = "not_locked",
                            .what = "nothing was changed",
                            .where = call.where(),
                            .why = "this person is not locked",
                            .remedy = "let the person sign in"});
    note("Person " + std::to_string(number->value) + " was unlocked by person " +
         std::to_string(call.person.value) + ".");
    call.answer("{}");
}

// ---- rules ---------------------------------------------------------------------------------------------

void Api::Work::approve_rules(Call call) {
    auto body = Body::parse(call.request.body);
    const Revision revision{body.text("digest", 64)};
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    if (!call.second)
        return call.refuse({.status = 403,
                            .code = "second_person_missing",
                            .what = "no rules were approved",
                            .where = "Second-Session",
                            .why = "rules are approved by two persons, each with a session",
                            .remedy = "let a second person sign in and send that session, too"});
    const auto staged = station_.staged_rules();
    if (staged.revision != revision)
        return call.refuse(
            {.status = 409,
             .code = "other_rules_staged",
             .what = "no rules were approved",
             .where = "/digest",
             .why = staged.revision
                        ? "the file " + staged.file + " now has the digest " + staged.revision->digest
                        : "the file " + staged.file + " has faults and cannot be approved",
             .remedy = "look at GET /v1/rules and approve what it shows"});
    RulesApproved event{.revision = revision, .by = call.person, .seconded_by = *call.second, .tokens = {}};
    submit(std::move(event), std::nullopt, std::move(call));
}

// ---- the bay -------------------------------------------------------------------------------------------

void Api::Work::operator_at_bay(Call call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    const auto act = body.text("act");
    if (act != "sign_on" && act != "sign_off")
        body.refuse("act", "it is neither sign_on nor sign_off", "give one of them");
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto person = call.person;
    if (act == "sign_on")
        submit(OperatorSignedOn{.bay = *bay, .person = person}, std::nullopt, std::move(call));
    else
        submit(OperatorSignedOff{.bay = *bay}, std::nullopt, std::move(call));
}

void Api::Work::scan(Call call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    const auto text = body.text("text", protocol::label_limit);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto ticket = station_.read_label(*bay, text);
    if (ticket)
        return submit(TicketScanned{.bay = *bay,
                                    .kind = ticket->kind,
                                    .serial = {ticket->serial},
                                    .order = ticket->order,
                                    .type = ticket->type,
                                    .raw = ticket->raw},
                      std::nullopt, std::move(call));
    const auto& fault = ticket.error();
    const Problem problem{.status = 422,
                          .code = "label_misread",
                          .what = "the label was recorded as misread and counts for nothing",
                          .where = "/text",
                          .why = fault.what,
                          .remedy = fault.remedy};
    const auto where = call.where();
    station_.submit(
        LabelMisread{.bay = *bay, .raw = fault.raw, .why = fault.what}, std::nullopt,
        [call = std::move(call), problem, where](const std::expected<Recorded, NotRecorded>& done) {
            call.refuse(done ? problem : not_recorded(where, done.error()));
        });
}

void Api::Work::confirm_check(Call call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    const auto step = body.text("step");
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    const auto person = call.person;
    submit(CheckConfirmed{.bay = *bay, .step = step, .by = person}, std::nullopt, std::move(call));
}

void Api::Work::propose(Call call) {
    const auto bay = bay_of(call);
    if (!bay)
        return;
    auto body = Body::parse(call.request.body);
    auto action_body = body.object("action");
    Proposed event{.bay = *bay,
                   .action = read_action(action_body, station_, *bay),
                   .by = call.person,
                   .reason_code = body.optional_text("reason_code").value_or(std::string{}),
                   .reason_text = body.optional_text("reason_text", 2000).value_or(std::string{}),
                   .seen = EventNumber{body.number("seen")}};
    body.join(action_body);
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    submit(std::move(event), std::nullopt, std::move(call));
}

std::optional<EventNumber> Api::Work::proposal_argument(const Call& call) {
    const auto number = number_from(call.arguments[1]);
    if (number)
        return EventNumber{*number};
    call.refuse(no_such(call.where(), "decisions are named by the number of the event that proposed them"));
    return std::nullopt;
}

void Api::Work::second(Call call) {
    const auto bay = bay_of(call);
    const auto proposal = bay ? proposal_argument(call) : std::nullopt;
    if (!proposal)
        return;
    auto body = Body::parse(call.request.body);
    Seconded event{.bay = *bay, .proposal = *proposal, .by = call.person, .seen = {body.number("seen")}};
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    submit(std::move(event), std::nullopt, std::move(call));
}

void Api::Work::end_proposal(Call call) {
    const auto bay = bay_of(call);
    const auto proposal = bay ? proposal_argument(call) : std::nullopt;
    if (!proposal)
        return;
    auto body = Body::parse(call.request.body);
    ProposalEnded event{.bay = *bay, .proposal = *proposal, .by = call.person, .why = body.text("why", 2000)};
    if (const auto fault = body.fault())
        return call.refuse(*fault);
    submit(std::move(event), std::nullopt, std::move(call));
}

// ---- the api -------------------------------------------------------------------------------------------

Api::Api(boost::asio::io_context& loop, StationPort& station, people::Roster roster, ApiSettings settings)
    : work_(std::make_shared<Work>(loop, station, std::move(roster), std::move(settings))) {}

Api::~Api() = default;

void Api::handle(Request request, Respond respond) { work_->handle(std::move(request), std::move(respond)); }

void Api::on_durable() { work_->on_durable(); }

void Api::set_own_authority(std::string host, std::uint16_t port) { work_->set_own_authority(host, port); }

std::vector<Route> Api::routes() {
    std::vector<Route> all;
    for (const auto& entry : Work::table)
        all.push_back({std::string(entry.method), std::string(entry.path)});
    return all;
}

}  // namespace tautgate::web
