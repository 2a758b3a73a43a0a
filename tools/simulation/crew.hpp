// The people of a simulated shift, as clients of the API: they are enrolled, sign in, approve the rules,
// confirm checks and decide, two at a time where the station asks for two. Their names are invented and their
// PINs drawn at random for this one station; the product itself has no default secret.
//
// One thread. Every call gives its answer or one sentence on what went wrong.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include <nlohmann/json.hpp>

#include "tools/simulation/clients.hpp"

namespace tautgate::simulation {

struct CrewMember {
    std::string name;
    std::string badge;
    std::string pin;
    std::vector<std::string> roles;
    std::string session;  // empty: not signed in
};

struct Why {
    std::vector<std::string> codes;      // worst first
    std::vector<std::string> sentences;  // in the same order
    [[nodiscard]] bool names(const std::string& code) const;
};

class Crew {
  public:
    using Done = std::expected<void, std::string>;

    explicit Crew(ApiClient api);

    // The API answers. Waits for a daemon that is starting.
    [[nodiscard]] Done await_station(std::chrono::milliseconds limit) const;
    // Everybody is enrolled on a station that knows nobody yet, the first administrator by the code in this
    // file.
    [[nodiscard]] Done enrol(const std::filesystem::path& enrolment_code);
    // Who was not enrolled by this crew has no secret that the station knows: nothing is asked then, since
    // each try would count as a wrong sign-in.
    [[nodiscard]] Done sign_in();
    // The administrator and the supervisor approve the configuration as the station has staged it.
    [[nodiscard]] Done approve_rules();
    [[nodiscard]] Done sign_on(const std::string& bay);

    [[nodiscard]] Done confirm(const std::string& bay, const std::string& step);
    // What the supervisor decides; where the station asks for a second person, the quality engineer agrees.
    // `before_second` runs just before that.
    [[nodiscard]] Done decide(const std::string& bay, const nlohmann::json& action,
                              const std::string& reason_code, const std::string& reason_text,
                              const std::function<void()>& before_second = {});
    // The same without anybody being signed in. Gives the status of the answer.
    [[nodiscard]] std::expected<unsigned, std::string> decide_unsigned(const std::string& bay,
                                                                       const nlohmann::json& action) const;
    // What the supervisor decides alone. Gives the whole answer, refused or not.
    [[nodiscard]] std::expected<Answer, std::string> propose(const std::string& bay,
                                                             const nlohmann::json& action,
                                                             const std::string& reason_code,
                                                             const std::string& reason_text) const;

    [[nodiscard]] std::expected<nlohmann::json, std::string> station() const;
    // What whoever looks at the station now has seen.
    [[nodiscard]] std::expected<std::uint64_t, std::string> newest_event() const;
    [[nodiscard]] std::expected<nlohmann::json, std::string> bay(const std::string& id) const;
    [[nodiscard]] std::expected<Why, std::string> why(const std::string& bay,
                                                      const std::string& permissive) const;
    [[nodiscard]] std::expected<nlohmann::json, std::string> unit(const std::string& serial) const;
    // Asks for the bay again and again until `wanted` holds; false at the limit.
    [[nodiscard]] bool await_bay(const std::string& id,
                                 const std::function<bool(const nlohmann::json&)>& wanted,
                                 std::chrono::milliseconds limit) const;
    [[nodiscard]] bool await_reason(const std::string& bay, const std::string& permissive,
                                    const std::string& code, std::chrono::milliseconds limit) const;

    [[nodiscard]] const std::vector<CrewMember>& members() const noexcept { return members_; }
    [[nodiscard]] const ApiClient& api() const noexcept { return api_; }

  private:
    [[nodiscard]] CrewMember& member(const std::string& role);
    [[nodiscard]] const CrewMember& member(const std::string& role) const;
    [[nodiscard]] Done enrol_one(CrewMember& who, const std::string& code, const Approval& approval);
    [[nodiscard]] Done sign_in_one(CrewMember& who);
    [[nodiscard]] Done agree(const std::string& bay, std::uint64_t proposal);

    ApiClient api_;
    std::vector<CrewMember> members_;
    bool enrolled_ = false;
};

// `question` is asked until it says yes; false at the limit.
[[nodiscard]] bool ask_until(const std::function<bool()>& question, std::chrono::milliseconds limit);

}  // namespace tautgate::simulation
