#include "tools/cli/views.hpp"

#include <algorithm>
#include <array>
#include <cstdint>
#include <iterator>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "protocol/quantity.hpp"
#include "protocol/text.hpp"
#include "protocol/utc.hpp"
#include "tools/cli/acts.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

using nlohmann::json;

namespace {

std::string text_of(const json& value) {
    if (value.is_string())
        return value.get_ref<const std::string&>();
    if (value.is_null())
        return {};
    if (value.is_boolean())
        return value.get<bool>() ? "yes" : "no";
    return value.dump(-1, ' ', true, json::error_handler_t::replace);
}

// Safe to print; "-" where there is nothing.
std::string shown(const json& object, std::string_view key) {
    auto text = plain(text_at(object, key));
    return text.empty() ? "-" : text;
}

bool is_true(const json& object, std::string_view key) {
    const auto& value = at(object, key);
    return value.is_boolean() && value.get<bool>();
}

std::string name_of_person(const json& object, std::string_view key) {
    const auto& person = at(object, key);
    return person.is_null() ? "-" : shown(person, "name");
}

Colour colour_of(std::string_view word) {
    if (word == "released" || word == "good" || word == "ok")
        return Colour::green;
    if (word == "leaving_incomplete" || word == "stale" || word == "unknown" || word == "attention" ||
        word == "not_decidable" || word == "undefined")
        return Colour::yellow;
    if (word == "withheld" || word == "failed" || word == "not_ok")
        return Colour::red;
    return Colour::none;
}

// A word of the API as a coloured cell of plain words.
Cell word_cell(const json& object, std::string_view key) {
    const auto word = shown(object, key);
    return {words(word), colour_of(word)};
}

std::string word_text(const json& object, std::string_view key, Style style) {
    const auto cell = word_cell(object, key);
    return painted(cell.text, cell.colour, style.colours);
}

// "lifting-beam (Lifting beam)"
std::string titled(const json& object) {
    const auto id = shown(object, "id");
    const auto name = shown(object, "name");
    return name == "-" || name == id ? id : fmt::format("{} ({})", id, name);
}

std::string listed(const json& texts) {
    std::vector<std::string> all;
    for (const auto& text : texts)
        all.push_back(plain(text_of(text)));
    return fmt::format("{}", fmt::join(all, ", "));
}

std::string heading(std::string_view title, std::string_view table) {
    return table.empty() ? std::string() : fmt::format("{}\n{}", title, table);
}

// ---- state --------------------------------------------------------------------------------------------

std::string overriders(const json& given) {
    std::string text = fmt::format("overridden by {}", name_of_person(given, "by"));
    if (!at(given, "seconded_by").is_null())
        text += fmt::format(" and {}", name_of_person(given, "seconded_by"));
    return text;
}

// "done as Click wrench, not witnessed yet"; empty: as planned.
std::string other_way_note(const json& joint) {
    const auto& way = at(joint, "alternate");
    if (!way.is_object())
        return {};
    const bool unseen = is_true(way, "witness") && at(joint, "witnessed").is_null();
    return fmt::format("done as {}{}", shown(way, "name"), unseen ? ", not witnessed yet" : "");
}

std::string joints_text(const json& stay, Style style) {
    Table table{{"joint", "class", "fasteners proven", "note"}};
    for (const auto& joint : at(stay, "joints")) {
        std::size_t proven = 0;
        std::vector<std::string> notes;
        for (const auto& fastener : at(joint, "fasteners")) {
            const auto& passes = at(fastener, "passes");
            bool all = !passes.empty();
            for (const auto& pass : passes)
                all = all && !at(pass, "proof").is_null();
            proven += all ? 1 : 0;
            for (const auto* due : {"locked", "loosening_due", "replacement_due"})
                if (is_true(fastener, due))
                    notes.push_back(fmt::format("{} {}", shown(fastener, "name"), words(due)));
        }
        if (const auto note = other_way_note(joint); !note.empty())
            notes.push_back(note);
        if (!at(joint, "override").is_null())
            notes.push_back(overriders(at(joint, "override")));
        if (!at(joint, "confirmed").is_null())
            notes.push_back(fmt::format("confirmed by {}", name_of_person(joint, "confirmed_by")));
        const auto count = at(joint, "fasteners").size();
        auto risk = text_at(joint, "risk");
        for (char& c : risk)
            c = c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
        table.row({{titled(joint)},
                   {risk.empty() ? "-" : risk},
                   {text_at(joint, "method") == "confirmed_check" ? "-" : fmt::format("{}/{}", proven, count),
                    proven == count && count > 0 ? Colour::green : Colour::none},
                   {fmt::format("{}", fmt::join(notes, "; "))}});
    }
    return table.empty() ? "" : table.text(style.colours, 4, style.screen);
}

// "override joint motor-mounts", "leave incomplete"
std::string proposed_text(const json& proposal) {
    const auto subject = plain(text_at(proposal, "subject"));
    return words(shown(proposal, "action")) + (subject.empty() ? "" : " ") + subject;
}

std::string proposals_text(const json& stay) {
    std::string text;
    for (const auto& proposal : at(stay, "proposals"))
        text +=
            fmt::format("  waits for a second person: proposal {}, {}, by {} ({}: {})\n",
                        shown(proposal, "number"), proposed_text(proposal), name_of_person(proposal, "by"),
                        shown(proposal, "reason_code"), shown(proposal, "reason_text"));
    return text;
}

std::string occupant_text(const json& bay, Style style) {
    const auto& stay = at(bay, "occupant");
    if (stay.is_null()) {
        const auto& expected = at(bay, "expected");
        return expected.is_null() ? "  unit: none\n"
                                  : fmt::format("  unit: none; that at bay {} is to move here next\n",
                                                shown(expected, "from"));
    }
    const auto& identity = at(stay, "identity");
    std::string text = fmt::format("  unit: {}, variant {}, plan {} revision {} ({}), here since {}\n",
                                   shown(identity, "unit"), shown(identity, "variant"),
                                   shown(identity, "plan"), shown(identity, "plan_revision"),
                                   words(shown(identity, "state")), short_time(shown(stay, "began")));
    if (const auto& moved = at(stay, "moved_here"); !moved.is_null())
        text += fmt::format("  moved here from bay {} under permissive {}{}\n", shown(moved, "from"),
                            shown(moved, "permissive"),
                            at(moved, "arrived").is_null() ? "; it is on its way" : "");
    if (!at(stay, "leaves_incomplete").is_null())
        text += "  the unit leaves incomplete, by decision of two people\n";
    return text + proposals_text(stay) + joints_text(stay, style);
}

std::string wiring_test_line(const json& bay) {
    const auto& test = at(bay, "wiring_test");
    if (!test.is_object())
        return {};
    const auto& token = at(test, "token");
    return fmt::format("  wiring test under way, begun by {}, token {}: the equipment must not move on it\n",
                       name_of_person(test, "by"),
                       token.is_number_unsigned() ? fmt::format("0x{:08X}", token.get<std::uint64_t>())
                                                  : "-");
}

// For the token of a wiring test it is shown released, while nothing that may move is.
Cell told_cell(const json& bay, const json& permissive) {
    const auto& test = at(bay, "wiring_test");
    const auto tried = text_at(test, "permissive");
    if (test.is_object() && text_at(permissive, "on_wire") == "withheld" &&
        (tried.empty() || tried == text_at(permissive, "id")))
        return {"released for the test token", Colour::yellow};
    return word_cell(permissive, "on_wire");
}

std::string bay_text(const json& bay, Style style) {
    const auto& controller = at(bay, "controller");
    std::string text =
        fmt::format("\nBay {}{}\n  controller: {}, unit {}{}\n  signed on: {}\n", titled(bay),
                    is_true(bay, "simulated") ? ", simulated" : "", word_text(controller, "link", style),
                    words(shown(controller, "present")), is_true(controller, "fault") ? ", fault" : "",
                    name_of_person(bay, "signed_on"));
    text += wiring_test_line(bay) + occupant_text(bay, style);
    Table table{{"permissive", "decided", "equipment told", "held by", "first reason"}};
    for (const auto& permissive : at(bay, "permissives"))
        table.row({{titled(permissive)},
                   word_cell(permissive, "decided"),
                   told_cell(bay, permissive),
                   {protocol::counted(shown(permissive, "reasons"), "reason")},
                   {shown(permissive, "first_reason")}});
    return text + (table.empty() ? "" : table.text(style.colours, 2, style.screen));
}

// What withholds every output, before anything that was decided.
std::string by_station_text(const json& answer) {
    std::string text;
    for (const auto& trouble : at(answer, "withheld_by_station"))
        text += fmt::format("The station withholds everything: {}\n  do: {}; tautgate health tells more\n",
                            shown(trouble, "what"), shown(trouble, "remedy"));
    return text.empty() ? text : text + "\n";
}

// What the station thinks of a tool's own count.
std::string count_words(const std::string& count) {
    if (count == "no_baseline")
        return "not begun";
    if (count == "following")
        return "without gap";
    if (count == "broken")
        return "has a gap";
    return count.empty() ? "-" : words(plain(count));
}

// Whether the station lets it run: for which program and where, with a question mark until the tool said so.
Cell may_run_cell(const json& tool) {
    const auto& control = at(tool, "control");
    if (control.is_null())
        return {"not by us"};
    if (is_true(control, "disobeys"))
        return {"no, yet it does", Colour::red};
    const std::string open = is_true(control, "confirmed") ? "" : " ?";
    if (!is_true(control, "may_run"))
        return {"no" + open};
    const std::string where = at(control, "bays").size() > 1 ? " at " + shown(control, "at") : "";
    const std::string program = at(control, "program").is_null() ? "yes" : shown(control, "program");
    return {program + where + open};
}

Cell calibration_cell(const json& tool) {
    const auto& calibration = at(tool, "calibration");
    const auto standing = text_at(calibration, "standing");
    const auto until = text_at(calibration, "until").substr(0, std::string_view("2026-11-26").size());
    if (standing == "overdue")
        return {"over since " + until, Colour::red};
    if (standing == "due_soon")
        return {"ends on " + until, Colour::yellow};
    if (standing == "good")
        return {"until " + until};
    if (standing == "not_watched")
        return {"not watched"};
    return {standing == "clock_behind" ? "is yet to come" : "not on record", Colour::red};
}

// Before the bays, since it changes what counts at each of them.
std::string bypasses_text(const json& station, Style style) {
    Table table{{"joint", "done as", "until", "units", "since event", "why"}};
    for (const auto& bypass : at(station, "bypasses")) {
        const bool ended = !at(bypass, "ended").is_null();
        table.row({{fmt::format("{} ({})", shown(bypass, "joint"), shown(bypass, "joint_name"))},
                   {shown(bypass, "name")},
                   {ended ? fmt::format("ended with event {}, restart not verified", shown(bypass, "ended"))
                          : short_time(shown(bypass, "until")),
                    Colour::yellow},
                   {fmt::format("{} of {}", shown(bypass, "used"), shown(bypass, "units"))},
                   {shown(bypass, "since")},
                   {shown(bypass, "why")}});
    }
    return table.empty() ? "" : heading("\nBypassed", table.text(style.colours, 2, style.screen));
}

// The column of what may run stands only where the station lets some tool run, that of calibrations where it
// watches some.
std::string tools_text(const json& station, Style style) {
    const auto& tools = at(station, "tools");
    const bool lets_run =
        std::ranges::any_of(tools, [](const json& tool) { return !at(tool, "control").is_null(); });
    const bool is_watched = std::ranges::any_of(tools, [](const json& tool) {
        const auto standing = text_at(at(tool, "calibration"), "standing");
        return !standing.empty() && standing != "not_watched";
    });
    std::vector<std::string> heads{"tool", "bay", "link", "count", "counter"};
    if (lets_run)
        heads.emplace_back("may run");
    if (is_watched)
        heads.emplace_back("calibration");
    Table table{heads};
    for (const auto& tool : tools) {
        std::vector<Cell> cells{{titled(tool)},
                                {shown(tool, "bay")},
                                word_cell(tool, "link"),
                                {count_words(text_at(tool, "count")),
                                 text_at(tool, "count") == "broken" ? Colour::red : Colour::none},
                                {shown(tool, "counter")}};
        if (lets_run)
            cells.push_back(may_run_cell(tool));
        if (is_watched)
            cells.push_back(calibration_cell(tool));
        table.row(std::move(cells));
    }
    return table.empty() ? "" : heading("\nTools", table.text(style.colours, 2, style.screen));
}

// ---- why ----------------------------------------------------------------------------------------------

std::string override_hint(const json& reason) {
    const auto& rule = at(reason, "override");
    if (!is_true(reason, "overridable") || rule.is_null())
        return {};
    std::vector<std::string> roles;
    for (const auto& role : at(rule, "roles"))
        roles.push_back(words(plain(text_of(role))));
    return fmt::format("may be overridden by {}: {}{}",
                       text_at(rule, "people") == "1" ? "1 person" : shown(rule, "people") + " people",
                       fmt::join(roles, " or "),
                       is_true(rule, "hand_checked_value") ? "; with a value checked by hand" : "");
}

// What the reason says of a parameter of a decision; empty: nothing.
std::string known_of(const json& reason, std::string_view parameter) {
    // Commands name a joint by its id.
    if (parameter == "joint")
        return at(reason, "joint").is_null() ? std::string() : text_at(reason, "id");
    if (parameter == "fastener" || parameter == "tool")
        return text_at(reason, parameter);
    for (const auto& fact : at(reason, "facts"))
        if (text_at(fact, "name") == parameter)
            return text_at(fact, "value");
    return {};
}

// As one word for a shell; empty: no word can be made of it.
std::string shell_word(const std::string& text) {
    constexpr std::string_view harmless =
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.:/+";
    if (text.find_first_not_of(harmless) == std::string::npos && !text.starts_with('-'))
        return text;
    const bool can_stand = is_plain(text) && !text.starts_with('-') && !text.contains('\'');
    return can_stand ? fmt::format("'{}'", text) : std::string();
}

// "tautgate decide unlock-fastener caps FASTENER", with what the reason says filled in; empty: no such
// command.
std::string decide_command(const std::string& action, const json& reason) {
    const auto kinds = decision_kinds();
    const auto kind = std::ranges::find(kinds, action, &DecisionKind::action);
    if (kind == kinds.end())
        return {};
    std::string text = fmt::format("tautgate decide {}", kind->word);
    for (const auto parameter : kind->parameters) {
        text += ' ';
        if (const auto word = shell_word(known_of(reason, parameter)); !word.empty()) {
            text += word;
            continue;
        }
        for (const char c : parameter)
            text += c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
    }
    return text;
}

// What else people can decide about it now, and who may; an override is told by its own line.
std::vector<std::string> way_hints(const json& reason) {
    std::vector<std::string> hints;
    for (const auto& way : at(reason, "ways_out")) {
        if (text_at(way, "action") == "override_joint")
            continue;
        std::vector<std::string> roles;
        for (const auto& role : at(way, "roles"))
            roles.push_back(words(plain(text_of(role))));
        const auto command = decide_command(text_at(way, "action"), reason);
        auto hint = fmt::format("may be decided: {}, by {}: {}",
                                command.empty() ? words(shown(way, "action")) : command,
                                text_at(way, "people") == "1" ? "1 person" : shown(way, "people") + " people",
                                fmt::join(roles, " or "));
        if (std::ranges::find(hints, hint) == hints.end())
            hints.push_back(std::move(hint));
    }
    return hints;
}

// A fact that the sentence or the remedy has not said already.
bool is_news(const json& fact, const json& reason) {
    const auto value = text_at(fact, "value");
    return !value.empty() && text_at(reason, "sentence").find(value) == std::string::npos &&
           text_at(reason, "remedy").find(value) == std::string::npos;
}

// What is gone by itself once somebody has done the work on the unit that it names.
bool needs_work(std::string_view code) {
    constexpr std::array<std::string_view, 6> codes{"ticket_missing", "token_not_taken", "loosening_due",
                                                    "joint_not_ok",   "joint_open",      "check_open"};
    return std::ranges::find(codes, code) != codes.end();
}

std::string clears_text(const json& reason) {
    if (text_at(reason, "clears") == "by_itself" && needs_work(text_at(reason, "code")))
        return "once that is done; nobody has to decide";
    return words(shown(reason, "clears"));
}

// A reason once, with every permissive that it holds.
struct Held {
    const json* reason;
    std::vector<std::string> permissives;
};

constexpr std::size_t short_digest = 12;

std::vector<Held> reasons_once(const json& why) {
    std::vector<Held> all;
    for (const auto& permissive : at(why, "permissives"))
        for (const auto& reason : at(permissive, "reasons")) {
            auto known = std::ranges::find_if(all, [&](const Held& held) { return *held.reason == reason; });
            if (known == all.end())
                known = all.insert(all.end(), {&reason, {}});
            known->permissives.push_back(shown(permissive, "id"));
        }
    // The number is the rank: worst first.
    std::ranges::stable_sort(all, {}, [](const Held& held) {
        const auto& number = at(*held.reason, "number");
        return number.is_number_unsigned() ? number.get<std::uint64_t>() : 0;
    });
    return all;
}

std::string reason_text(const Held& held, std::size_t place, std::size_t screen) {
    const json& reason = *held.reason;
    std::string text;
    const auto add = [&](std::string begin, const std::string& what) {
        const std::string next(5, ' ');
        for (const auto& line : wrapped(what, screen == 0 ? 0 : std::max<std::size_t>(screen, 25) - 5))
            text += std::exchange(begin, next) + line + "\n";
    };
    add(fmt::format("{:>3}. ", place), shown(reason, "sentence"));
    add("     ", fmt::format("do: {}", shown(reason, "remedy")));
    add("     ", fmt::format("holds: {}", fmt::join(held.permissives, ", ")));
    add("     ", fmt::format("clears: {}; reason {} ({})", clears_text(reason), shown(reason, "number"),
                             shown(reason, "code")));
    if (!at(reason, "id").is_null())
        add("     ", fmt::format("name in commands: {}", shown(reason, "id")));
    if (const auto hint = override_hint(reason); !hint.empty())
        add("     ", hint);
    for (const auto& hint : way_hints(reason))
        add("     ", hint);
    for (const auto& fact : at(reason, "facts"))
        if (is_news(fact, reason))
            add("     ", fmt::format("{}: {}", shown(fact, "name"), shown(fact, "value")));
    return text;
}

// ---- unit ---------------------------------------------------------------------------------------------

// What explains most of each tightening that looks odd, and what to do; the rest stands in the JSON.
std::string patterns_text(const json& stay) {
    std::string text;
    for (const auto& line : at(stay, "tightenings")) {
        const auto& patterns = at(line, "patterns");
        if (const auto fault = text_at(line, "curve_fault"); !fault.empty())
            text +=
                fmt::format("    event {}: its curve was not looked at: {}\n", text_at(line, "event"), fault);
        if (!patterns.is_array() || patterns.empty())
            continue;
        const auto& first = patterns.front();
        text += fmt::format("    event {}, {} {}: {} ({}); {}\n", text_at(line, "event"),
                            shown(line, "joint"), shown(line, "fastener"), shown(first, "sentence"),
                            shown(first, "evidence"), shown(first, "advice"));
    }
    return text.empty() ? "" : "    What they look like:\n" + text;
}

std::string tightenings_text(const json& stay, Style style) {
    Table table{{"time", "joint", "fastener", "pass", "try", "torque", "angle", "verdict", "tool", "operator",
                 "note"}};
    for (const auto& line : at(stay, "tightenings")) {
        std::vector<std::string> notes;
        if (text_at(line, "outcome") != "attributed")
            notes.push_back(words(text_at(line, "outcome")));
        if (!text_at(line, "why").empty())
            notes.push_back(words(text_at(line, "why")));
        for (const auto& finding : at(line, "findings"))
            notes.push_back(words(text_of(finding)));
        if (!at(line, "assigned_by").is_null())
            notes.push_back(fmt::format("assigned by hand, event {}", text_at(line, "assigned_by")));
        if (const auto& traces = at(line, "traces"); traces.is_number_unsigned() && traces > 0)
            notes.push_back(traces == 1 ? fmt::format("trace {}", text_at(line, "event"))
                                        : fmt::format("{} traces that differ, {}", text_of(traces),
                                                      text_at(line, "event")));
        table.row({{short_time(text_at(line, "at"))},
                   {shown(line, "joint")},
                   {shown(line, "fastener")},
                   {shown(line, "pass")},
                   {shown(line, "attempt")},
                   {shown(line, "torque")},
                   {shown(line, "angle")},
                   word_cell(line, "verdict"),
                   {shown(line, "tool")},
                   {name_of_person(line, "operator")},
                   {fmt::format("{}", fmt::join(notes, ", "))}});
    }
    return table.empty()
               ? ""
               : heading("  Tightenings", table.text(style.colours, 4, style.screen)) + patterns_text(stay);
}

std::string tickets_text(const json& stay, Style style) {
    Table table{{"time", "kind", "serial", "order", "type", "note"}};
    for (const auto& line : at(stay, "tickets")) {
        const std::string note = !at(line, "withdrawn").is_null() ? "withdrawn"
                                 : is_true(line, "accepted")      ? "accepted"
                                                                  : "refused";
        table.row({{short_time(text_at(line, "at"))},
                   {shown(line, "kind")},
                   {shown(line, "serial")},
                   {shown(line, "order")},
                   {shown(line, "type")},
                   {note}});
    }
    return table.empty() ? "" : heading("  Tickets", table.text(style.colours, 4, style.screen));
}

std::string outputs_text(const json& stay, Style style) {
    Table table{{"time", "event", "permissive", "output", "reasons"}};
    for (const auto& line : at(stay, "outputs"))
        table.row({{short_time(text_at(line, "at"))},
                   {shown(line, "event")},
                   {shown(line, "permissive")},
                   word_cell(line, "output"),
                   {listed(at(line, "reasons"))}});
    return table.empty() ? "" : heading("  Permissives", table.text(style.colours, 4, style.screen));
}

std::string moves_text(const json& stay) {
    std::string text;
    for (const auto& line : at(stay, "moves"))
        text += fmt::format("  moved from bay {} to bay {} under permissive {}{}, {} (event {})\n",
                            shown(line, "from"), shown(line, "to"), shown(line, "permissive"),
                            at(line, "unproven") == true ? " while it was withheld" : "",
                            short_time(text_at(line, "at")), shown(line, "event"));
    return text;
}

std::string both_persons(const json& line) {
    const auto by = name_of_person(line, "by");
    // Of a proposal that waited the outcome names the second.
    return at(line, "seconded_by").is_null() || !at(line, "applied_by").is_null()
               ? by
               : fmt::format("{} and {}", by, name_of_person(line, "seconded_by"));
}

// What became of an act; of a proposal that waited, what became of that.
std::string outcome_text(const json& line) {
    auto ended = at(line, "ended_by").is_null() ? std::string()
                                                : fmt::format("ended by event {}", shown(line, "ended_by"));
    if (!at(line, "applied_by").is_null())
        return fmt::format("applied by event {}, with {}{}{}", shown(line, "applied_by"),
                           name_of_person(line, "seconded_by"), ended.empty() ? "" : "; ", ended);
    if (!ended.empty())
        return ended;
    auto outcome = words(shown(line, "outcome"));
    if (!text_at(line, "refusal").empty())
        outcome += fmt::format(" ({})", words(text_at(line, "refusal")));
    return outcome;
}

// "motor-mounts, front left (result of event 25)"
std::string about_text(const json& line) {
    std::string text = text_at(line, "subject");
    if (const auto fastener = text_at(line, "fastener"); !fastener.empty())
        text += (text.empty() ? "" : ", ") + fastener;
    if (const auto event = text_at(line, "subject_event"); !event.empty()) {
        const bool is_event = text_at(line, "action") == "dispose_set_aside";
        const auto about = fmt::format("{} {}", is_event ? "event" : "result of event", event);
        text += text.empty() ? about : fmt::format(" ({})", about);
    }
    return text.empty() ? "-" : text;
}

std::string decisions_text(const json& list, const std::string& title, Style style) {
    Table table{
        {"time", "event", "proposal", "what", "about", "by", "outcome", "by hand", "verified", "reason"}};
    for (const auto& line : list) {
        const auto action = text_at(line, "action");
        auto reason = text_at(line, "reason_code");
        if (!text_at(line, "reason_text").empty())
            reason += (reason.empty() ? "" : ": ") + text_at(line, "reason_text");
        table.row({{short_time(text_at(line, "at"))},
                   {shown(line, "event")},
                   {shown(line, "proposal")},
                   {words(action.empty() ? shown(line, "kind") : action)},
                   {about_text(line)},
                   {both_persons(line)},
                   {outcome_text(line), text_at(line, "outcome") == "refused" ? Colour::red : Colour::none},
                   {shown(line, "checked_torque")},
                   {shown(line, "verified")},
                   {reason.empty() ? "-" : reason}});
    }
    return table.empty() ? "" : heading(title, table.text(style.colours, 4, style.screen));
}

std::string stay_text(const json& stay, Style style) {
    const auto ended = text_at(stay, "ended");
    std::string text = fmt::format(
        "\nStay {} in bay {}, {} to {}{}\n  unit {}, variant {}, plan {} revision {}\n", shown(stay, "stay"),
        shown(stay, "bay"), short_time(shown(stay, "began")),
        ended.empty() ? "now" : short_time(plain(ended)),
        at(stay, "leaves_incomplete").is_null() ? "" : ", leaving incomplete", shown(stay, "unit"),
        shown(stay, "variant"), shown(stay, "plan"), shown(stay, "plan_revision"));
    for (const auto& way : at(stay, "other_ways"))
        text +=
            fmt::format("  joint {} was done as {} ({}), by the bypass of event {}\n", shown(way, "joint"),
                        shown(way, "name"), shown(way, "alternate"), shown(way, "bypass"));
    return text + moves_text(stay) + tickets_text(stay, style) + tightenings_text(stay, style) +
           outputs_text(stay, style) + decisions_text(at(stay, "decisions"), "  Decisions", style);
}

// ---- events -------------------------------------------------------------------------------------------

// The one key of an object that stands for one of several kinds, and its value.
std::pair<std::string, const json*> kind_of(const json& one) {
    if (!one.is_object() || one.size() != 1)
        return {"-", nullptr};
    return {one.begin().key(), &one.begin().value()};
}

std::string quantity(const json& measured) {
    const auto [kind, value] = kind_of(measured);
    const auto number =
        value == nullptr ? std::string() : text_at(*value, kind == "Torque" ? "micro_nm" : "micro_deg");
    const auto micro = whole_number<std::int64_t>(number);
    if (!micro)
        return words(protocol::snake_case(kind));
    return kind == "Torque" ? protocol::to_text(protocol::Torque{*micro})
                            : protocol::to_text(protocol::Angle{*micro});
}

constexpr std::size_t longest_value = 60;

// Whether the value under this key is for programs: bytes, digests, the tool's own count of time.
bool is_for_programs(std::string_view key) {
    static constexpr std::string_view keys[]{"raw",          "state", "digest",      "received", "made",
                                             "stamp_utc_us", "fresh", "secret_mark", "name_mark"};
    return std::ranges::find(keys, key) != std::end(keys);
}

bool is_person(std::string_view key) {
    return key == "by" || key == "seconded_by" || key == "typed_by" || key == "person" || key == "operator";
}

std::string key_words(std::string_view key) {
    return key == "clean_end" ? "ended in order" : plain(words(key));
}

// The n-th of a list by its name, or counted from 1.
std::string place_in(const std::vector<std::string>* names, const json& index) {
    const auto text = text_of(index);
    const auto place = whole_number<std::size_t>(text);
    if (!place)
        return plain(text);
    return names != nullptr && *place < names->size() ? plain((*names)[*place]) : std::to_string(*place + 1);
}

bool is_quantity(const json& value) {
    return value.is_object() && value.size() == 1 &&
           (value.contains("micro_nm") || value.contains("micro_deg"));
}

// A torque or an angle that stands without its kind.
std::string bare_quantity(const json& value) {
    return quantity({{value.contains("micro_nm") ? "Torque" : "Angle", value}});
}

// Why something came to nothing is what is looked for, and stands whole; of other long texts the beginning.
std::string value_text(std::string_view key, std::string_view text) {
    return fmt::format("{} {}", key_words(key), key == "why" ? plain(text) : shortened(text, longest_value));
}

// The plain values of an event, sorted by name; lists, raw bytes and digests are left
// to --json.
void add_values(const json& object, const NamesOfJoints& names, std::vector<std::string>& values) {
    const auto joint = names.find(text_at(object, "joint"));
    const auto* known = joint == names.end() ? nullptr : &joint->second;
    for (const auto& [key, value] : object.items()) {
        if (is_for_programs(key) || value.is_null() || value.is_array())
            continue;
        if (is_quantity(value))
            values.push_back(fmt::format("{} {}", key_words(key), bare_quantity(value)));
        else if (key == "torque" || key == "angle")
            values.push_back(fmt::format("{} {}", key, quantity(value)));
        else if (key == "person" && !at(value, "number").is_null())
            values.push_back(fmt::format("of person {}", shown(value, "number")));
        else if (value.contains("base64"))
            values.push_back(fmt::format("{} is no text; --json has its bytes", key_words(key)));
        else if (value.is_object())
            add_values(value, names, values);
        else if (key == "fastener")
            values.push_back("fastener " + place_in(known == nullptr ? nullptr : &known->fasteners, value));
        else if (key == "pass")
            values.push_back("pass " + place_in(known == nullptr ? nullptr : &known->passes, value));
        else if (const auto text = text_of(value); is_person(key) && !text.empty())
            values.push_back(
                fmt::format("{} person {}", key == "person" ? "of" : key_words(key), plain(text)));
        else if (!text.empty())
            values.push_back(value_text(key, text));
    }
}

using Told = std::pair<std::string_view, std::string_view>;

std::optional<std::string> told_as(std::span<const Told> table, std::string_view name) {
    const auto found = std::ranges::find(table, name, &Told::first);
    return found == table.end() ? std::nullopt : std::optional<std::string>(found->second);
}

// What people asked for is told as that: it may have been refused.
std::string kind_words(const std::string& kind) {
    static constexpr Told asked[]{{"RulesApproved", "approval of rules"},
                                  {"PersonEnrolled", "enrolment"},
                                  {"PersonSuspended", "suspension"},
                                  {"PersonUnlocked", "unlocking"},
                                  {"DeputyNamed", "naming of a deputy"},
                                  {"DeputyEnded", "end of a deputy's time"},
                                  {"AdministratorReplaced", "replacement of lost administrators"},
                                  {"NameErased", "erasure of a name"},
                                  {"SecretRenewed", "renewal of the own secret"},
                                  {"OperatorSignedOn", "sign-on"},
                                  {"OperatorSignedOff", "sign-off"},
                                  {"TicketScanned", "scan of a ticket"},
                                  {"CheckConfirmed", "confirmation"},
                                  {"ButtonPressed", "press of a button"},
                                  {"HandChecked", "check by hand"},
                                  {"FastenerSelected", "selection of a fastener"},
                                  {"ToolControlSeen", "word of a tool whether it may run"},
                                  {"ToolCalled", "call of a shared tool"},
                                  {"Proposed", "decision"},
                                  {"Seconded", "consent"},
                                  {"ProposalEnded", "end of a proposal"},
                                  {"WiringTestBegan", "test of the wiring"},
                                  {"WiringTestEnded", "end of a test of the wiring"}};
    return told_as(asked, kind).value_or(plain(words(protocol::snake_case(kind))));
}

// What a decision is to bring: "to lift the hold".
std::string action_words(const std::string& action) {
    static constexpr Told wanted[]{{"OverrideJoint", "to override the joint"},
                                   {"TakeBackOverride", "to take back the override"},
                                   {"LeaveIncomplete", "to let the unit leave incomplete"},
                                   {"AcceptGap", "to accept the gap in the tool's results"},
                                   {"AcceptSource", "to go on without the tool's answer"},
                                   {"UnlockFastener", "to unlock the fastener"},
                                   {"AssignResult", "to file the result to the fastener"},
                                   {"SetResultAside", "to set the result aside"},
                                   {"UnitStillHere", "that the unit is still here"},
                                   {"UnitHasLeft", "that the unit has left"},
                                   {"CorrectTicket", "to correct the ticket"},
                                   {"AcceptReturn", "to accept the unit's return"},
                                   {"AcknowledgeMove", "to acknowledge the movement"},
                                   {"RearmPermissive", "to allow the movement once more"},
                                   {"DisposeSetAside", "to dispose of the event set aside"},
                                   {"AcceptDifference", "to let the stored decision stand"},
                                   {"PlaceHold", "to put the unit on hold"},
                                   {"LiftHold", "to lift the hold"},
                                   {"PlaceHoldOn", "to put it on hold"},
                                   {"LiftHoldFrom", "to lift the hold from it"},
                                   {"RecordCalibration", "to record a calibration"},
                                   {"PlaceBypass", "to have the joint done another way"},
                                   {"EndBypass", "to have the joint done as planned again"},
                                   {"VerifyRestart", "that what was out of order works again"},
                                   {"WitnessJoint", "to have seen the joint done"}};
    return told_as(wanted, action).value_or(fmt::format("({})", plain(words(protocol::snake_case(action)))));
}

// Whoever signs on does that themselves, as whoever signs off. When an arm moved is told by the event's time:
// the clock of the interval is none of people.
json as_told(std::string_view kind, json payload) {
    if (kind == "ArmMoved" && payload.is_object()) {
        payload.erase("changed");
        if (at(payload, "position").is_null())
            payload["position"] = "none, or moving";
    }
    if (kind == "OperatorSignedOn" && payload.is_object() && payload.contains("person")) {
        payload["by"] = payload["person"];
        payload.erase("person");
    }
    return payload;
}

std::string payload_words(const std::string& kind, const json* payload) {
    if (kind != "Proposed" || payload == nullptr)
        return kind_words(kind);
    const auto [action, detail] = kind_of(at(*payload, "action"));
    return detail == nullptr ? kind_words(kind)
                             : fmt::format("{} {}", kind_words(kind), action_words(action));
}

void add_joints(const json& value, std::vector<std::string>& joints) {
    if (value.is_object() && at(value, "joint").is_string())
        joints.push_back(text_at(value, "joint"));
    if (value.is_structured())
        for (const auto& inner : value)
            add_joints(inner, joints);
}

std::string output_of(const json& now) { return protocol::snake_case(kind_of(now).first); }

// "joint not ok, joint open"; the first few, since --json has all.
std::string some_codes(const json& reasons) {
    constexpr std::size_t most = 3;
    std::vector<std::string> codes;
    for (const auto& reason : reasons) {
        auto code = words(shown(reason, "code"));
        if (std::ranges::find(codes, code) == codes.end())
            codes.push_back(std::move(code));
    }
    const auto more = codes.size() > most ? codes.size() - most : 0;
    codes.resize(codes.size() - more);
    return fmt::format("{}{}", fmt::join(codes, ", "), more == 0 ? "" : fmt::format(" and {} more", more));
}

bool is_same_hold(const json& one, const json& other) {
    return std::ranges::all_of(std::initializer_list<const char*>{"code", "joint", "fastener", "tool"},
                               [&](const char* key) { return at(one, key) == at(other, key); });
}

// Those of `reasons` that are among the others too, whatever their facts; or those that are not.
json among(const json& reasons, const json& others, bool wanted) {
    json found = json::array();
    for (const auto& reason : reasons) {
        const bool is_there =
            std::ranges::any_of(others, [&](const json& other) { return is_same_hold(reason, other); });
        if (is_there == wanted)
            found.push_back(reason);
    }
    return found;
}

// A reason whose facts changed (a count goes on) came and went: it still holds.
std::string change_text(const json& change, Style style) {
    const auto output = output_of(at(change, "now"));
    std::string text =
        fmt::format("         bay {} {}: {}", shown(change, "bay"), shown(change, "permissive"),
                    painted(plain(words(output)), colour_of(output), style.colours));
    const auto& came = at(change, "came");
    const auto& gone = at(change, "gone");
    for (const auto& [word, reasons] :
         {std::pair("new reasons", among(came, gone, false)), std::pair("gone", among(gone, came, false)),
          std::pair("still", among(came, gone, true))}) {
        if (!reasons.empty())
            text += fmt::format("; {}: {}", word, some_codes(reasons));
    }
    return text + "\n";
}

std::string stamp_text(const json& event) {
    const auto micros = whole_number<std::int64_t>(text_at(at(event, "at"), "utc_us"));
    return micros ? short_time(protocol::utc_text(*micros)) : "-";
}

}  // namespace

const json& at(const json& object, std::string_view key) {
    static const json nothing = nullptr;
    if (!object.is_object())
        return nothing;
    const auto found = object.find(std::string(key));
    return found == object.end() ? nothing : *found;
}

std::string text_at(const json& object, std::string_view key) { return text_of(at(object, key)); }

std::string state_text(const json& station, Style style) {
    const auto& about = at(station, "station");
    std::string text =
        about.is_null()
            ? "Station without rules in force: everything is withheld until two people approve the rules\n"
            : fmt::format("Station {}, {}\n", titled(about), shown(about, "site"));
    text += fmt::format("as of event {}, stored up to {}; {} people enrolled; program {}\n",
                        shown(station, "newest_event"), shown(station, "durable_event"),
                        shown(station, "people_enrolled"), shown(station, "program_version"));
    text += by_station_text(station) + bypasses_text(station, style);
    for (const auto& bay : at(station, "bays"))
        text += bay_text(bay, style);
    text += tools_text(station, style);
    Table holds{{"unit", "since event", "why"}};
    for (const auto& hold : at(station, "holds"))
        holds.row({{shown(hold, "unit") + (hold.value("nameless", false) ? ", not identified" : "")},
                   {shown(hold, "since")},
                   {shown(hold, "why")}});
    if (!holds.empty())
        text += heading("\nUnits on quality hold", holds.text(style.colours, 2, style.screen));
    Table doubted{{"what", "since", "why"}};
    for (const auto& hold : at(station, "source_holds"))
        doubted.row({{shown(hold, "what") + " " + shown(hold, "name")},
                     {shown(hold, "since")},
                     {shown(hold, "why")}});
    if (!doubted.empty())
        text += heading("\nOn quality hold with all that it has touched",
                        doubted.text(style.colours, 2, style.screen));
    Table results{{"result", "tool", "torque", "angle", "why"}};
    for (const auto& result : at(station, "unassigned"))
        results.row({{shown(result, "result")},
                     {shown(result, "tool")},
                     {shown(result, "torque")},
                     {shown(result, "angle")},
                     {words(shown(result, "why"))}});
    if (!results.empty())
        text += heading("\nResults that belong to no unit", results.text(style.colours, 2, style.screen));
    return text;
}

std::string scan_words(const std::string& sentence) {
    constexpr std::string_view said_before = "The ticket does not count: ";
    return sentence.starts_with(said_before) ? sentence.substr(said_before.size()) : sentence;
}

bool anything_held(const json& why) {
    const auto& permissives = at(why, "permissives");
    if (permissives.empty() || !at(why, "withheld_by_station").empty())
        return true;
    for (const auto& permissive : permissives) {
        const auto decided = text_at(permissive, "decided");
        if (decided != "released" && decided != "leaving_incomplete")
            return true;
    }
    return false;
}

std::string why_text(const json& why, Style style) {
    std::string text =
        fmt::format("Bay {}, as of event {}\n\n", shown(why, "bay"), shown(why, "newest_event"));
    text += by_station_text(why);
    for (const auto& permissive : at(why, "permissives")) {
        text += fmt::format("{}: {}", titled(permissive), word_text(permissive, "decided", style));
        if (text_at(permissive, "on_wire") != text_at(permissive, "decided"))
            text += fmt::format(" (the equipment is told: {})", word_text(permissive, "on_wire", style));
        text += "\n";
    }
    if (const auto& unused = at(why, "unused_scan"); unused.is_object())
        text += fmt::format("\nThe newest scan counted for nothing: {}\n", scan_words(shown(unused, "why")));
    std::size_t place = 0;
    for (const auto& held : reasons_once(why))
        text += "\n" + reason_text(held, ++place, style.screen);
    return text;
}

std::string past_why_text(const json& why, Style style) {
    const auto& stay = at(why, "occupant");
    std::string text = fmt::format("Bay {}, as it was at event {} ({})\n", shown(why, "bay"),
                                   shown(why, "event"), short_time(shown(why, "at")));
    if (stay.is_null())
        text += "no unit was there\n";
    else
        text +=
            fmt::format("unit {} (stay {}), variant {}, plan {} revision {}, by rules {}\n",
                        shown(stay, "unit"), shown(stay, "stay"), shown(stay, "variant"), shown(stay, "plan"),
                        shown(stay, "plan_revision"), shown(stay, "rules").substr(0, short_digest));
    for (const auto& permissive : at(why, "permissives")) {
        text += fmt::format("\n{}: {}", titled(permissive), word_text(permissive, "decided", style));
        if (!at(permissive, "decided_by").is_null())
            text +=
                fmt::format(", since event {} ({}), decided by program {} and rules {}",
                            shown(permissive, "decided_by"), short_time(shown(permissive, "decided_at")),
                            shown(permissive, "program"), shown(permissive, "rules").substr(0, short_digest));
        text += "\n";
    }
    if (const auto& otherwise = at(why, "stored_otherwise"); !otherwise.is_null())
        text += fmt::format("\nThis program decides event {} otherwise than is stored; the reasons are this "
                            "program's\n",
                            shown(why, "stored_otherwise"));
    std::size_t place = 0;
    for (const auto& held : reasons_once(why))
        text += "\n" + reason_text(held, ++place, style.screen);
    return text;
}

namespace {

// Sub-assemblies of a unit, or units of a sub-assembly.
std::string parts_text(std::string_view title, const json& parts, Style style) {
    Table table{{"kind", "serial", "unit", "type", "since", "until", "why"}};
    for (const auto& part : parts)
        table.row({{shown(part, "kind")},
                   {shown(part, "serial")},
                   {shown(part, "unit")},
                   {shown(part, "type")},
                   {shown(part, "since")},
                   {shown(part, "until")},
                   {words(shown(part, "ended_as"))}});
    return table.empty() ? ""
                         : heading(fmt::format("\n{}", title), table.text(style.colours, 2, style.screen));
}

}  // namespace

std::string unit_text(const json& unit, Style style) {
    const auto& stays = at(unit, "stays");
    const auto holds = decisions_text(at(unit, "holds"), "\nQuality holds", style);
    if (stays.empty())
        return fmt::format("The journal has never seen {}\n", shown(unit, "serial")) + holds;
    std::string text =
        fmt::format("{}: {}\n", shown(unit, "serial"), protocol::counted(stays.size(), "stay"));
    text += parts_text("Joined from", at(unit, "parts"), style);
    text += parts_text("Used in", at(unit, "used_in"), style);
    text += holds;
    for (const auto& stay : stays)
        text += stay_text(stay, style);
    return text;
}

std::string bypassed_text(const json& answer, Style style) {
    Table table{{"unit", "joint", "done as", "since", "stay"}};
    for (const auto& unit : at(answer, "units"))
        table.row({{shown(unit, "unit")},
                   {shown(unit, "joint")},
                   {shown(unit, "alternate")},
                   {short_time(shown(unit, "at"))},
                   {shown(unit, "stay")}});
    return table.empty() ? fmt::format("No unit was done in another way because of event {}; tautgate state "
                                       "shows the events of bypasses\n",
                                       shown(answer, "bypass"))
                         : table.text(style.colours, 0, style.screen);
}

std::string orders_text(const json& orders, Style style) {
    if (!is_true(orders, "takes_orders"))
        return "The rules in force take no orders\n";
    Table table{{"order", "variant", "tickets", "place", "due", "since event", "unit"}};
    for (const auto& order : at(orders, "orders")) {
        std::vector<std::string> tickets;
        for (const auto& ticket : at(order, "tickets"))
            tickets.push_back(fmt::format("{} {} {}", shown(ticket, "kind"), shown(ticket, "type"),
                                          shown(ticket, "serial")));
        table.row({{shown(order, "order")},
                   {shown(order, "variant")},
                   {fmt::format("{}", fmt::join(tickets, ", "))},
                   {shown(order, "sequence")},
                   {short_time(shown(order, "due"))},
                   {shown(order, "event")},
                   {shown(order, "unit")}});
    }
    return table.empty() ? "No order waits to be built\n" : table.text(style.colours, 0, style.screen);
}

std::string typed_order_text(const json& answer) {
    // The first row is about the file that a single order would be: its digest means nothing to who typed it.
    std::string text = text_at(answer, "outcome") == "rejected"
                           ? "the order is rejected and changes nothing; correct it and send it again\n"
                           : "";
    bool is_first = true;
    for (const auto& row : at(answer, "answers"))
        if (!std::exchange(is_first, false))
            text += fmt::format("{}{}\n", text.empty() ? "" : "  ", shown(row, "answer"));
    return text;
}

namespace {

// The newest check of the journal's whole file.
std::string file_check_text(const json& check) {
    if (!check.is_object())
        return "its whole file is not checked yet since the start\n";
    const std::string age = fmt::format("{} s ago", shown(check, "age_s"));
    const std::string found = text_at(check, "found");
    return found.empty() ? fmt::format("its whole file was checked {} and is sound\n", age)
                         : fmt::format("its whole file was checked {} and is NOT sound: {}\n", age, found);
}

// Empty where every curve of the tool was taken.
std::string curves_refused_text(const json& input) {
    const auto refused = text_at(at(input, "counts"), "curves_refused");
    return refused.empty() || refused == "0"
               ? std::string()
               : fmt::format("  {} of {} {} not kept, since more came than results\n",
                             protocol::counted(refused, "curve"), shown(input, "kind"), shown(input, "id"));
}

// Empty where every poll came in time and was understood, and the link was never lost.
std::string link_counts_text(const json& input) {
    const auto told = [](const json& counts, std::string_view key, std::string_view one,
                         std::string_view what) {
        const auto text = text_at(counts, key);
        return text.empty() || text == "0" ? std::string{}
                                           : fmt::format("{} {}", protocol::counted(plain(text), one), what);
    };
    const json& polls = at(input, "polls");
    std::vector<std::string> all{told(polls, "skipped", "poll", "left out since those before took too long"),
                                 told(polls, "failed", "poll", "without an answer"),
                                 told(polls, "discarded", "poll", "not understood"),
                                 told(at(input, "counts"), "lost", "time", "lost")};
    std::erase(all, std::string{});
    return all.empty() ? std::string{}
                       : fmt::format("  {} {} since the start: {}\n", shown(input, "kind"),
                                     shown(input, "id"), fmt::join(all, ", "));
}

std::string age_words(const json& input) {
    const auto text = text_at(input, "age_ms");
    if (text.empty())
        return "never";
    const auto age = whole_number<std::uint64_t>(text);
    return age && *age >= 1000 ? fmt::format("{:.1f} s ago", static_cast<double>(*age) / 1000)
                               : fmt::format("{} ms ago", plain(text));
}

std::string free_words(const json& journal) {
    constexpr double megabyte = 1e6;
    constexpr double gigabyte = 1e9;
    const auto bytes = whole_number<std::uint64_t>(text_at(journal, "disk_free_bytes"));
    if (!bytes)
        return "-";
    const auto size = static_cast<double>(*bytes);
    return size >= gigabyte ? fmt::format("{:.1f} GB", size / gigabyte)
                            : fmt::format("{:.1f} MB", size / megabyte);
}

}  // namespace

namespace {

std::string remedy_text(const json& reason) {
    return text_at(reason, "remedy").empty() ? "" : "; do: " + shown(reason, "remedy");
}

}  // namespace

std::string health_text(const json& health, Style style) {
    std::string text = fmt::format("{}, up {} s, program {}\n", word_text(health, "overall", style),
                                   shown(health, "up_s"), shown(health, "program_version"));
    for (const auto& reason : at(health, "reasons"))
        text += fmt::format("  {}{}{}\n", is_true(reason, "withholds") ? "withholds: " : "",
                            shown(reason, "what"), remedy_text(reason));
    Table table{{"input", "id", "bay", "quality", "last heard", "why"}};
    for (const auto& input : at(health, "inputs")) {
        table.row({{shown(input, "kind")},
                   {shown(input, "id")},
                   {shown(input, "bay")},
                   word_cell(input, "quality"),
                   {age_words(input)},
                   {shown(input, "why")}});
    }
    if (!table.empty())
        text += table.text(style.colours, 2, style.screen);
    for (const auto& input : at(health, "inputs"))
        text += curves_refused_text(input) + link_counts_text(input);
    const auto& journal = at(health, "journal");
    text +=
        fmt::format("journal {}: event {}, stored up to {}, {} free on its disk\n", shown(journal, "path"),
                    shown(journal, "newest_event"), shown(journal, "durable_event"), free_words(journal));
    return text + file_check_text(at(journal, "file_check"));
}

std::string rules_text(const json& rules) {
    const bool none = at(rules, "in_force").is_null();
    std::string text = fmt::format("in force: {}\nfile: {}\nstaged: {}\n",
                                   none ? "none yet, so everything is withheld" : shown(rules, "in_force"),
                                   shown(rules, "file"), shown(rules, "staged"));
    if (none)
        text += at(rules, "staged").is_null() ? "" : "the file waits for the approval of two people\n";
    else
        text += is_true(rules, "differs") ? "the file differs from what is in force\n"
                                          : "the file is what is in force\n";
    for (const auto& fault : at(rules, "faults"))
        text += fmt::format("fault: {}\n", plain(text_of(fault)));
    for (const auto& warning : at(rules, "warnings"))
        text += fmt::format("{}\n", plain(text_of(warning)));
    return text;
}

std::string people_text(const json& people, Style style) {
    Table table{{"number", "badge", "name", "note", "roles"}};
    for (const auto& person : at(people, "people")) {
        std::vector<std::string> notes;
        if (is_true(person, "suspended"))
            notes.emplace_back("suspended");
        if (!at(person, "locked_for_s").is_null())
            notes.push_back(fmt::format("locked for {} s", text_at(person, "locked_for_s")));
        for (const auto& deputy : at(person, "deputy"))
            notes.push_back(fmt::format("stands in as {} until {}", words(shown(deputy, "role")),
                                        shown(deputy, "until")));
        if (!is_true(person, "can_sign_in"))
            notes.emplace_back("cannot sign in");
        table.row({{shown(person, "number")},
                   {shown(person, "badge")},
                   {shown(person, "name")},
                   {notes.empty() ? "-" : fmt::format("{}", fmt::join(notes, ", "))},
                   {words(listed(at(person, "roles")))}});
    }
    return table.text(style.colours, 0, style.screen);
}

NamesOfJoints names_of_joints(const json& station) {
    NamesOfJoints names;
    for (const auto& bay : at(station, "bays"))
        for (const auto& joint : at(at(bay, "occupant"), "joints")) {
            auto& of = names[text_at(joint, "id")];
            of = {};
            for (const auto& fastener : at(joint, "fasteners")) {
                of.fasteners.push_back(text_at(fastener, "name"));
                if (of.passes.empty())
                    for (const auto& pass : at(fastener, "passes"))
                        of.passes.push_back(text_at(pass, "name"));
            }
        }
    return names;
}

std::vector<std::string> joints_in(const json& event) {
    std::vector<std::string> joints;
    add_joints(at(at(event, "body"), "event"), joints);
    add_joints(at(at(at(event, "body"), "record"), "outcome"), joints);
    return joints;
}

std::string event_text(const json& event, Style style, const NamesOfJoints& names) {
    const auto& body = at(event, "body");
    if (!body.is_object())
        return fmt::format("{:>6}  {}\n", shown(event, "number"),
                           painted("the stored text is damaged; check the record with tautgate verify",
                                   Colour::red, style.colours));
    const auto& inner = at(body, "event");
    const auto [kind, payload] = kind_of(at(inner, "payload"));
    std::vector<std::string> values;
    if (payload != nullptr)
        add_values(as_told(kind, *payload), names, values);
    const auto& record = at(body, "record");
    const auto [outcome, detail] = kind_of(at(record, "outcome"));
    std::string text =
        fmt::format("{:>6}  {}  {}", shown(event, "number"), stamp_text(inner), payload_words(kind, payload));
    std::vector<std::string> about;
    if (detail != nullptr && outcome != "Refused")
        add_values(*detail, names, about);
    const auto result = plain(words(protocol::snake_case(outcome)));
    if (outcome == "Refused" && detail != nullptr) {
        const auto more = plain(text_at(*detail, "detail"));
        text += fmt::format(": {} ({}{}{})", painted(result, Colour::red, style.colours),
                            words(shown(*detail, "code")), more.empty() ? "" : ": ", more);
    }
    if (!values.empty())
        text += fmt::format("{} {}", outcome == "Refused" ? ";" : ":", fmt::join(values, ", "));
    if (outcome != "Applied" && outcome != "Refused")
        text += fmt::format(" -> {}{}{}", result, about.empty() ? "" : ": ", fmt::join(about, ", "));
    text += "\n";
    for (const auto& change : at(record, "changes"))
        text += change_text(change, style);
    return text;
}

namespace {

void replace_all(std::string& text, std::string_view from, std::string_view to) {
    for (auto at = text.find(from); at != std::string::npos; at = text.find(from, at + to.size()))
        text.replace(at, from.size(), to);
}

// Calls of the API, as commands.
std::string as_commands(std::string text) {
    static constexpr std::pair<std::string_view, std::string_view> table[]{
        {"sign in (POST /v1/sign-in) and send the session", "run the command again and sign in"},
        {"look at GET /v1/rules and approve what it shows",
         "look with tautgate rules and approve what it shows"},
        {"let a second person sign in and send that session, too",
         "give the second person's badge with --second"},
        {"GET /v1/station", "tautgate state"},
        {"GET /v1/people", "tautgate people"},
        {"GET /v1/rules", "tautgate rules"},
        {"GET /v1/events", "tautgate follow --from NUMBER"},
        {"GET /v1/units/{serial}", "tautgate unit SERIAL"},
    };
    for (const auto& [call, command] : table)
        replace_all(text, call, command);
    return text;
}

// " (checked torque)" of "/action/override_joint/checked_torque"; nothing of a path, which says no more than
// the command that asked.
std::string place_text(const std::string& where) {
    if (where.empty() || where.starts_with("/v1"))
        return {};
    if (where == "Authorization" || where == "Second-Session")
        return where == "Authorization" ? " (sign-in)" : " (second person)";
    return fmt::format(" ({})", words(plain(where.substr(where.rfind('/') + 1))));
}

}  // namespace

std::string error_text(const json& error, unsigned status) {
    const auto& inner = at(error, "error");
    if (!inner.is_object())
        return fmt::format("the service answered {} without saying why; look into its log "
                           "(in its terminal, or with journalctl where it is a service)",
                           status);
    return fmt::format("{}{}: {}; {}", shown(inner, "what"), place_text(text_at(inner, "where")),
                       as_commands(shown(inner, "why")), as_commands(shown(inner, "remedy")));
}

}  // namespace tautgate::cli
