// What the command line makes of a person's words before anything is asked.
#include <catch2/catch.hpp>

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <set>
#include <sstream>

#include <nlohmann/json.hpp>
#include <sys/stat.h>
#include <unistd.h>

#include "protocol/utc.hpp"
#include "tools/cli/acts.hpp"
#include "tools/cli/http.hpp"
#include "tools/cli/journal_answers.hpp"
#include "tools/cli/secret.hpp"

using namespace tautgate;
using namespace tautgate::cli;
using nlohmann::json;

namespace {

// A file of its own, gone at the end.
class SecretFile {
  public:
    SecretFile(const std::string& text, mode_t mode)
        : path_(std::filesystem::temp_directory_path() / ("tautgate-secret-" + std::to_string(::getpid()))) {
        std::ofstream(path_, std::ios::binary) << text;
        REQUIRE(::chmod(path_.c_str(), mode) == 0);
    }
    ~SecretFile() { std::filesystem::remove(path_); }
    SecretFile(const SecretFile&) = delete;
    SecretFile& operator=(const SecretFile&) = delete;
    SecretFile(SecretFile&&) = delete;
    SecretFile& operator=(SecretFile&&) = delete;
    [[nodiscard]] std::string path() const { return path_.string(); }

  private:
    std::filesystem::path path_;
};

DecisionWords said(const char* word, std::vector<std::string> values) {
    DecisionWords words;
    words.word = word;
    words.values = std::move(values);
    words.check.unit = "N.m";
    return words;
}

}  // namespace

TEST_CASE("secrets are sent to the loopback only") {
    REQUIRE(parse_api("http://127.0.0.1:8460"));
    CHECK(parse_api("http://[::1]:8460/")->host == "::1");
    CHECK(parse_api("http://localhost:1")->port == 1);
    CHECK(parse_api("http://192.0.2.7:8460").error() == "--api http://192.0.2.7:8460: the host is no address "
                                                        "of the loopback, and secrets are not sent beyond "
                                                        "it; give it as http://127.0.0.1:8460");
}

TEST_CASE("an address that is not one is refused with the reason") {
    for (const auto* odd :
         {"", "127.0.0.1:8460", "https://127.0.0.1:8460", "http://127.0.0.1", "http://127.0.0.1:0",
          "http://127.0.0.1:65536", "http://127.0.0.1:8460/v1", "http://127.0.0.1:84x"}) {
        INFO(odd);
        CHECK_FALSE(parse_api(odd));
    }
}

TEST_CASE("a serial number cannot leave its place in a path") {
    CHECK(path_part("D26/../../v1") == "D26%2F..%2F..%2Fv1");
    CHECK(path_part("..") == "%2E%2E");
    CHECK(path_part("a b?c#d%") == "a%20b%3Fc%23d%25");
    CHECK(path_part("D-2_6.~") == "D-2_6.~");
}

TEST_CASE("an override carries the joint, what was verified and the hand-checked value") {
    auto words = said("override", {"motor-mounts"});
    words.check = {.verified = "by hand", .torque = "412.5", .unit = "N.m"};
    CHECK(*action_of(words) ==
          json::parse(R"({"override_joint": {"joint": "motor-mounts", "verified": "by hand",
                                               "checked_torque": {"value": "412.5", "unit": "N.m"}}})"));
}

TEST_CASE("an override that verified nothing is not sent") {
    CHECK(action_of(said("override", {"motor-mounts"})).error().exit == Exit::wrong_usage);
}

TEST_CASE("a hand-checked value that is no number is refused before anybody signs") {
    auto words = said("override", {"motor-mounts"});
    words.check = {.verified = "by hand", .torque = "25O", .unit = "N.m"};
    const auto refused = action_of(words);
    REQUIRE_FALSE(refused);
    CHECK(refused.error().exit == Exit::wrong_usage);
    CHECK(refused.error().message ==
          "--torque 25O: the value cannot be read; give the measured number, for instance 182.5");
}

TEST_CASE("a hand-checked value belongs to an override only") {
    auto words = said("unit-has-left", {});
    words.check.torque = "4";
    CHECK(action_of(words).error().exit == Exit::wrong_usage);
}

TEST_CASE("a bypass is asked for until a moment, or for so many hours from now, and for a number of units") {
    CHECK(*action_of(said("place-bypass", {"bracket", "spare", "2026-11-28T22:00:00Z", "20"})) ==
          json::parse(R"({"place_bypass": {"joint": "bracket", "alternate": "spare",
                                            "until": "2026-11-28T22:00:00Z", "units": 20}})"));
    const auto from_now = *action_of(said("place-bypass", {"bracket", "spare", "8h", "20"}));
    const auto until = protocol::parse_utc(from_now.at("place_bypass").at("until").get<std::string>());
    REQUIRE(until);
    const auto now = std::chrono::duration_cast<std::chrono::microseconds>(
                         std::chrono::system_clock::now().time_since_epoch())
                         .count();
    constexpr std::int64_t hour_us = 3'600'000'000;
    CHECK(until->micros > now + 7 * hour_us);
    CHECK(until->micros < now + 9 * hour_us);
    CHECK(action_of(said("place-bypass", {"bracket", "spare", "8h", "some"})).error().message ==
          "some is no number of units; give for instance 20");
}

TEST_CASE("a restart says what was verified, and takes no torque") {
    auto words = said("verify-restart", {"bracket"});
    CHECK_FALSE(action_of(words));
    words.check.verified = "on the test plate";
    CHECK(*action_of(words) == json::parse(R"({"verify_restart": {"joint": "bracket",
                                                                  "verified": "on the test plate"}})"));
    words.check.torque = "71";
    CHECK_FALSE(action_of(words));
}

TEST_CASE("event numbers are sent as numbers, and other words in their place are refused") {
    CHECK(*action_of(said("assign-result", {"17", "motor-mounts", "2"})) ==
          json::parse(R"({"assign_result": {"result": 17, "joint": "motor-mounts", "fastener": "2"}})"));
    CHECK_FALSE(action_of(said("set-result-aside", {"17x"})));
    CHECK_FALSE(action_of(said("set-result-aside", {"-1"})));
}

TEST_CASE("too few and too many values are refused, and so is an unknown decision") {
    CHECK_FALSE(action_of(said("accept-gap", {})));
    CHECK(action_of(said("accept-gap", {"NR-20", "NR-12"})).error().message ==
          "accept-gap needs tool after it, and what is given is NR-20, NR-12; see tautgate decide --help");
    CHECK(action_of(said("leave-incomplete", {"D1"})).error().message ==
          "leave-incomplete is about the unit in the bay and takes nothing after it; leave out D1");
    CHECK(action_of(said("force\x1b", {})).error().message ==
          "there is no decision force\\x1B; see tautgate decide --help");
    CHECK(action_of(said("unit_still_here", {})).error().message ==
          "there is no decision unit_still_here; did you mean unit-still-here? see tautgate decide --help");
}

TEST_CASE("every decision that the API describes has a word, with the parameters that it asks for") {
    std::ifstream file{TAUTGATE_SOURCE_DIR "/service/web/openapi.json"};
    const auto described = json::parse(file).at("components").at("schemas").at("Action").at("properties");
    std::set<std::string> spoken;
    for (const auto& kind : decision_kinds()) {
        INFO(kind.word);
        const std::string action(kind.action);
        spoken.insert(action);
        REQUIRE(described.contains(action));
        std::set<std::string> asked(kind.parameters.begin(), kind.parameters.end());
        if (action == "override_joint" || action == "verify_restart")
            asked.insert("verified");
        const auto required = described[action].value("required", std::set<std::string>{});
        CHECK(asked == required);
    }
    for (const auto& [action, unused] : described.items())
        CHECK(spoken.contains(action));
}

TEST_CASE("a second person reads what was verified and measured just above the question") {
    const auto station = json::parse(R"({"bays": [{"id": "J1", "occupant": {"proposals": [
        {"number": 51, "action": "override_joint", "subject": "axle-box-caps", "fastener": null, "result": null,
         "by": {"number": 3, "name": "Cy Marsh"}, "reason_code": "tool-failed", "reason_text": "tool dead",
         "verified": "all four by hand", "checked_torque": "250 N·m"},
        {"number": 52, "action": "unlock_fastener", "subject": "motor-mounts", "fastener": "front left",
         "result": null, "by": {"number": 3, "name": "Cy Marsh"}, "reason_code": "worn", "reason_text": "socket",
         "verified": null, "checked_torque": null}]}}]})");
    CHECK(proposal_text(*proposal_in(station, "J1", 51)) ==
          "Proposal 51 of Cy Marsh\n"
          "  override joint axle-box-caps: axle-box-caps counts for this unit without proof\n"
          "  reason: tool-failed: tool dead\n"
          "  verified: all four by hand\n"
          "  measured by hand: 250 N·m\n");
    CHECK(proposal_text(*proposal_in(station, "J1", 52)).find("motor-mounts, front left") !=
          std::string::npos);
}

TEST_CASE("a proposal that does not wait is refused before anything is asked, with those that do") {
    const auto station =
        json::parse(R"({"bays": [{"id": "J1", "occupant": {"proposals": [{"number": 51}]}}]})");
    const auto none = proposal_in(station, "J1", 999);
    REQUIRE_FALSE(none);
    CHECK(none.error().exit == Exit::no);
    CHECK(none.error().message ==
          "no proposal 999 waits for a second person in bay J1: waiting are 51; tautgate "
          "state shows what waits, tautgate unit what became of it");
    CHECK_FALSE(proposal_in(station, "J2", 51));
    CHECK_FALSE(proposal_in(json(nullptr), "J1", 51));
}

TEST_CASE("a secret is the first line of a file that only its owner may read") {
    CHECK(*secret_from_file(SecretFile("open sesame 7\nmore\n", 0600).path()) == "open sesame 7");
}

TEST_CASE("a secret file that others may read is refused") {
    const SecretFile file("open sesame 7\n", 0640);
    CHECK(secret_from_file(file.path()).error() ==
          "the secret file " + file.path() +
              " cannot be used: others may read it; take that away with chmod 600");
}

TEST_CASE("a secret file without a secret, or none at all, is refused") {
    CHECK_FALSE(secret_from_file(SecretFile("\nsecond line\n", 0600).path()));
    CHECK_FALSE(secret_from_file(SecretFile(std::string(5000, 'x'), 0600).path()));
    CHECK_FALSE(secret_from_file("/nowhere/at/all"));
}

TEST_CASE("a code that was used up, and a person who is named twice, are told before anything is asked") {
    const Desk nowhere{Http{{"127.0.0.1", 1}}, {}, false};
    const auto used = enrol(
        nowhere,
        {.name = "A", .badge = {}, .roles = {}, .secret_file = {}, .code_file = "/nowhere/enrol.code"}, {});
    CHECK(used.error().message ==
          "the code file /nowhere/enrol.code is not there; if somebody is enrolled already, enrol with "
          "--as BADGE, else see that tautgated runs with this state folder");
    const Signers twice{{.badge = "B-12", .secret_file = {}}, {.badge = "B-12", .secret_file = {}}};
    CHECK(suspend(nowhere, "B-20", twice).error().message ==
          "B-12 is named twice, and the second person must be another one; give another badge with --second");
    CHECK(approve_rules(nowhere, "", {{.badge = "B-12", .secret_file = {}}, {}}).error().message ==
          "rules need two people; give their badges with --as and with --second");
}

TEST_CASE("a typed order becomes a row of an order file, by the names of its columns") {
    const auto row = order_row({.action = "add",
                                .number = "40017",
                                .variant = "express",
                                .types = {"F=MB1"},
                                .serials = {"D=000123", "F=A=7"},
                                .sequence = 12,
                                .due = "2026-11-26T06:00:00+01:00"});
    REQUIRE(row.has_value());
    CHECK(*row == nlohmann::json{{"action", "add"},
                                 {"order", "40017"},
                                 {"variant", "express"},
                                 {"type_F", "MB1"},
                                 {"serial_D", "000123"},
                                 {"serial_F", "A=7"},
                                 {"sequence", 12},
                                 {"due", "2026-11-26T06:00:00+01:00"}});
}

TEST_CASE("a typed order that lacks something is refused before anybody signs") {
    const auto refused = [](TypedOrder order) {
        const auto row = order_row(order);
        REQUIRE_FALSE(row.has_value());
        CHECK(row.error().exit == Exit::wrong_usage);
        return row.error().message;
    };
    TypedOrder order;
    order.action = "add";
    order.number = "40017";
    CHECK(refused(order) == "an order that is added or changed needs its variant; give it with --variant");
    order.action = "cancel";
    order.serials = {"000123"};
    CHECK(refused(order) ==
          "000123 names no ticket and its serial; give it as D=TEXT, D being the kind of the "
          "ticket");
    order.serials = {"D=000123", "F=000123", "D=000124"};
    CHECK(refused(order) == "the serial of ticket D is given twice, as 000123 and as 000124; give it once");
    order.serials.clear();
    order.types = {"F=MB1", "F=MB1"};
    CHECK(refused(order) == "the type of ticket F is given twice, as MB1 and as MB1; give it once");
}

TEST_CASE("an anchor is a number and a hash, nothing less") {
    const std::string hash(64, 'a');
    REQUIRE(parse_anchor("12:" + hash));
    CHECK(parse_anchor("12:" + hash)->number.value == 12);
    for (const auto& odd :
         {std::string("12"), "x:" + hash, ":" + hash, "12:" + hash + "a", "12:" + std::string(64, 'A')})
        CHECK_FALSE(parse_anchor(odd));
}
