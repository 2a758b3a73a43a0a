// What every command of tautgate shares: where it asks, how it prints, what its exit code says. Data goes to
// standard output, messages to standard error. One thread.
#pragma once

#include <cstdint>
#include <expected>
#include <string>

#include <nlohmann/json_fwd.hpp>

#include "tools/cli/http.hpp"
#include "tools/cli/views.hpp"

namespace tautgate::cli {

enum class Exit : int {
    fine = 0,
    no = 1,  // the answer is no: held, unhealthy, unknown, refused, damaged, not valid
    wrong_usage = 2,
    could_not_ask = 3  // no answer: the service, the journal or the terminal was not to be had
};

struct Failure {
    Exit exit = Exit::could_not_ask;
    std::string message;  // one sentence
};
template <class Value>
using Asked = std::expected<Value, Failure>;

struct Desk {
    Http http;
    Style style;
    bool json = false;
};

// The JSON of an answer with a good status. A refusal of the service is Exit::no, its own trouble (5xx)
// Exit::could_not_ask.
[[nodiscard]] Asked<nlohmann::json> answer_of(const std::expected<Reply, std::string>& reply);
[[nodiscard]] Asked<nlohmann::json> ask(const Desk& desk, const std::string& target,
                                        const Bearer& bearer = {});

// For programs: two blanks of indent, everything beyond ASCII escaped.
void print_json(const nlohmann::json& value);
void print(const std::string& text);
// To standard error, with the name of the program before it.
void complain(const std::string& message);

// The bay that was named, or the only one that there is.
[[nodiscard]] Asked<std::string> bay_or_only(const Desk& desk, const std::string& named);

[[nodiscard]] Asked<Exit> show_state(const Desk& desk);
[[nodiscard]] Asked<Exit> show_why(const Desk& desk, const std::string& bay);  // empty: every bay
// The same for a moment of the past. Of an event and a time one; neither: before the unit left.
struct PastWhyQuestion {
    std::uint64_t event = 0;
    std::string at;
    std::string serial;
    std::string journal;  // a file; empty: the service
    [[nodiscard]] bool is_asked() const noexcept {
        return event != 0 || !at.empty() || !serial.empty() || !journal.empty();
    }
};
[[nodiscard]] Asked<Exit> show_past_why(const Desk& desk, const std::string& bay,
                                        const PastWhyQuestion& asked);
[[nodiscard]] Asked<Exit> show_unit(const Desk& desk, const std::string& serial, const std::string& journal);
// The units that were done in another way because of the bypass of this event.
[[nodiscard]] Asked<Exit> show_bypassed(const Desk& desk, std::uint64_t event);
[[nodiscard]] Asked<Exit> show_orders(const Desk& desk);
[[nodiscard]] Asked<Exit> show_health(const Desk& desk);
[[nodiscard]] Asked<Exit> show_rules(const Desk& desk);

struct Following {
    std::uint64_t from = 0;       // 0: the next event
    std::uint64_t count = 0;      // 0: without end
    std::uint64_t timeout_s = 0;  // 0: without end
};
[[nodiscard]] Asked<Exit> follow(const Desk& desk, const Following& what);

[[nodiscard]] Asked<Exit> check_config(const Desk& desk, const std::string& file, bool strict);
// What the programmer of the equipment's controller needs of a station's description (register_list.hpp), or
// what is tried at the machine (commissioning.hpp). Nothing of a description with mistakes.
enum class RegisterForm : std::uint8_t { list, csv, checklist };
[[nodiscard]] Asked<Exit> show_registers(const Desk& desk, const std::string& file, RegisterForm form);
[[nodiscard]] Asked<Exit> verify_journal(const Desk& desk, const std::string& file,
                                         const std::string& anchor);

}  // namespace tautgate::cli
