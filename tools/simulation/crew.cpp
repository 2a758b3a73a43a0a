#include "tools/simulation/crew.hpp"

#include <algorithm>
#include <cassert>
#include <fstream>
#include <random>
#include <thread>
#include <utility>

#include <fmt/format.h>

namespace tautgate::simulation {

using nlohmann::json;

namespace {

constexpr std::chrono::milliseconds ask_every{20};

const std::string administrator = "administrator";
const std::string supervisor = "production_supervisor";
const std::string quality = "quality_engineer";
const std::string line_operator = "line_operator";

// Each digit differs from the one `period` places before by the same step.
bool runs_in_steps(const std::string& digits, std::size_t period) {
    const int step = digits[period] - digits[0];
    for (std::size_t i = period; i < digits.size(); ++i)
        if ((digits[i] - digits[i - period] - step) % 10 != 0)
            return false;
    return true;
}

// Eight digits from the system's own randomness, drawn anew where they follow a pattern, since such are
// refused.
std::string drawn_pin() {
    std::random_device source;
    std::uniform_int_distribution<int> digit{0, 9};
    std::string pin;
    do {
        pin.clear();
        while (pin.size() < 8)
            pin += static_cast<char>('0' + digit(source));
    } while (runs_in_steps(pin, 1) || runs_in_steps(pin, 2) || runs_in_steps(pin, 3));
    return pin;
}

Crew::Done good(const std::expected<Answer, std::string>& answer, const std::string& doing) {
    if (!answer)
        return std::unexpected(answer.error());
    if (!answer->good())
        return std::unexpected(fmt::format("{}: {}", doing, words_of(*answer)));
    return {};
}

std::expected<json, std::string> content(std::expected<Answer, std::string> answer,
                                         const std::string& doing) {
    if (auto checked = good(answer, doing); !checked)
        return std::unexpected(checked.error());
    return std::move(answer->body);
}

}  // namespace

bool Why::names(const std::string& code) const { return std::ranges::find(codes, code) != codes.end(); }

bool ask_until(const std::function<bool()>& question, std::chrono::milliseconds limit) {
    const auto end = std::chrono::steady_clock::now() + limit;
    while (!question()) {
        if (std::chrono::steady_clock::now() > end)
            return false;
        std::this_thread::sleep_for(ask_every);  // the pace of asking; what counts is the answer
    }
    return true;
}

Crew::Crew(ApiClient api)
    : api_(std::move(api)), members_{{"Mara Quillen", "LT-1001", drawn_pin(), {administrator}, ""},
                                     {"Odo Lammers", "LT-1002", drawn_pin(), {line_operator}, ""},
                                     {"Jonna Fell", "LT-1003", drawn_pin(), {supervisor}, ""},
                                     {"Ines Tarrow", "LT-1004", drawn_pin(), {quality}, ""}} {}

CrewMember& Crew::member(const std::string& role) {
    const auto found =
        std::ranges::find_if(members_, [&](const CrewMember& who) { return who.roles.front() == role; });
    assert(found != members_.end());
    return *found;
}
const CrewMember& Crew::member(const std::string& role) const {
    return const_cast<Crew*>(this)->member(role);
}

Crew::Done Crew::await_station(std::chrono::milliseconds limit) const {
    std::string last;
    const bool answered = ask_until(
        [&] {
            const auto answer = station();
            last = answer ? "" : answer.error();
            return answer.has_value();
        },
        limit);
    if (!answered)
        return std::unexpected(fmt::format("the station does not answer: {}", last));
    return {};
}

Crew::Done Crew::enrol(const std::filesystem::path& enrolment_code) {
    std::string code;
    if (std::ifstream file{enrolment_code}; !(file >> code))
        return std::unexpected(
            fmt::format("no enrolment code in {}; is the station's roster empty, and may this "
                        "user read the file?",
                        enrolment_code.string()));
    CrewMember& first = member(administrator);
    if (auto done = enrol_one(first, code, {}); !done)
        return done;
    if (auto done = sign_in_one(first); !done)
        return done;
    CrewMember& worker = member(line_operator);
    if (auto done = enrol_one(worker, "", {first.session, ""}); !done)
        return done;
    if (auto done = sign_in_one(worker); !done)
        return done;
    // Who may approve is enrolled by two.
    for (const auto& role : {supervisor, quality})
        if (auto done = enrol_one(member(role), "", {first.session, worker.session}); !done)
            return done;
    enrolled_ = true;
    return sign_in();
}

Crew::Done Crew::enrol_one(CrewMember& who, const std::string& code, const Approval& approval) {
    json body{{"name", who.name}, {"badge", who.badge}, {"roles", who.roles}, {"secret", who.pin}};
    if (!code.empty())
        body["enrolment_code"] = code;
    return good(api_.post("/v1/people", body, approval), fmt::format("enrolling {}", who.name));
}

Crew::Done Crew::sign_in_one(CrewMember& who) {
    const auto answer = content(api_.post("/v1/sign-in", {{"badge", who.badge}, {"secret", who.pin}}),
                                fmt::format("signing in {}", who.name));
    if (!answer)
        return std::unexpected(answer.error());
    who.session = answer->value("session", "");
    if (who.session.empty())
        return std::unexpected(fmt::format("signing in {}: the answer holds no session", who.name));
    return {};
}

Crew::Done Crew::sign_in() {
    if (!enrolled_)
        return std::unexpected(fmt::format(
            "{} and the other people of the simulator are not enrolled at this station; its stories and "
            "its confirm work under tools/demo only; confirm with tautgate confirm STEP --as BADGE",
            members_.front().name));
    for (CrewMember& who : members_)
        if (auto done = sign_in_one(who); !done)
            return done;
    return {};
}

Crew::Done Crew::approve_rules() {
    const auto rules = content(api_.get("/v1/rules"), "asking for the rules");
    if (!rules)
        return std::unexpected(rules.error());
    if (!rules->at("staged").is_string())
        return std::unexpected(fmt::format("no configuration is staged: {}", rules->at("faults").dump()));
    return good(api_.post("/v1/rules/approve", {{"digest", rules->at("staged")}},
                          {member(administrator).session, member(supervisor).session}),
                "approving the configuration");
}

Crew::Done Crew::sign_on(const std::string& bay) {
    return good(api_.post(fmt::format("/v1/bays/{}/operator", bay), {{"act", "sign_on"}},
                          {member(line_operator).session, ""}),
                "signing on at the bay");
}

Crew::Done Crew::confirm(const std::string& bay, const std::string& step) {
    const auto seen = newest_event();
    if (!seen)
        return std::unexpected(seen.error());
    return good(api_.post(fmt::format("/v1/bays/{}/checks", bay), {{"step", step}, {"seen", *seen}},
                          {member(line_operator).session, ""}),
                fmt::format("confirming {}", step));
}

std::expected<Answer, std::string> Crew::propose(const std::string& bay, const json& action,
                                                 const std::string& reason_code,
                                                 const std::string& reason_text) const {
    const auto seen = newest_event();
    if (!seen)
        return std::unexpected(seen.error());
    return api_.post(
        fmt::format("/v1/bays/{}/decisions", bay),
        {{"action", action}, {"reason_code", reason_code}, {"reason_text", reason_text}, {"seen", *seen}},
        {member(supervisor).session, ""});
}

Crew::Done Crew::decide(const std::string& bay, const json& action, const std::string& reason_code,
                        const std::string& reason_text, const std::function<void()>& before_second) {
    const auto answer = propose(bay, action, reason_code, reason_text);
    if (auto checked = good(answer, fmt::format("deciding {}", action.dump())); !checked)
        return checked;
    if (before_second)
        before_second();
    if (!answer->body.value("proposal", json(nullptr)).is_number())
        return {};
    return agree(bay, answer->body["proposal"].get<std::uint64_t>());
}

Crew::Done Crew::agree(const std::string& bay, std::uint64_t proposal) {
    const auto seen = newest_event();
    if (!seen)
        return std::unexpected(seen.error());
    return good(api_.post(fmt::format("/v1/bays/{}/decisions/{}/second", bay, proposal), {{"seen", *seen}},
                          {member(quality).session, ""}),
                fmt::format("agreeing to proposal {}", proposal));
}

std::expected<unsigned, std::string> Crew::decide_unsigned(const std::string& bay, const json& action) const {
    const auto answer =
        api_.post(fmt::format("/v1/bays/{}/decisions", bay), {{"action", action}, {"seen", 0}});
    if (!answer)
        return std::unexpected(answer.error());
    return answer->status;
}

std::expected<json, std::string> Crew::station() const {
    return content(api_.get("/v1/station"), "asking for the station");
}

std::expected<std::uint64_t, std::string> Crew::newest_event() const {
    const auto now = station();
    if (!now)
        return std::unexpected(now.error());
    return now->at("newest_event").get<std::uint64_t>();
}

std::expected<json, std::string> Crew::bay(const std::string& id) const {
    const auto now = station();
    if (!now)
        return std::unexpected(now.error());
    for (const auto& bay : now->at("bays"))
        if (bay.at("id") == id)
            return bay;
    return std::unexpected(fmt::format("the station shows no bay {}", id));
}

std::expected<Why, std::string> Crew::why(const std::string& bay, const std::string& permissive) const {
    const auto answer = content(api_.get(fmt::format("/v1/bays/{}/why", bay)), "asking why");
    if (!answer)
        return std::unexpected(answer.error());
    for (const auto& about : answer->at("permissives")) {
        if (about.at("id") != permissive)
            continue;
        Why why;
        for (const auto& reason : about.at("reasons")) {
            why.codes.push_back(reason.at("code"));
            why.sentences.push_back(reason.at("sentence"));
        }
        return why;
    }
    return std::unexpected(fmt::format("bay {} has no permissive {}", bay, permissive));
}

std::expected<json, std::string> Crew::unit(const std::string& serial) const {
    return content(api_.get(fmt::format("/v1/units/{}", serial)), fmt::format("asking for unit {}", serial));
}

bool Crew::await_bay(const std::string& id, const std::function<bool(const json&)>& wanted,
                     std::chrono::milliseconds limit) const {
    return ask_until(
        [&] {
            const auto now = bay(id);
            return now && wanted(*now);
        },
        limit);
}

bool Crew::await_reason(const std::string& bay, const std::string& permissive, const std::string& code,
                        std::chrono::milliseconds limit) const {
    return ask_until(
        [&] {
            const auto now = why(bay, permissive);
            return now && now->names(code);
        },
        limit);
}

}  // namespace tautgate::simulation
