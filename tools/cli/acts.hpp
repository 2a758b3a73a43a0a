// What people change from the command line. Whoever acts signs in for that one command and is signed out at
// its end; the service decides who may do what and records every attempt, refused ones too. Secrets are
// typed unseen or read from files that only their owner may read. Blocking; one thread.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "tools/cli/questions.hpp"

namespace tautgate::cli {

// Who signs in: a badge, or "#7" for person 7.
struct Signer {
    std::string badge;
    std::string secret_file;  // empty: asked at the terminal
};

struct Signers {
    Signer first;
    Signer second;  // badge empty: nobody
};

struct NewPerson {
    std::string name;
    std::string badge;
    std::vector<std::string> roles;
    std::string secret_file;  // empty: asked at the terminal, twice
    std::string code_file;    // of the first administrator
};
[[nodiscard]] Asked<Exit> enrol(const Desk& desk, const NewPerson& person, const Signers& signers);
[[nodiscard]] Asked<Exit> list_people(const Desk& desk, const Signers& signers);

// `named`: a badge, or a number ("#7").
[[nodiscard]] Asked<Exit> suspend(const Desk& desk, const std::string& named, const Signers& signers);
// Somebody who typed several wrong secrets need not wait.
[[nodiscard]] Asked<Exit> unlock(const Desk& desk, const std::string& named, const Signers& signers);
// The same roles, another secret; `secret_file` empty: asked at the terminal, twice.
[[nodiscard]] Asked<Exit> renew_secret(const Desk& desk, const std::string& named,
                                       const std::string& secret_file, bool reinstate,
                                       const Signers& signers);

// Whoever signs puts another secret in the place of their own.
[[nodiscard]] Asked<Exit> renew_own_secret(const Desk& desk, const std::string& secret_file,
                                           const Signer& signer);

// Somebody stands in for a role; `until` as "2026-11-30T22:00:00Z", empty: ends it.
struct DeputyWords {
    std::string role;
    std::string until;
    bool end = false;
};
[[nodiscard]] Asked<Exit> deputise(const Desk& desk, const std::string& named, const DeputyWords& words,
                                   const Signers& signers);
// Takes the name and the badge of somebody suspended out for good.
[[nodiscard]] Asked<Exit> erase_name(const Desk& desk, const std::string& named, const Signers& signers);

// Every administrator is lost: root puts a new one in their place.
struct Replacement {
    std::string state_folder;
    std::vector<std::string> lost;  // their numbers
};
[[nodiscard]] Asked<Exit> replace_administrator(const Desk& desk, const Replacement& replacement,
                                                const NewPerson& person);

// `digest`: the staged rules that were looked at; empty: shown, then asked at the terminal.
[[nodiscard]] Asked<Exit> approve_rules(const Desk& desk, const std::string& digest, const Signers& signers);

// A kind of decision by its word on the command line.
struct DecisionKind {
    std::string_view word;
    std::string_view action;                   // as the API names it
    std::vector<std::string_view> parameters;  // as the API names them, in the order of the command line
    std::string_view help;
};
[[nodiscard]] std::span<const DecisionKind> decision_kinds();

struct HandCheck {
    std::string verified;
    std::string torque;  // empty: none
    std::string unit;
};
struct DecisionWords {
    std::string bay;  // empty: the only one
    std::string word;
    std::vector<std::string> values;  // one for each parameter of the kind
    HandCheck check;                  // of an override
    std::string units_since;  // of a hold on a tool, a joint or a person; empty: no unit that has left
    std::string reason_code;
    std::string reason_text;
    std::uint64_t seen = 0;  // 0: shown, then asked at the terminal
};
// The action as the API takes it. The error is one sentence.
[[nodiscard]] Asked<nlohmann::json> action_of(const DecisionWords& words);
[[nodiscard]] Asked<Exit> decide(const Desk& desk, const DecisionWords& words, const Signers& signers);

struct Proposal {
    std::string bay;
    std::uint64_t number = 0;
    std::uint64_t seen = 0;
    std::string why;  // of a refusal
};
// The proposal that waits in this bay, from GET /v1/station; the error names those that do wait.
[[nodiscard]] Asked<nlohmann::json> proposal_in(const nlohmann::json& station, const std::string& bay,
                                                std::uint64_t number);
// Everything that a second person signs: what for, by whom, why, what was verified and measured by hand.
[[nodiscard]] std::string proposal_text(const nlohmann::json& proposal);
[[nodiscard]] Asked<Exit> second(const Desk& desk, const Proposal& proposal, const Signers& signers);
[[nodiscard]] Asked<Exit> end_proposal(const Desk& desk, const Proposal& proposal, const Signers& signers);

// An order that is added, changed or cancelled by hand.
struct TypedOrder {
    std::string action;  // add, change, cancel
    std::string number;
    std::string variant;
    std::vector<std::string> types;    // "D=TYPE" for the ticket of kind D
    std::vector<std::string> serials;  // "D=SERIAL"
    std::uint32_t sequence = 0;        // 0: none
    std::string due;
};
// As a row of an order file; the error is one sentence.
[[nodiscard]] Asked<nlohmann::json> order_row(const TypedOrder& order);
[[nodiscard]] Asked<Exit> type_order(const Desk& desk, const TypedOrder& order, const Signers& signers);
// A whole file; prints its answer.
[[nodiscard]] Asked<Exit> send_orders(const Desk& desk, const std::string& file, const Signers& signers);

// `what` is "operator", "scans", "checks", "tools" or "wiring-test"; `key` and `value` a member of its body.
struct BayAct {
    std::string bay;
    std::string_view what;
    std::string_view key;
    std::string value;
    bool about_the_unit =
        false;  // refused if another unit is there by the time that the person has signed in
    std::string permissive = {};  // of a test of the wiring; empty: not named
};
[[nodiscard]] Asked<Exit> act_at_bay(const Desk& desk, const BayAct& act, const Signers& signers);

// Labels that come on standard input, one a line, until it ends; whoever acts signs in once, and again where
// the session has ended by itself. Exit::no: one of them did not count.
[[nodiscard]] Asked<Exit> scan_labels(const Desk& desk, const std::string& bay, const Signers& signers);

// Which fastener is tightened next, where people select it.
struct SelectionAct {
    std::string bay;  // empty: the only one
    std::string joint;
    std::string fastener;
};
[[nodiscard]] Asked<Exit> select_fastener(const Desk& desk, const SelectionAct& act, const Signers& signers);

// A torque that was measured by hand at a fastener that was tightened before.
struct HandCheckAct {
    std::string bay;  // empty: the only one
    std::string joint;
    std::string fastener;
    std::string torque;
    std::string unit;
    std::string instrument;
};
[[nodiscard]] Asked<Exit> check_by_hand(const Desk& desk, const HandCheckAct& act, const Signers& signers);

}  // namespace tautgate::cli
