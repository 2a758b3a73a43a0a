#include "tools/cli/wiring_test.hpp"

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <string_view>
#include <thread>
#include <utility>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "tools/cli/text.hpp"

namespace tautgate::cli {

using nlohmann::json;

namespace {

constexpr std::chrono::milliseconds look_interval{500};
// So long the controller may need to show what it was shown.
constexpr std::chrono::milliseconds first_answer{2000};

const json& bay_in_answer(const json& station, const std::string& id) {
    static const json none;
    for (const auto& bay : at(station, "bays"))
        if (text_at(bay, "id") == id)
            return bay;
    return none;
}

std::string age_of_controller(const json& health, const std::string& bay) {
    for (const auto& input : at(health, "inputs"))
        if (text_at(input, "kind") == "controller" && text_at(input, "id") == bay) {
            const auto age = text_at(input, "age_ms");
            return age.empty() ? "it was never heard of" : fmt::format("last sign of life {} ms ago", age);
        }
    return "its health is not known";
}

std::string hex_token(const json& token) {
    return token.is_number_unsigned() ? fmt::format("0x{:08X}", token.get<std::uint64_t>()) : "-";
}

std::string moved_words(const json& counts) {
    std::vector<std::string> all;
    for (const auto& moved : at(counts, "moved"))
        all.push_back(fmt::format("{} {}", plain(text_at(moved, "permissive")), text_at(moved, "count")));
    return fmt::format("{}", fmt::join(all, ", "));
}

bool is_echoed(const json& bay) {
    return at(at(bay, "controller"), "echoed_token") == at(at(bay, "wiring_test"), "token");
}

std::string_view echo_words(bool echoed, bool just_begun) {
    if (echoed)
        return "the controller shows what it received";
    return just_begun ? "no word from the controller yet"
                      : "not the one shown; the controller has not received it, or does not show it";
}

std::string end_words(std::string_view why) {
    if (why == "by_person")
        return "a person ended it";
    if (why == "time_over")
        return "its time is over";
    if (why == "unit_seen")
        return "a unit may be there: an arrival, a ticket, or a present signal that is not off";
    if (why == "equipment_moved")
        return "the equipment counted something, or its controller started anew";
    if (why == "link_lost")
        return "the link to the controller was not good all the time";
    if (why == "station_restarted")
        return "the service was started anew";
    if (why == "rules_changed")
        return "other rules came in force";
    if (why == "unknown")
        return "the record does not say why; tautgate follow --from shows what happened";
    return plain(why);
}

std::string end_in_lines(std::string_view lines, const std::string& bay) {
    while (!lines.empty()) {
        const auto end = std::min(lines.find('\n'), lines.size());
        if (const auto event = json::parse(lines.substr(0, end), nullptr, false); event.is_object())
            if (auto why = wiring_test_end(event, bay); !why.empty())
                return why;
        lines.remove_prefix(std::min(end + 1, lines.size()));
    }
    return "";
}

// Why the test that event `began` began is over. The state shows that before the event that ended it is
// stored.
Asked<std::string> why_over(const Desk& desk, std::uint64_t began, const std::string& bay) {
    constexpr std::chrono::milliseconds stored_within{5000};
    for (std::uint64_t from = began;;) {
        const auto reply =
            desk.http.get(fmt::format("/v1/events?from={}&wait_ms={}", from, stored_within.count()), {},
                          stored_within + std::chrono::seconds(15));
        if (!reply)
            return std::unexpected(Failure{Exit::could_not_ask, reply.error()});
        if (auto why = end_in_lines(reply->body, bay); !why.empty())
            return why;
        const auto next = whole_number<std::uint64_t>(reply->next_from);
        if (!next || *next <= from)
            return std::string("unknown");
        from = *next;
    }
}

// Until it is over.
Asked<Exit> watch_wiring(const Desk& desk, const std::string& bay) {
    std::uint64_t began = 0;
    const auto since = std::chrono::steady_clock::now();
    for (json shown;; std::this_thread::sleep_for(look_interval)) {
        const auto station = ask(desk, "/v1/station");
        if (!station)
            return std::unexpected(station.error());
        const auto health = ask(desk, "/v1/health");
        if (!health)
            return std::unexpected(health.error());
        const json& now = bay_in_answer(*station, bay);
        const json& test = at(now, "wiring_test");
        if (!test.is_object())
            break;
        began = at(test, "began").get<std::uint64_t>();
        const bool just_begun = std::chrono::steady_clock::now() - since < first_answer;
        const json seen{{"wiring_test", test}, {"controller", at(now, "controller")}};
        // The age of the last sign of life is another each time, and alone is no news.
        if (json told{seen, just_begun && !is_echoed(now)}; desk.json)
            print(seen.dump(-1, ' ', true) + "\n");
        else if (told != std::exchange(shown, told))
            print(wiring_text(now, *health, just_begun));
        std::fflush(stdout);
    }
    if (began == 0)
        return std::unexpected(Failure{Exit::no,
                                       "the test was over before it could be looked at; tautgate follow "
                                       "shows what ends it"});
    const auto why = why_over(desk, began, bay);
    if (!why)
        return std::unexpected(why.error());
    if (desk.json)
        print(json{{"over", *why}}.dump() + "\n");
    else
        print(fmt::format("over: {}\n", end_words(*why)));
    return *why == "by_person" || *why == "time_over" ? Exit::fine : Exit::no;
}

}  // namespace

std::string wiring_text(const json& bay, const json& health, bool just_begun) {
    const json& test = at(bay, "wiring_test");
    if (!test.is_object())
        return "";
    const json& controller = at(bay, "controller");
    const json& counts = at(controller, "counts");
    return fmt::format("released is shown for token {} on {}\n"
                       "  comes back: token {}: {}\n"
                       "  present {}, arrivals {}, departures {}, starts {}, moved {}\n"
                       "  link {}, {}\n",
                       hex_token(at(test, "token")),
                       at(test, "permissive").is_null() ? "every permissive"
                                                        : plain(text_at(test, "permissive")),
                       hex_token(at(controller, "echoed_token")), echo_words(is_echoed(bay), just_begun),
                       plain(text_at(controller, "present")), text_at(counts, "arrivals"),
                       text_at(counts, "departures"), text_at(counts, "starts"), moved_words(counts),
                       plain(text_at(controller, "link")), age_of_controller(health, text_at(bay, "id")));
}

std::string wiring_test_runs(const json& bay) {
    const json& test = at(bay, "wiring_test");
    if (!test.is_object())
        return "";
    const auto by = text_at(at(test, "by"), "name");
    const auto id = plain(text_at(bay, "id"));
    return fmt::format(
        "the wiring of bay {} is being tried already: {} shown as released{}, since event {}; wait "
        "until it is over, or end it: tautgate wiring-test {} --end",
        id,
        at(test, "permissive").is_null() ? "every permissive is" : plain(text_at(test, "permissive")) + " is",
        by.empty() ? "" : fmt::format(" by {}", plain(by)), text_at(test, "began"), id);
}

std::string wiring_test_end(const json& event, const std::string& bay) {
    for (const auto& effect : at(at(at(event, "body"), "record"), "effects")) {
        const json& over = at(effect, "WiringTestOver");
        if (text_at(over, "bay") == bay)
            return text_at(over, "why");
    }
    return "";
}

Asked<Exit> test_wiring(const Desk& desk, const WiringTestOrder& order, const Signers& signers) {
    const auto bay = bay_or_only(desk, order.bay);
    if (!bay)
        return std::unexpected(bay.error());
    if (!order.end) {
        const auto station = ask(desk, "/v1/station");
        if (!station)
            return std::unexpected(station.error());
        if (auto runs = wiring_test_runs(bay_in_answer(*station, *bay)); !runs.empty())
            return std::unexpected(Failure{Exit::no, std::move(runs)});
    }
    const BayAct act{.bay = *bay,
                     .what = "wiring-test",
                     .key = "act",
                     .value = order.end ? "end" : "begin",
                     .about_the_unit = false,
                     .permissive = order.permissive};
    const auto done = act_at_bay(desk, act, signers);
    if (!done || *done != Exit::fine || order.end)
        return done;
    return watch_wiring(desk, *bay);
}

}  // namespace tautgate::cli
