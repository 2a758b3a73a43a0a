#include "tools/cli/acts.hpp"

#include <algorithm>
#include <array>
#include <chrono>
#include <filesystem>
#include <memory>
#include <optional>
#include <system_error>
#include <utility>
#include <variant>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>
#include <unistd.h>

#include "config/whole_file.hpp"
#include "protocol/quantity.hpp"
#include "protocol/text.hpp"
#include "protocol/utc.hpp"
#include "tools/cli/label_lines.hpp"
#include "tools/cli/pass_file.hpp"
#include "tools/cli/secret.hpp"
#include "tools/cli/text.hpp"
#include "tools/cli/views.hpp"

namespace tautgate::cli {

using nlohmann::json;

namespace {

Failure nobody_named() {
    return {Exit::wrong_usage, "nobody is named who does this; give your badge with --as"};
}

Failure no_secret(std::string message) { return {Exit::could_not_ask, std::move(message)}; }

std::string body_of(const json& value) { return value.dump(-1, ' ', true, json::error_handler_t::replace); }

// One person's open session; ends with this.
class Session {
  public:
    Session(const Http& http, std::string token) : http_(http), token_(std::move(token)) {}
    ~Session() {
        if (!token_.empty())
            // Where this fails, the session ends by itself when it was not used for some minutes.
            (void)http_.post("/v1/sign-out", "{}", {.session = token_, .second = {}});
    }
    Session(const Session&) = delete;
    Session& operator=(const Session&) = delete;
    Session(Session&& other) noexcept : http_(other.http_), token_(std::exchange(other.token_, {})) {}
    Session& operator=(Session&&) = delete;
    // Of one that the service has ended already.
    void becomes(Session&& other) { token_ = std::exchange(other.token_, {}); }
    [[nodiscard]] const std::string& token() const noexcept { return token_; }

  private:
    const Http& http_;
    std::string token_;
};

Asked<std::string> secret_of(const Signer& signer) {
    auto secret = signer.secret_file.empty() ? ask_secret(fmt::format("Secret of {}", signer.badge))
                                             : secret_from_file(signer.secret_file);
    return secret ? Asked<std::string>(std::move(*secret)) : std::unexpected(no_secret(secret.error()));
}

Asked<Session> sign_in(const Desk& desk, const Signer& signer, const std::string& secret) {
    json body;
    if (signer.badge.starts_with('#')) {
        const auto number = whole_number<std::uint64_t>(std::string_view(signer.badge).substr(1));
        if (!number)
            return std::unexpected(Failure{
                Exit::wrong_usage, fmt::format("{} is no person's number; give a badge, or a number as '#7'",
                                               plain(signer.badge))});
        body["person"] = *number;
    } else {
        body["badge"] = signer.badge;
    }
    body["secret"] = secret;
    const auto answer = answer_of(desk.http.post("/v1/sign-in", body_of(body)));
    if (!answer)
        return std::unexpected(answer.error());
    auto token = text_at(*answer, "session");
    if (token.empty())
        return std::unexpected(Failure{Exit::could_not_ask,
                                       "the service opened no session; see that tautgate "
                                       "and tautgated are of the same version"});
    return Session{desk.http, std::move(token)};
}

Asked<Session> sign_in(const Desk& desk, const Signer& signer) {
    const auto secret = secret_of(signer);
    return secret ? sign_in(desk, signer, *secret) : std::unexpected(secret.error());
}

// Everybody signs in before anything is changed: a wrong secret of the second leaves nothing half done.
struct Signed {
    Session first;
    std::optional<Session> second;
    [[nodiscard]] Bearer both() const {
        return {.session = first.token(), .second = second ? second->token() : std::string()};
    }
    [[nodiscard]] Bearer alone() const { return {.session = first.token(), .second = {}}; }
};

Asked<Signed> sign_in(const Desk& desk, const Signers& signers) {
    if (signers.first.badge.empty())
        return std::unexpected(nobody_named());
    if (signers.first.badge == signers.second.badge)
        return std::unexpected(
            Failure{Exit::wrong_usage,
                    fmt::format("{} is named twice, and the second person must be another one; give "
                                "another badge with --second",
                                plain(signers.first.badge))});
    auto first = sign_in(desk, signers.first);
    if (!first)
        return std::unexpected(first.error());
    Signed all{std::move(*first), std::nullopt};
    if (!signers.second.badge.empty()) {
        auto second = sign_in(desk, signers.second);
        if (!second)
            return std::unexpected(second.error());
        all.second.emplace(std::move(*second));
    }
    return all;
}

// A ticket that counts for nothing is on record, and nothing was done by it.
std::string receipt_text(const json& receipt, const std::string& done) {
    const auto event = plain(text_at(receipt, "event"));
    const auto outcome = text_at(receipt, "outcome");
    const auto note = plain(text_at(receipt, "note"));
    if (outcome == "questioned")
        return fmt::format("recorded (event {}), does not count: {}\n", event, scan_words(note));
    return fmt::format("{} (event {}, {})\n{}", done, event, words(plain(outcome)),
                       note.empty() ? "" : note + "\n");
}

Exit tell(const Desk& desk, const json& receipt, const std::string& done) {
    if (desk.json)
        print_json(receipt);
    else
        print(receipt_text(receipt, done));
    const auto outcome = text_at(receipt, "outcome");
    return outcome == "questioned" || outcome == "outside_audit" ? Exit::no : Exit::fine;
}

Asked<std::string> new_secret(const NewPerson& person) {
    if (!person.secret_file.empty()) {
        auto secret = secret_from_file(person.secret_file);
        return secret ? Asked<std::string>(std::move(*secret)) : std::unexpected(no_secret(secret.error()));
    }
    auto once = ask_secret(
        fmt::format("New secret of {} (a PIN of 6 digits or more, or 10 characters or more)", person.name));
    if (!once)
        return std::unexpected(no_secret(once.error()));
    const auto again = ask_secret("The same again");
    if (!again)
        return std::unexpected(no_secret(again.error()));
    if (*once != *again)
        return std::unexpected(Failure{
            Exit::wrong_usage, "the two secrets differ, so nothing was changed; run the command again"});
    return std::move(*once);
}

// What a person is asked to put the own name to.
struct Signature {
    std::string shown;  // last, just above the question
    std::string_view question;
};

// The number of the newest event that the person has seen; shows the bay and asks where none was given.
Asked<std::uint64_t> seen_by_person(const Desk& desk, const std::string& bay, std::uint64_t given,
                                    const Signature& asked) {
    if (given != 0)
        return given;
    const auto why = ask(desk, fmt::format("/v1/bays/{}/why", path_part(bay)));
    if (!why)
        return std::unexpected(why.error());
    const auto number = whole_number<std::uint64_t>(text_at(*why, "newest_event"));
    if (!number)
        return std::unexpected(Failure{Exit::could_not_ask,
                                       "the service does not say which event is newest; see "
                                       "that tautgate and tautgated are of the same version"});
    fmt::print(stderr, "{}\n{}", why_text(*why, {}), asked.shown);
    const auto yes = ask_yes(asked.question);
    if (!yes)
        return std::unexpected(Failure{Exit::wrong_usage, yes.error()});
    if (!*yes)
        return std::unexpected(Failure{Exit::no, "nothing was changed, since the answer was not yes"});
    return *number;
}

std::string decisions_of(const std::string& bay) {
    return fmt::format("/v1/bays/{}/decisions", path_part(bay));
}

Asked<Exit> consent(const Desk& desk, const std::string& bay, const json& receipt, const Session& session) {
    const auto answer = answer_of(desk.http.post(
        fmt::format("{}/{}/second", decisions_of(bay), text_at(receipt, "proposal")),
        body_of({{"seen", at(receipt, "event")}}), {.session = session.token(), .second = {}}));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer, "decided by both");
}

}  // namespace

Asked<Exit> enrol(const Desk& desk, const NewPerson& person, const Signers& signers) {
    json body{{"name", person.name}, {"roles", person.roles}};
    if (!person.badge.empty())
        body["badge"] = person.badge;
    std::optional<Signed> by;
    if (!person.code_file.empty()) {
        std::error_code unknown;
        if (!std::filesystem::exists(person.code_file, unknown) && !unknown)
            return std::unexpected(no_secret(fmt::format(
                "the code file {} is not there; if somebody is enrolled already, enrol with --as BADGE, "
                "else see that tautgated runs with this state folder",
                plain(person.code_file))));
        auto code = secret_from_file(person.code_file);
        if (!code)
            return std::unexpected(no_secret(code.error()));
        body["enrolment_code"] = *code;
    } else {
        auto signed_in = sign_in(desk, signers);
        if (!signed_in)
            return std::unexpected(signed_in.error());
        by.emplace(std::move(*signed_in));
    }
    const auto secret = new_secret(person);
    if (!secret)
        return std::unexpected(secret.error());
    body["secret"] = *secret;
    const auto answer = answer_of(desk.http.post("/v1/people", body_of(body), by ? by->both() : Bearer{}));
    if (!answer)
        return std::unexpected(answer.error());
    const auto number = plain(text_at(*answer, "person"));
    return tell(
        desk, *answer,
        fmt::format("{} is enrolled as person {}{}", plain(person.name), number,
                    person.badge.empty() ? fmt::format(", who signs in with --as '#{}'", number) : ""));
}

namespace {

// The person of a badge or a number ("#7" or "7"), from GET /v1/people.
Asked<json> person_named(const json& people, const std::string& named) {
    const auto number = whole_number<std::uint64_t>(named.starts_with('#') ? std::string_view(named).substr(1)
                                                                           : std::string_view(named));
    for (const auto& person : at(people, "people")) {
        if (text_at(person, "badge") == named || (number && at(person, "number") == *number))
            return person;
    }
    return std::unexpected(
        Failure{Exit::no,
                fmt::format("nobody has the badge or number {}; tautgate people lists them", plain(named))});
}

// Somebody, looked up by an administrator who stays signed in for what follows.
struct Looked {
    Signed by;
    json person;
    [[nodiscard]] std::string path(std::string_view act) const {
        return fmt::format("/v1/people/{}/{}", text_at(person, "number"), act);
    }
    [[nodiscard]] std::string name() const { return plain(text_at(person, "name")); }
};

Asked<Looked> look_up(const Desk& desk, const std::string& named, const Signers& signers) {
    auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    const auto people = ask(desk, "/v1/people", by->alone());
    if (!people)
        return std::unexpected(people.error());
    auto person = person_named(*people, named);
    if (!person)
        return std::unexpected(person.error());
    return Looked{std::move(*by), std::move(*person)};
}

}  // namespace

Asked<Exit> suspend(const Desk& desk, const std::string& named, const Signers& signers) {
    const auto who = look_up(desk, named, signers);
    if (!who)
        return std::unexpected(who.error());
    const auto answer = answer_of(desk.http.post(who->path("suspension"), "{}", who->by.both()));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer, fmt::format("{} is suspended", who->name()));
}

Asked<Exit> unlock(const Desk& desk, const std::string& named, const Signers& signers) {
    const auto who = look_up(desk, named, signers);
    if (!who)
        return std::unexpected(who.error());
    const auto answer = answer_of(desk.http.post(who->path("unlocking"), "{}", who->by.alone()));
    if (!answer)
        return std::unexpected(answer.error());
    if (desk.json)
        print_json(*answer);
    else
        print(fmt::format("{} may try to sign in again\n", who->name()));
    return Exit::fine;
}

Asked<Exit> renew_secret(const Desk& desk, const std::string& named, const std::string& secret_file,
                         bool reinstate, const Signers& signers) {
    const auto who = look_up(desk, named, signers);
    if (!who)
        return std::unexpected(who.error());
    if (at(who->person, "suspended") == true && !reinstate)
        return std::unexpected(
            Failure{Exit::no, fmt::format("{} is suspended, and a new secret would let them act again; give "
                                          "--reinstate if that is wanted",
                                          plain(who->name()))});
    const auto secret = new_secret(
        {.name = who->name(), .badge = {}, .roles = {}, .secret_file = secret_file, .code_file = {}});
    if (!secret)
        return std::unexpected(secret.error());
    json body{{"roles", at(who->person, "roles")}, {"secret", *secret}};
    if (reinstate)
        body["reinstate"] = "yes";
    const auto answer = answer_of(desk.http.post(who->path("enrolment"), body_of(body), who->by.both()));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer, fmt::format("{} has a new secret", who->name()));
}

// The old secret opens the session, and is given once more with the new one.
Asked<Exit> renew_own_secret(const Desk& desk, const std::string& secret_file, const Signer& signer) {
    if (signer.badge.empty())
        return std::unexpected(nobody_named());
    const auto old = secret_of(signer);
    if (!old)
        return std::unexpected(old.error());
    const auto session = sign_in(desk, signer, *old);
    if (!session)
        return std::unexpected(session.error());
    const auto secret = new_secret(
        {.name = signer.badge, .badge = {}, .roles = {}, .secret_file = secret_file, .code_file = {}});
    if (!secret)
        return std::unexpected(secret.error());
    const json body{{"old_secret", *old}, {"secret", *secret}};
    const auto answer = answer_of(
        desk.http.post("/v1/own-secret", body_of(body), {.session = session->token(), .second = {}}));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer, fmt::format("{} has a new secret", plain(signer.badge)));
}

Asked<Exit> deputise(const Desk& desk, const std::string& named, const DeputyWords& words,
                     const Signers& signers) {
    if (words.end == !words.until.empty())
        return std::unexpected(
            Failure{Exit::wrong_usage,
                    "it is not said until when; give either --until 2026-11-30T22:00:00Z or --end"});
    const auto who = look_up(desk, named, signers);
    if (!who)
        return std::unexpected(who.error());
    json body{{"act", words.end ? "end" : "name"}, {"role", words.role}};
    if (!words.end)
        body["until"] = words.until;
    const auto answer = answer_of(desk.http.post(who->path("deputy"), body_of(body), who->by.both()));
    if (!answer)
        return std::unexpected(answer.error());
    const std::string role = cli::words(words.role);
    return tell(desk, *answer,
                words.end
                    ? fmt::format("{} does not stand in as {} any more", who->name(), role)
                    : fmt::format("{} stands in as {} until {}", who->name(), role, plain(words.until)));
}

Asked<Exit> erase_name(const Desk& desk, const std::string& named, const Signers& signers) {
    const auto who = look_up(desk, named, signers);
    if (!who)
        return std::unexpected(who.error());
    const auto answer = answer_of(desk.http.post(who->path("name-erasure"), "{}", who->by.both()));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(
        desk, *answer,
        fmt::format("name and badge of person {} are taken out", plain(text_at(who->person, "number"))));
}

Asked<Exit> replace_administrator(const Desk& desk, const Replacement& replacement, const NewPerson& person) {
    if (::geteuid() != 0)
        return std::unexpected(
            Failure{Exit::wrong_usage, "only root replaces an administrator; run this command as root"});
    const auto secret = new_secret(person);
    if (!secret)
        return std::unexpected(secret.error());
    const auto pass = PassFile::write(replacement.state_folder);
    if (!pass)
        return std::unexpected(Failure{Exit::could_not_ask, plain(pass.error())});
    json body{{"name", person.name}, {"lost", replacement.lost}, {"secret", *secret}, {"code", pass->code()}};
    if (!person.badge.empty())
        body["badge"] = person.badge;
    const auto answer = answer_of(desk.http.post("/v1/administrator", body_of(body), Bearer{}));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer,
                fmt::format("{} is administrator, as person {}; everybody who was named as lost is suspended",
                            plain(person.name), plain(text_at(*answer, "person"))));
}

Asked<Exit> list_people(const Desk& desk, const Signers& signers) {
    const auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    const auto people = ask(desk, "/v1/people", by->alone());
    if (!people)
        return std::unexpected(people.error());
    if (desk.json)
        print_json(*people);
    else
        print(people_text(*people, desk.style));
    return Exit::fine;
}

Asked<Exit> approve_rules(const Desk& desk, const std::string& digest, const Signers& signers) {
    if (signers.first.badge.empty() || signers.second.badge.empty())
        return std::unexpected(Failure{
            Exit::wrong_usage, "rules need two people; give their badges with --as and with --second"});
    const auto rules = ask(desk, "/v1/rules");
    if (!rules)
        return std::unexpected(rules.error());
    const auto staged = text_at(*rules, "staged");
    if (staged.empty())
        return std::unexpected(
            Failure{Exit::no, fmt::format("no rules are staged from {}; {}", plain(text_at(*rules, "file")),
                                          "see tautgate rules and tautgate check-config")});
    if (digest.empty()) {
        fmt::print(stderr, "{}", rules_text(*rules));
        const auto yes = ask_yes("The staged rules take effect bay by bay with the next unit.");
        if (!yes)
            return std::unexpected(Failure{Exit::wrong_usage,
                                           "no terminal to ask at; look with tautgate rules, then "
                                           "give the digest shown as staged with --digest"});
        if (!*yes)
            return std::unexpected(Failure{Exit::no, "nothing was changed, since the answer was not yes"});
    }
    const auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    const auto answer = answer_of(desk.http.post(
        "/v1/rules/approve", body_of({{"digest", digest.empty() ? staged : digest}}), by->both()));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer, "the rules are approved");
}

std::span<const DecisionKind> decision_kinds() {
    static const std::array kinds{
        DecisionKind{"override", "override_joint", {"joint"}, "JOINT counts for this unit without proof"},
        DecisionKind{"take-back-override", "take_back_override", {"joint"}, "JOINT must be proven again"},
        DecisionKind{"leave-incomplete", "leave_incomplete", {}, "the unit leaves unproven"},
        DecisionKind{
            "accept-gap", "accept_gap", {"tool"}, "results missing in the count of TOOL will not come"},
        DecisionKind{
            "accept-source", "accept_source", {"tool"}, "TOOL cannot say what it missed; somebody looked"},
        DecisionKind{"unlock-fastener", "unlock_fastener", {"joint", "fastener"}, "one more attempt"},
        DecisionKind{"assign-result",
                     "assign_result",
                     {"result", "joint", "fastener"},
                     "by the result's event number"},
        DecisionKind{"set-result-aside", "set_result_aside", {"result"}, "it belongs to no fastener"},
        DecisionKind{"unit-still-here", "unit_still_here", {}, "the unit has not left"},
        DecisionKind{"unit-has-left", "unit_has_left", {}, "the unit has left"},
        DecisionKind{"correct-ticket", "correct_ticket", {"text"}, "the label that should have been scanned"},
        DecisionKind{"accept-return", "accept_return", {}, "the serial is back for rework"},
        DecisionKind{
            "acknowledge-move", "acknowledge_move", {"permissive"}, "a movement while withheld was seen"},
        DecisionKind{
            "rearm", "rearm_permissive", {"permissive"}, "an interrupted movement may be made again"},
        DecisionKind{"dispose-set-aside", "dispose_set_aside", {"event"}, "an event set aside was looked at"},
        DecisionKind{"accept-difference", "accept_difference", {}, "the stored decision stands"},
        DecisionKind{"place-hold", "place_hold", {"serial"}, "a unit on quality hold"},
        DecisionKind{"lift-hold", "lift_hold", {"serial"}, "off quality hold"},
        DecisionKind{"place-hold-on",
                     "place_hold_on",
                     {"what", "name"},
                     "quality hold on a tool, a joint or a person"},
        DecisionKind{"lift-hold-from", "lift_hold_from", {"what", "name"}, "off that hold"},
        DecisionKind{"record-calibration",
                     "record_calibration",
                     {"tool", "done", "certificate"},
                     "a tool was calibrated on that day"},
        DecisionKind{"place-bypass",
                     "place_bypass",
                     {"joint", "alternate", "until", "units"},
                     "JOINT is done another way until then (or for 8h)"},
        DecisionKind{"end-bypass", "end_bypass", {"joint"}, "JOINT is done as planned again"},
        DecisionKind{
            "verify-restart", "verify_restart", {"joint"}, "what was out of order for JOINT works again"},
        DecisionKind{"witness", "witness_joint", {"joint"}, "somebody else did JOINT, and you saw it done"},
        DecisionKind{
            "settle-order", "settle_order", {"by"}, "go on by order_as_taken (as it was) or order_as_now"},
        DecisionKind{"accept-reuse", "accept_reuse", {"serial"}, "it was taken out of the other unit"}};
    return kinds;
}

namespace {

std::string wrong_count(const DecisionKind& kind, const std::vector<std::string>& given) {
    if (kind.parameters.empty())
        return fmt::format("{} is about the unit in the bay and takes nothing after it; leave out {}",
                           kind.word, plain(fmt::format("{}", fmt::join(given, " "))));
    return fmt::format(
        "{} needs {} after it, and {}; see tautgate decide --help", kind.word,
        fmt::join(kind.parameters, ", "),
        given.empty() ? "nothing is given"
                      : fmt::format("what is given is {}", plain(fmt::format("{}", fmt::join(given, ", ")))));
}

std::string no_decision(const std::string& word) {
    std::vector<std::string> known;
    for (const DecisionKind& kind : decision_kinds())
        known.emplace_back(kind.word);
    const auto nearest = protocol::nearest_word(word, known);
    return fmt::format("there is no decision {}; {}see tautgate decide --help", plain(word),
                       nearest.empty() ? "" : fmt::format("did you mean {}? ", nearest));
}

// "8h" from now; anything else is taken as it is, and the service says where it is no moment.
std::string moment_in(const std::string& text) {
    const auto hours = text.ends_with('h')
                           ? whole_number<std::uint32_t>(std::string_view(text).substr(0, text.size() - 1))
                           : std::nullopt;
    constexpr std::uint32_t year_h = 366 * 24;
    if (!hours || *hours > year_h)
        return text;
    const auto then = std::chrono::system_clock::now() + std::chrono::hours(*hours);
    return protocol::utc_text(
        std::chrono::duration_cast<std::chrono::microseconds>(then.time_since_epoch()).count());
}

// Before anybody signs: a slip of the pen is not worth two secrets.
std::optional<std::string> torque_fault(const HandCheck& check) {
    const auto unit = protocol::torque_unit(check.unit);
    if (!unit)
        return fmt::format("--unit {} is no unit of torque; give N.m, cN.m, lbf.ft, lbf.in or kgf.m",
                           plain(check.unit));
    const auto torque = protocol::torque_from_text(check.torque, *unit, protocol::Torque{1});
    if (torque)
        return std::nullopt;
    return fmt::format("--torque {}: the value {}; give the measured number, for instance 182.5",
                       plain(check.torque), protocol::to_text(torque.error()));
}

}  // namespace

Asked<json> action_of(const DecisionWords& asked) {
    const auto wrong = [](std::string message) {
        return std::unexpected(Failure{Exit::wrong_usage, std::move(message)});
    };
    const auto kinds = decision_kinds();
    const auto kind = std::ranges::find(kinds, asked.word, &DecisionKind::word);
    if (kind == kinds.end())
        return wrong(no_decision(asked.word));
    if (asked.values.size() != kind->parameters.size())
        return wrong(wrong_count(*kind, asked.values));
    json values = json::object();
    for (std::size_t i = 0; i < asked.values.size(); ++i) {
        const std::string key(kind->parameters[i]);
        if (key == "until") {
            values[key] = moment_in(asked.values[i]);
            continue;
        }
        if (key != "result" && key != "event" && key != "units") {
            values[key] = asked.values[i];
            continue;
        }
        const auto number = whole_number<std::uint64_t>(asked.values[i]);
        if (!number)
            return wrong(key == "units" ? fmt::format("{} is no number of units; give for instance 20",
                                                      plain(asked.values[i]))
                                        : fmt::format("{} is no event number; tautgate state shows them",
                                                      plain(asked.values[i])));
        values[key] = *number;
    }
    if (kind->action == "override_joint") {
        if (asked.check.verified.empty())
            return wrong("an override says what was verified and how; give it with --verified");
        values["verified"] = asked.check.verified;
        if (!asked.check.torque.empty())
            if (auto fault = torque_fault(asked.check))
                return wrong(std::move(*fault));
        if (!asked.check.torque.empty())
            values["checked_torque"] = {{"value", asked.check.torque}, {"unit", asked.check.unit}};
    } else if (kind->action == "verify_restart" && asked.check.torque.empty()) {
        if (asked.check.verified.empty())
            return wrong("a restart is verified by what was tried and found; give it with --verified");
        values["verified"] = asked.check.verified;
    } else if (!asked.check.verified.empty() || !asked.check.torque.empty()) {
        return wrong("--verified belongs to an override or a restart, --torque to an override; leave them "
                     "out");
    }
    if (!asked.units_since.empty()) {
        if (kind->action != "place_hold_on")
            return wrong("--units-since belongs to place-hold-on; leave it out");
        values["units_since"] = asked.units_since;
    }
    return json{{std::string(kind->action), values}};
}

Asked<Exit> decide(const Desk& desk, const DecisionWords& asked, const Signers& signers) {
    const auto action = action_of(asked);
    if (!action)
        return std::unexpected(action.error());
    const auto bay = bay_or_only(desk, asked.bay);
    if (!bay)
        return std::unexpected(bay.error());
    const auto seen =
        seen_by_person(desk, *bay, asked.seen,
                       {{}, "Your signature will say that you looked at this and decide as you asked."});
    if (!seen)
        return std::unexpected(seen.error());
    const auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    json body{{"action", *action}, {"seen", *seen}};
    if (!asked.reason_code.empty())
        body["reason_code"] = asked.reason_code;
    if (!asked.reason_text.empty())
        body["reason_text"] = asked.reason_text;
    const auto answer = answer_of(desk.http.post(decisions_of(*bay), body_of(body), by->alone()));
    if (!answer)
        return std::unexpected(answer.error());
    if (text_at(*answer, "outcome") != "awaits_second")
        return tell(desk, *answer,
                    by->second
                        ? "decided; one person was enough, and the second's consent is not in the record"
                        : "decided");
    if (by->second)
        return consent(desk, *bay, *answer, *by->second);
    return tell(desk, *answer,
                fmt::format("proposal {} waits for a second person: tautgate second {} --bay {} --as BADGE",
                            plain(text_at(*answer, "proposal")), plain(text_at(*answer, "proposal")),
                            plain(*bay)));
}

Asked<json> proposal_in(const json& station, const std::string& bay, std::uint64_t number) {
    std::vector<std::string> waiting;
    for (const auto& one : at(station, "bays")) {
        if (text_at(one, "id") != bay)
            continue;
        for (const auto& proposal : at(at(one, "occupant"), "proposals")) {
            if (at(proposal, "number") == number)
                return proposal;
            waiting.push_back(plain(text_at(proposal, "number")));
        }
    }
    return std::unexpected(Failure{
        Exit::no, fmt::format("no proposal {} waits for a second person in bay {}: {}; tautgate state shows "
                              "what waits, tautgate unit what became of it",
                              number, plain(bay),
                              waiting.empty() ? "none does"
                                              : fmt::format("waiting are {}", fmt::join(waiting, ", ")))});
}

namespace {

// "JOINT must be proven again" of motor-mounts: "motor-mounts must be proven again".
std::string said_of(std::string_view help, const std::string& subject) {
    for (const std::string_view placeholder : {"JOINT", "TOOL"})
        if (const auto at = help.find(placeholder); at != std::string_view::npos)
            return fmt::format("{}{}{}", help.substr(0, at), subject, help.substr(at + placeholder.size()));
    return std::string(help);
}

}  // namespace

std::string proposal_text(const json& proposal) {
    const auto action = text_at(proposal, "action");
    const auto kinds = decision_kinds();
    const auto kind = std::ranges::find(kinds, action, &DecisionKind::action);
    std::string what = words(plain(action));
    for (const auto* about : {"subject", "fastener"})
        if (const auto text = plain(text_at(proposal, about)); !text.empty())
            what += (about == std::string_view("subject") ? " " : ", ") + text;
    if (const auto result = text_at(proposal, "result"); !result.empty())
        what += fmt::format(" (result {})", plain(result));
    if (kind != kinds.end())
        what += fmt::format(": {}", said_of(kind->help, plain(text_at(proposal, "subject"))));
    std::string text = fmt::format("Proposal {} of {}\n  {}\n", plain(text_at(proposal, "number")),
                                   plain(text_at(at(proposal, "by"), "name")), what);
    const auto line = [&](std::string_view name, const std::string& value) {
        if (!value.empty())
            text += fmt::format("  {}: {}\n", name, plain(value));
    };
    line("reason", fmt::format("{}: {}", text_at(proposal, "reason_code"), text_at(proposal, "reason_text")));
    line("verified", text_at(proposal, "verified"));
    line("measured by hand", text_at(proposal, "checked_torque"));
    return text;
}

Asked<Exit> second(const Desk& desk, const Proposal& proposal, const Signers& signers) {
    const auto bay = bay_or_only(desk, proposal.bay);
    if (!bay)
        return std::unexpected(bay.error());
    const auto station = ask(desk, "/v1/station");
    if (!station)
        return std::unexpected(station.error());
    const auto waiting = proposal_in(*station, *bay, proposal.number);
    if (!waiting)
        return std::unexpected(waiting.error());
    const auto seen =
        seen_by_person(desk, *bay, proposal.seen,
                       {proposal_text(*waiting), "Your signature will say that you agree to this."});
    if (!seen)
        return std::unexpected(seen.error());
    const auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    const auto answer =
        answer_of(desk.http.post(fmt::format("{}/{}/second", decisions_of(*bay), proposal.number),
                                 body_of({{"seen", *seen}}), by->alone()));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer, "decided by both");
}

Asked<Exit> end_proposal(const Desk& desk, const Proposal& proposal, const Signers& signers) {
    const auto bay = bay_or_only(desk, proposal.bay);
    if (!bay)
        return std::unexpected(bay.error());
    const auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    const auto answer =
        answer_of(desk.http.post(fmt::format("{}/{}/end", decisions_of(*bay), proposal.number),
                                 body_of({{"why", proposal.why}}), by->alone()));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer, fmt::format("proposal {} is ended", proposal.number));
}

namespace {

Asked<json> newest_event(const Desk& desk) {
    const auto station = ask(desk, "/v1/station");
    if (!station)
        return std::unexpected(station.error());
    return at(*station, "newest_event");
}

Asked<Exit> post_at_bay(const Desk& desk, const Signers& signers, const std::string& bay,
                        std::string_view what, const json& body, const std::string& done) {
    const auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    const auto answer = answer_of(
        desk.http.post(fmt::format("/v1/bays/{}/{}", path_part(bay), what), body_of(body), by->alone()));
    if (!answer)
        return std::unexpected(answer.error());
    return tell(desk, *answer, done);
}

}  // namespace

Asked<Exit> act_at_bay(const Desk& desk, const BayAct& act, const Signers& signers) {
    const auto bay = bay_or_only(desk, act.bay);
    if (!bay)
        return std::unexpected(bay.error());
    json body{{std::string(act.key), act.value}};
    if (!act.permissive.empty())
        body["permissive"] = act.permissive;
    if (act.about_the_unit) {
        const auto seen = newest_event(desk);
        if (!seen)
            return std::unexpected(seen.error());
        body["seen"] = *seen;
    }
    return post_at_bay(desk, signers, *bay, act.what, body, "done");
}

namespace {

struct Scanned {
    std::expected<Reply, std::string> reply;
    // The session was not used for too long, or its person was suspended.
    [[nodiscard]] bool is_signed_out() const { return reply && reply->status == 401; }
};

Scanned scan_one(const Desk& desk, const std::string& bay, const std::string& label, const Signed& by) {
    return {desk.http.post(fmt::format("/v1/bays/{}/scans", path_part(bay)), body_of({{"text", label}}),
                           by.alone())};
}

}  // namespace

Asked<Exit> scan_labels(const Desk& desk, const std::string& named, const Signers& signers) {
    const auto bay = bay_or_only(desk, named);
    if (!bay)
        return std::unexpected(bay.error());
    auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    LabelLines lines(STDIN_FILENO, STDERR_FILENO);
    if (lines.at_terminal())
        complain(fmt::format("scan or type a label for bay {}; Ctrl-D ends it", plain(*bay)));
    auto all = Exit::fine;
    while (const auto line = lines.next()) {
        if (const auto* none = std::get_if<LabelLines::NoLabel>(&*line)) {
            complain(none->why);
            all = Exit::no;
            continue;
        }
        const auto& label = std::get<std::string>(*line);
        auto scanned = scan_one(desk, *bay, label, *by);
        if (scanned.is_signed_out()) {
            lines.give_back();
            auto again = sign_in(desk, signers);
            lines.take_again();
            if (!again)
                return std::unexpected(again.error());
            by->first.becomes(std::move(again->first));
            scanned = scan_one(desk, *bay, label, *by);
        }
        const auto answer = answer_of(scanned.reply);
        if (!answer)
            complain(answer.error().message);
        if (!answer || tell(desk, *answer, "done") != Exit::fine)
            all = Exit::no;
    }
    return all;
}

// ---- orders ---------------------------------------------------------------------------------------------

namespace {

// "D=000123": what the ticket of a kind must say.
std::optional<std::string> put_expected(json& order, std::string_view column,
                                        const std::vector<std::string>& given) {
    for (const std::string& pair : given) {
        const auto cut = pair.find('=');
        if (cut == 0 || cut == std::string::npos || cut + 1 == pair.size())
            return fmt::format(
                "{} names no ticket and its {}; give it as D=TEXT, D being the kind of the ticket",
                plain(pair), column);
        const std::string kind = pair.substr(0, cut);
        const auto [place, is_new] = order.emplace(fmt::format("{}_{}", column, kind), pair.substr(cut + 1));
        if (!is_new)
            return fmt::format("the {} of ticket {} is given twice, as {} and as {}; give it once", column,
                               plain(kind), plain(place->get<std::string>()), plain(pair.substr(cut + 1)));
    }
    return std::nullopt;
}

// An answer to orders, accepted or rejected; other errors are errors.
Asked<Exit> tell_answer(const Desk& desk, const std::expected<Reply, std::string>& reply) {
    constexpr unsigned rejected = 422;
    const bool is_answer = reply && (reply->status == 200 || reply->status == rejected);
    const auto body = is_answer ? json::parse(reply->body, nullptr, false) : json();
    if (!is_answer || !at(body, "answers").is_array()) {
        const auto refused = answer_of(reply);
        return std::unexpected(refused ? Failure{Exit::could_not_ask, "the service's answer to the orders "
                                                                      "cannot be read; see that tautgate and "
                                                                      "tautgated are of the same version"}
                                       : refused.error());
    }
    if (desk.json)
        print_json(body);
    else
        print(typed_order_text(body));
    return reply->status == 200 ? Exit::fine : Exit::no;
}

}  // namespace

Asked<json> order_row(const TypedOrder& order) {
    const auto wrong = [](std::string message) {
        return std::unexpected(Failure{Exit::wrong_usage, std::move(message)});
    };
    if (order.action != "cancel" && order.variant.empty())
        return wrong("an order that is added or changed needs its variant; give it with --variant");
    json row{{"action", order.action}, {"order", order.number}};
    if (!order.variant.empty())
        row["variant"] = order.variant;
    if (order.sequence != 0)
        row["sequence"] = order.sequence;
    if (!order.due.empty())
        row["due"] = order.due;
    for (const auto& [column, given] : {std::pair{"type", &order.types}, std::pair{"serial", &order.serials}})
        if (auto fault = put_expected(row, column, *given))
            return wrong(std::move(*fault));
    return row;
}

Asked<Exit> type_order(const Desk& desk, const TypedOrder& order, const Signers& signers) {
    const auto row = order_row(order);
    if (!row)
        return std::unexpected(row.error());
    const auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    return tell_answer(desk,
                       desk.http.post("/v1/orders", body_of({{"orders", json::array({*row})}}), by->alone()));
}

Asked<Exit> send_orders(const Desk& desk, const std::string& file, const Signers& signers) {
    constexpr std::uintmax_t most_bytes = std::uintmax_t{16} * 1024 * 1024;
    const auto csv = config::whole_file(file, most_bytes);
    if (!csv || csv->empty())
        return std::unexpected(
            Failure{Exit::wrong_usage, fmt::format("cannot send {}: {}; name a file of orders as "
                                                   "protocol/ORDERS.md describes it",
                                                   plain(file), csv ? "it is empty" : csv.error())});
    const auto by = sign_in(desk, signers);
    if (!by)
        return std::unexpected(by.error());
    const auto reply = desk.http.post_csv("/v1/orders", *csv, by->alone());
    constexpr unsigned rejected = 422;
    if (!reply || (reply->status != 200 && reply->status != rejected)) {
        const auto refused = answer_of(reply);
        return std::unexpected(refused ? Failure{Exit::could_not_ask,
                                                 "the service's answer to the file cannot be read; see that "
                                                 "tautgate and tautgated are of the same version"}
                                       : refused.error());
    }
    print(reply->body);  // a file's answer, as the folder would have written it
    return reply->status == 200 ? Exit::fine : Exit::no;
}

Asked<Exit> select_fastener(const Desk& desk, const SelectionAct& act, const Signers& signers) {
    const auto bay = bay_or_only(desk, act.bay);
    if (!bay)
        return std::unexpected(bay.error());
    const auto seen = newest_event(desk);
    if (!seen)
        return std::unexpected(seen.error());
    const json body{{"joint", act.joint}, {"fastener", act.fastener}, {"seen", *seen}};
    return post_at_bay(desk, signers, *bay, "selection", body, "selected");
}

Asked<Exit> check_by_hand(const Desk& desk, const HandCheckAct& act, const Signers& signers) {
    const auto bay = bay_or_only(desk, act.bay);
    if (!bay)
        return std::unexpected(bay.error());
    const auto seen = newest_event(desk);
    if (!seen)
        return std::unexpected(seen.error());
    const json body{{"joint", act.joint},
                    {"fastener", act.fastener},
                    {"torque", {{"value", act.torque}, {"unit", act.unit}}},
                    {"instrument", act.instrument},
                    {"seen", *seen}};
    return post_at_bay(desk, signers, *bay, "hand-checks", body, "recorded");
}

}  // namespace tautgate::cli
