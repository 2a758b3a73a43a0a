// What the HTTP API does with a request: finds the route, the session and the person, turns the request into
// an event, and answers when that event is durable. It holds no rule of the interlock; who may do what is
// decided by the core, and what it refuses is recorded there.
//
// Two approvals are two sessions of two persons. Every person in an event comes from a session, never from a
// request's body. What is read from the journal, and what hashes secrets, runs on one worker each.
//
// In doubt nothing is changed and the answer says why. Belongs to the loop's thread; it may end while answers
// are on their way, which then go nowhere.
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "service/people/credential.hpp"
#include "service/people/enrolment_code.hpp"
#include "service/people/replacement_pass.hpp"
#include "service/people/roster.hpp"
#include "service/people/sign_ins.hpp"
#include "service/web/http.hpp"
#include "service/web/station_port.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::web {

struct ApiSettings {
    // Present while the roster is empty: opens the enrolment of the first administrator, once.
    std::optional<people::EnrolmentCode> enrolment_code{};
    people::HashCost hash_cost{};
    people::SignInPolicy sign_ins{};
    // Who was locked when the service ended, and for how long still.
    std::vector<std::pair<domain::PersonNumber, std::chrono::seconds>> locked{};
    // Opens the replacement of lost administrators, to root alone.
    people::ReplacementPass replacement{"."};
    std::chrono::seconds sign_in_lasts{300};         // while no rules are in force that say it
    std::chrono::milliseconds answer_limit{15'000};  // for an event to become durable, or a read to end
    // A sentence for the service's log; never holds a secret, a token or a code.
    std::function<void(const std::string&)> note{};
};

// For the check that the description and the routes are the same.
struct Route {
    std::string method;
    std::string path;  // "/v1/bays/{bay}/why"
};

class Api {
  public:
    // The loop and the station outlive it.
    Api(boost::asio::io_context& loop, StationPort& station, people::Roster roster,
        ApiSettings settings = {});
    Api(const Api&) = delete;
    Api& operator=(const Api&) = delete;
    Api(Api&&) = delete;
    Api& operator=(Api&&) = delete;
    ~Api();

    // `respond` is called once, now or in a later turn of the loop.
    void handle(Request request, Respond respond);
    // The station calls this when more is durable: those who follow events are answered.
    void on_durable();

    // Where the API listens, as clients write it ("127.0.0.1:8460"); requests for another host are refused.
    void set_own_authority(const std::string& host, std::uint16_t port);

    // Whose badge it is; nobody's: nothing.
    [[nodiscard]] std::optional<domain::PersonNumber> person_with_badge(std::string_view badge) const;

    [[nodiscard]] static std::vector<Route> routes();

  private:
    class Work;
    std::shared_ptr<Work> work_;
};

}  // namespace tautgate::web
