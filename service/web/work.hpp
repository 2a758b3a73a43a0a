// The inside of the API: one object for all routes, and what they share. Its routes stand in three sources:
// looking (look_calls.cpp), people (people_calls.cpp), the bay and the rules (bay_calls.cpp), orders
// (order_calls.cpp); api.cpp leads a request to its route. Used by these sources only; the loop's thread.
#pragma once

#include <array>
#include <chrono>
#include <cstddef>
#include <functional>
#include <list>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>

#include "service/people/verifier.hpp"
#include "service/web/api.hpp"
#include "service/web/body.hpp"

namespace tautgate::web {

using interlock::BayId;
using interlock::EventNumber;
using interlock::Payload;
using interlock::Person;
using interlock::PersonNumber;
using std::chrono::milliseconds;

// Reads of the journal that may wait for the worker.
inline constexpr std::size_t reads_waiting_max = 16;

// One request on its way to its answer.
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

// Whether a Content-Type is the one in question, whatever its parameters.
[[nodiscard]] bool is_content(std::string_view content_type, std::string_view wanted);

// Problems that more than one route has.
[[nodiscard]] Problem not_signed_in(const std::string& header);
[[nodiscard]] Problem busy(const std::string& where);
[[nodiscard]] Problem no_such(const std::string& where, const std::string& what,
                              const std::string& remedy = "name it as the station lists it");
[[nodiscard]] Problem not_recorded(const std::string& where, const NotRecorded& fault);
// The token of "Bearer <token>".
[[nodiscard]] std::optional<std::string> bearer(const std::string& header);

class Api::Work : public std::enable_shared_from_this<Api::Work> {
  public:
    Work(boost::asio::io_context& loop, StationPort& station, people::Roster roster, ApiSettings settings)
        : loop_(loop), station_(station), roster_(std::move(roster)), settings_(std::move(settings)),
          sign_ins_(settings_.sign_ins), verifier_(loop) {
        for (const auto& [person, lasts] : settings_.locked)
            sign_ins_.lock_again(person, station_.monotonic(), lasts);
    }

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

    using Handler = void (Work::*)(Call&);
    enum class Needs : std::uint8_t { nothing, session };
    enum class Takes : std::uint8_t { json, json_or_csv };
    struct Entry {
        std::string_view method;
        std::string_view path;
        Needs needs;
        Handler handler;
        Takes takes = Takes::json;
    };
    static const std::array<Entry, 33> table;

    [[nodiscard]] std::optional<PersonNumber> person_with_badge(std::string_view badge) const {
        return roster_.by_badge(badge);
    }

  private:
    // routes
    void get_station(Call& call);
    void get_why(Call& call);
    void get_past_why(Call& call);
    void get_health(Call& call);
    void get_rules(Call& call);
    void get_people(Call& call);
    void get_unit(Call& call);
    void get_traces(Call& call);
    void get_units_of_bypass(Call& call);
    void get_events(Call& call);
    void sign_in(Call& call);
    void sign_out(Call& call);
    void enrol(Call& call);
    void enrol_again(Call& call);
    void suspend(Call& call);
    void unlock(Call& call);
    void renew_own_secret(Call& call);
    void deputise(Call& call);
    void erase_name(Call& call);
    void replace_administrator(Call& call);
    void approve_rules(Call& call);
    void operator_at_bay(Call& call);
    void try_wiring(Call& call);
    void scan(Call& call);
    void confirm_check(Call& call);
    void check_by_hand(Call& call);
    void select_fastener(Call& call);
    void call_tool(Call& call);
    void propose(Call& call);
    void second(Call& call);
    void end_proposal(Call& call);
    void get_orders(Call& call);
    void send_orders(Call& call);

    // guards
    std::optional<Problem> foreign(const Request& request) const;
    std::optional<Problem> wrong_content(const Request& request, Takes takes) const;
    std::optional<Problem> authenticate(Call& call, Needs needs);
    void run(const Entry& entry, Call& call);
    [[nodiscard]] Problem no_such_bay(const Call& call) const;
    [[nodiscard]] std::optional<BayId> bay_of(const Call& call) const;
    static std::optional<PersonNumber> person_argument(const Call& call);
    static std::optional<PersonNumber> only_person(Call& call);
    static std::optional<EventNumber> proposal_argument(const Call& call);

    // what routes share
    [[nodiscard]] std::chrono::seconds sign_in_lasts() const;
    void submit(Payload payload, std::optional<people::PersonRecord> record, Call call,
                std::function<void(const Recorded&)> after = {});
    // What a person says at a bay about what was on the screen; `read` knows the rest of the body.
    template <class Event>
    void say_at_bay(Call& call, Event (*read_event)(Body&, const StationPort&, const BayId&));
    // The same as submit(), with an answer of its own for what is not refused.
    using Reply = std::function<Response(const Recorded&)>;
    void submit_for(Payload payload, std::optional<people::PersonRecord> record, Call call,
                    std::function<void(const Recorded&)> after, Reply reply);
    template <class Value>
    void read(Call call, std::function<std::expected<Value, ReadFault>(const Archive&)> ask,
              std::function<void(const Call&, Value)> show);
    // What a person gives the own secret for: what did not come about where it is wrong, and what follows
    // where it is right.
    struct Purpose {
        std::string_view failed;
        std::function<void(Work&, PersonNumber, Call)> right;
    };
    // Counts as an attempt of the person, who is known and has a credential.
    void ask_secret(PersonNumber person, people::Secret secret, Call call, const Purpose& purpose);
    void check_secret(PersonNumber person, std::string stored, people::Secret secret, Call call,
                      const Purpose& purpose);
    void signed_in(PersonNumber person, const Call& call);
    void wrong_secret(PersonNumber person, Call call, std::string_view failed);
    void attempt_refused(PersonNumber person, const people::AttemptRefused& refused, const Call& call,
                         std::string_view failed);
    void hash_and_renew(PersonNumber person, people::Secret secret, Call call);
    void hash_and_enrol(Person person, people::PersonRecord record, std::optional<people::Secret> secret,
                        Call call);
    void submit_enrolment(const Person& person, people::PersonRecord record, Call call);
    void enrolled(const people::PersonRecord& record, bool secret_changed);
    std::optional<Problem> first_enrolment_fault(const Call& call, const std::string& code) const;
    std::optional<Problem> badge_fault(const Call& call, const std::string& badge, PersonNumber of) const;
    static std::vector<domain::Role> read_roles(Body& body);
    static std::vector<PersonNumber> read_lost(Body& body);
    void hash_and_replace(interlock::AdministratorReplaced event, people::PersonRecord record,
                          people::Secret secret, Call call);
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

}  // namespace tautgate::web
