#include "tools/cli/questions.hpp"

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <vector>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "config/reader.hpp"
#include "protocol/text.hpp"
#include "protocol/utc.hpp"
#include "tools/cli/commissioning.hpp"
#include "tools/cli/description.hpp"
#include "tools/cli/journal_answers.hpp"
#include "tools/cli/register_list.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

using nlohmann::json;

namespace {

Failure journal_failure(const journal::JournalError& error) {
    const bool damaged = error.fault == journal::JournalFault::damaged;
    return {damaged ? Exit::no : Exit::could_not_ask, plain(journal::to_text(error))};
}

std::uint64_t number_at(const json& object, std::string_view key) {
    const auto& value = at(object, key);
    return value.is_number_unsigned() ? value.get<std::uint64_t>() : 0;
}

Asked<json> unit_by(const Desk& desk, const std::string& serial, const std::string& journal_file) {
    if (journal_file.empty())
        return ask(desk, "/v1/units/" + path_part(serial));
    auto reader = journal::Reader::open(journal_file);
    if (!reader)
        return std::unexpected(journal_failure(reader.error()));
    auto unit = unit_from(**reader, serial);
    if (!unit)
        return std::unexpected(journal_failure(unit.error()));
    return std::move(*unit);
}

json finding_view(const config::ConfigError& finding) {
    return {{"severity", finding.severity == config::Severity::error ? "error" : "warning"},
            {"file", finding.file},
            {"line", finding.line},
            {"column", finding.column},
            {"pointer", finding.pointer},
            {"found", finding.found},
            {"allowed", finding.allowed},
            {"nearest", finding.nearest}};
}

// The names of joints that were not met before, as far as the unit with them still stands there; else they
// are told by their place.
void learn_names(const Desk& desk, const json& event, NamesOfJoints& names) {
    const auto joints = joints_in(event);
    if (std::ranges::all_of(joints, [&](const std::string& joint) { return names.contains(joint); }))
        return;
    if (const auto station = ask(desk, "/v1/station"))
        names.merge(names_of_joints(*station));
    for (const auto& joint : joints)
        names.try_emplace(joint);
}

// One stored event, for a program as it came, byte for byte, so that its hash can be checked.
Asked<void> print_event(const Desk& desk, std::string_view line, NamesOfJoints& names) {
    const auto event = json::parse(line, nullptr, false);
    if (!event.is_object())
        return std::unexpected(Failure{Exit::could_not_ask,
                                       "the service answered /v1/events with a line that is no JSON object; "
                                       "see that tautgate and tautgated are of the same version"});
    if (!desk.json) {
        learn_names(desk, event, names);
        print(event_text(event, desk.style, names));
    } else if (is_plain(line)) {
        print(std::string(line) + "\n");
    } else {
        print(event.dump(-1, ' ', true, json::error_handler_t::replace) + "\n");
    }
    return {};
}

struct Page {
    std::uint64_t printed = 0;
    std::uint64_t next = 0;
};

constexpr std::chrono::milliseconds longest_wait{10'000};
constexpr std::uint64_t most_of_a_page = 500;

Asked<Page> next_page(const Desk& desk, std::uint64_t from, std::uint64_t most,
                      std::chrono::milliseconds wait, NamesOfJoints& names) {
    const auto reply =
        desk.http.get(fmt::format("/v1/events?from={}&most={}&wait_ms={}", from, most, wait.count()), {},
                      wait + std::chrono::seconds(15));
    if (!reply)
        return std::unexpected(Failure{Exit::could_not_ask, reply.error()});
    if (reply->status != 200) {
        const auto refused = answer_of(reply);
        return std::unexpected(refused ? Failure{Exit::could_not_ask, "the service gave no events"}
                                       : refused.error());
    }
    Page page{.printed = 0, .next = from};
    std::string_view rest = reply->body;
    while (!rest.empty()) {
        const auto end = std::min(rest.find('\n'), rest.size());
        if (end > 0) {
            if (const auto done = print_event(desk, rest.substr(0, end), names); !done)
                return std::unexpected(done.error());
            ++page.printed;
        }
        rest.remove_prefix(std::min(end + 1, rest.size()));
    }
    const auto& next = reply->next_from;
    const auto number = whole_number<decltype(page.next)>(next);
    if (!number || *number < from)
        return std::unexpected(Failure{Exit::could_not_ask, "the service did not say where its events go on "
                                                            "(header Next-From); see that tautgate and "
                                                            "tautgated are of the same version"});
    page.next = *number;
    return page;
}

Asked<json> past_why_in(const std::string& bay, const PastWhyQuestion& asked,
                        const std::optional<std::int64_t>& at_utc_us) {
    auto reader = journal::Reader::open(asked.journal);
    if (!reader)
        return std::unexpected(journal_failure(reader.error()));
    auto why = past_why_from(
        **reader, {.event = {asked.event}, .at_utc_us = at_utc_us, .bay = bay, .serial = asked.serial});
    if (!why)
        return std::unexpected(journal_failure(why.error()));
    if (auto* nothing = std::get_if<history::NotThen>(&*why))
        return std::unexpected(
            Failure{Exit::no, fmt::format("{}; {}", plain(nothing->what), plain(nothing->remedy))});
    return std::move(std::get<json>(*why));
}

Asked<json> past_why_by(const Desk& desk, const std::string& bay, const PastWhyQuestion& asked) {
    std::string target = "/v1/past-why";
    const auto add = [&](const char* key, const std::string& value) {
        if (!value.empty())
            target += fmt::format("{}{}={}", target.find('?') == std::string::npos ? '?' : '&', key,
                                  path_part(value));
    };
    add("bay", bay);
    add("serial", asked.serial);
    add("at", asked.at);
    add("event", asked.event == 0 ? std::string() : std::to_string(asked.event));
    return ask(desk, target);
}

}  // namespace

Asked<json> answer_of(const std::expected<Reply, std::string>& reply) {
    if (!reply)
        return std::unexpected(Failure{Exit::could_not_ask, reply.error()});
    auto body = json::parse(reply->body, nullptr, false);
    if (reply->status >= 200 && reply->status < 300) {
        if (body.is_discarded())
            return std::unexpected(Failure{Exit::could_not_ask,
                                           "the service's answer is no JSON; see that the address given with "
                                           "--api is that of tautgated"});
        return body;
    }
    return std::unexpected(
        Failure{reply->status >= 400 && reply->status < 500 ? Exit::no : Exit::could_not_ask,
                error_text(body.is_discarded() ? json(nullptr) : body, reply->status)});
}

Asked<json> ask(const Desk& desk, const std::string& target, const Bearer& bearer) {
    return answer_of(desk.http.get(target, bearer));
}

void print(const std::string& text) {
    std::fwrite(text.data(), 1, text.size(), stdout);
    std::fflush(stdout);  // who reads along in a pipe sees each line when it happens
}

void print_json(const json& value) { print(value.dump(2, ' ', true, json::error_handler_t::replace) + "\n"); }

void complain(const std::string& message) { fmt::print(stderr, "tautgate: {}\n", message); }

Asked<std::string> bay_or_only(const Desk& desk, const std::string& named) {
    if (!named.empty())
        return named;
    const auto station = ask(desk, "/v1/station");
    if (!station)
        return std::unexpected(station.error());
    std::vector<std::string> bays;
    for (const auto& bay : at(*station, "bays"))
        bays.push_back(text_at(bay, "id"));
    if (bays.size() == 1)
        return bays.front();
    if (bays.empty())
        return std::unexpected(Failure{
            Exit::no, "the station has no bay yet, since no rules are in force; see tautgate approve-rules"});
    return std::unexpected(
        Failure{Exit::wrong_usage, fmt::format("which bay is meant? name one of {}",
                                               plain(fmt::format("{}", fmt::join(bays, ", "))))});
}

Asked<Exit> show_state(const Desk& desk) {
    const auto station = ask(desk, "/v1/station");
    if (!station)
        return std::unexpected(station.error());
    if (desk.json)
        print_json(*station);
    else
        print(state_text(*station, desk.style));
    return Exit::fine;
}

Asked<Exit> show_why(const Desk& desk, const std::string& named) {
    std::vector<std::string> bays{named};
    if (named.empty()) {
        const auto station = ask(desk, "/v1/station");
        if (!station)
            return std::unexpected(station.error());
        bays.clear();
        for (const auto& bay : at(*station, "bays"))
            bays.push_back(text_at(bay, "id"));
        if (bays.empty()) {
            complain("everything is held, since no rules are in force; two people approve them with tautgate "
                     "approve-rules");
            if (desk.json)
                print_json(json::array());
            return Exit::no;
        }
    }
    json all = json::array();
    bool held = false;
    for (const auto& bay : bays) {
        auto why = ask(desk, fmt::format("/v1/bays/{}/why", path_part(bay)));
        if (!why)
            return std::unexpected(why.error());
        held = held || anything_held(*why);
        all.push_back(std::move(*why));
    }
    if (desk.json)
        print_json(named.empty() ? all : all.front());
    else
        for (const auto& why : all)
            print(why_text(why, desk.style));
    return held ? Exit::no : Exit::fine;
}

Asked<Exit> show_past_why(const Desk& desk, const std::string& bay, const PastWhyQuestion& asked) {
    if (asked.event != 0 && !asked.at.empty())
        return std::unexpected(
            Failure{Exit::wrong_usage, "--event and --at both name the moment; give one of them"});
    const auto stamp = asked.at.empty() ? std::nullopt : protocol::parse_utc(asked.at);
    if (!asked.at.empty() && !stamp)
        return std::unexpected(
            Failure{Exit::wrong_usage, fmt::format("--at {}: it is no time; write it as in "
                                                   "2026-11-26T10:42:00Z or 2026-11-26T11:42:00+01:00",
                                                   plain(asked.at))});
    const auto at_utc_us = stamp ? std::optional(stamp->micros) : std::nullopt;
    const auto why =
        asked.journal.empty() ? past_why_by(desk, bay, asked) : past_why_in(bay, asked, at_utc_us);
    if (!why)
        return std::unexpected(why.error());
    if (desk.json)
        print_json(*why);
    else
        print(past_why_text(*why, desk.style));
    return anything_held(*why) ? Exit::no : Exit::fine;
}

Asked<Exit> show_unit(const Desk& desk, const std::string& serial, const std::string& journal_file) {
    const auto unit = unit_by(desk, serial, journal_file);
    if (!unit)
        return std::unexpected(unit.error());
    if (desk.json)
        print_json(*unit);
    else
        print(unit_text(*unit, desk.style));
    return at(*unit, "stays").empty() ? Exit::no : Exit::fine;
}

Asked<Exit> show_bypassed(const Desk& desk, std::uint64_t event) {
    const auto units = ask(desk, fmt::format("/v1/bypasses/{}/units", event));
    if (!units)
        return std::unexpected(units.error());
    if (desk.json)
        print_json(*units);
    else
        print(bypassed_text(*units, desk.style));
    return at(*units, "units").empty() ? Exit::no : Exit::fine;
}

Asked<Exit> show_orders(const Desk& desk) {
    const auto orders = ask(desk, "/v1/orders");
    if (!orders)
        return std::unexpected(orders.error());
    if (desk.json)
        print_json(*orders);
    else
        print(orders_text(*orders, desk.style));
    return Exit::fine;
}

Asked<Exit> show_health(const Desk& desk) {
    const auto health = ask(desk, "/v1/health");
    if (!health)
        return std::unexpected(health.error());
    if (desk.json) {
        print_json(*health);
    } else {
        print(health_text(*health, desk.style));
        const auto rules = ask(desk, "/v1/rules");
        if (rules && at(*rules, "in_force").is_null())
            print("no rules are in force yet, so that no tool, scanner or module is called or let in; look "
                  "with "
                  "tautgate rules, and let two people approve them with tautgate approve-rules\n");
    }
    return text_at(*health, "overall") == "good" ? Exit::fine : Exit::no;
}

Asked<Exit> show_rules(const Desk& desk) {
    const auto rules = ask(desk, "/v1/rules");
    if (!rules)
        return std::unexpected(rules.error());
    if (desk.json)
        print_json(*rules);
    else
        print(rules_text(*rules));
    const bool in_force = !at(*rules, "in_force").is_null();
    return in_force && at(*rules, "faults").empty() ? Exit::fine : Exit::no;
}

Asked<Exit> follow(const Desk& desk, const Following& what) {
    using Clock = std::chrono::steady_clock;
    auto from = what.from;
    if (from == 0) {
        const auto station = ask(desk, "/v1/station");
        if (!station)
            return std::unexpected(station.error());
        from = number_at(*station, "durable_event") + 1;
    }
    const auto end = Clock::now() + std::chrono::seconds(what.timeout_s);
    std::uint64_t printed = 0;
    NamesOfJoints names;
    while (what.count == 0 || printed < what.count) {
        auto wait = longest_wait;
        if (what.timeout_s != 0) {
            const auto left = std::chrono::ceil<std::chrono::milliseconds>(end - Clock::now());
            if (left.count() <= 0)
                return what.count == 0 ? Exit::fine : Exit::no;
            wait = std::min(wait, left);
        }
        const auto most = what.count == 0 ? most_of_a_page : std::min(most_of_a_page, what.count - printed);
        const auto page = next_page(desk, from, most, wait, names);
        if (!page)
            return std::unexpected(page.error());
        printed += page->printed;
        from = page->next;
    }
    return Exit::fine;
}

Asked<Exit> check_config(const Desk& desk, const std::string& file, bool strict) {
    const auto loading = config::load_station_file(file);
    if (!loading.readable)
        return std::unexpected(
            Failure{Exit::could_not_ask, plain(config::to_text(loading.findings.front()))});
    std::size_t errors = 0;
    json list = json::array();
    for (const auto& finding : loading.findings) {
        errors += finding.severity == config::Severity::error ? 1 : 0;
        list.push_back(finding_view(finding));
    }
    const auto warnings = loading.findings.size() - errors;
    const bool valid = loading.station.has_value();
    if (desk.json) {
        print_json({{"file", file}, {"valid", valid}, {"findings", list}});
    } else {
        for (const auto& finding : loading.findings)
            print(plain(config::to_text(finding)) + "\n");
        print(fmt::format("{}: {}, {}, {}\n", plain(file), valid ? "valid" : "not valid",
                          protocol::counted(errors, "error"), protocol::counted(warnings, "warning")));
    }
    return valid && (!strict || warnings == 0) ? Exit::fine : Exit::no;
}

Asked<Exit> show_registers(const Desk& desk, const std::string& file, RegisterForm form) {
    if (desk.json && form != RegisterForm::list)
        return std::unexpected(
            Failure{Exit::wrong_usage,
                    "--json, --csv and --checklist are three forms of the answer; give one of them"});
    const auto station = description_in(
        file, "nothing was listed, since a list made from a faulty description would be faulty, too");
    if (!station)
        return std::unexpected(station.error());
    const auto source = std::filesystem::path(file).filename().string();
    if (desk.json)
        print_json(registers_as_json(*station, source));
    else
        switch (form) {
        case RegisterForm::list: print(registers_as_markdown(*station, source)); break;
        case RegisterForm::csv: print(registers_as_csv(*station)); break;
        case RegisterForm::checklist: print(commissioning_checklist(*station, source)); break;
        }
    return Exit::fine;
}

Asked<Exit> verify_journal(const Desk& desk, const std::string& file, const std::string& anchor) {
    const auto head = anchor.empty() ? std::nullopt : parse_anchor(anchor);
    if (!anchor.empty() && !head)
        return std::unexpected(Failure{
            Exit::wrong_usage, fmt::format("--anchor {}: it is no NUMBER:HASH; give it as tautgate verify "
                                           "printed it, the hash as 64 digits of lower case",
                                           plain(anchor))});
    if (std::error_code unknown; std::filesystem::is_directory(file, unknown))
        return std::unexpected(Failure{
            Exit::could_not_ask,
            fmt::format(
                "{} is a folder; name the file of the journal in it, which is named after the station and "
                "ends with .db",
                plain(file))});
    auto reader = journal::Reader::open(file);
    if (!reader)
        return std::unexpected(journal_failure(reader.error()));
    const auto verdict = verify(**reader, head);
    if (!verdict)
        return std::unexpected(journal_failure(verdict.error()));
    if (desk.json)
        print_json({{"journal", verdict->journal_id},
                    {"station", verdict->station},
                    {"whole", verdict->whole},
                    {"events", verdict->head.number.value},
                    {"hash", verdict->whole ? json(journal::hex(verdict->head.hash)) : json(nullptr)},
                    {"text", verdict->text}});
    else
        print(verdict->text);
    return verdict->whole ? Exit::fine : Exit::no;
}

}  // namespace tautgate::cli
