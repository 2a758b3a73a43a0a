#include "tools/cli/try_rules.hpp"

#include <iterator>
#include <limits>
#include <optional>
#include <utility>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "protocol/csv.hpp"
#include "protocol/text.hpp"
#include "protocol/utc.hpp"
#include "service/history/trial_json.hpp"
#include "service/journal/reader.hpp"
#include "tools/cli/description.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

using nlohmann::json;

namespace {

constexpr std::uint32_t newest_otherwise = 100;

// ---- what is asked ----------------------------------------------------------------------------------------

Asked<std::int64_t> moment(const std::string& text, const char* option, std::int64_t otherwise) {
    if (text.empty())
        return otherwise;
    const auto stamp = protocol::parse_utc(text);
    if (!stamp)
        return std::unexpected(Failure{
            Exit::wrong_usage, fmt::format("{} {}: it is no time; write it as in 2026-11-26T06:00:00Z or "
                                           "2026-11-26T07:00:00+01:00",
                                           option, plain(text))});
    return stamp->micros;
}

Asked<history::Period> period_of(const TrialAsked& asked) {
    const bool by_time = !asked.from.empty() || !asked.to.empty();
    const int ways = (by_time ? 1 : 0) + (asked.serials.empty() ? 0 : 1) + (asked.newest == 0 ? 0 : 1);
    if (ways > 1)
        return std::unexpected(Failure{Exit::wrong_usage,
                                       "--newest, --serial, and --from with --to are three ways to say which "
                                       "units are meant; give one of them"});
    if (!asked.serials.empty())
        return history::OfSerials{asked.serials};
    if (!by_time)
        return history::Newest{asked.newest == 0 ? newest_otherwise : asked.newest};
    const auto from = moment(asked.from, "--from", std::numeric_limits<std::int64_t>::min());
    if (!from)
        return std::unexpected(from.error());
    const auto to = moment(asked.to, "--to", std::numeric_limits<std::int64_t>::max());
    if (!to)
        return std::unexpected(to.error());
    return history::InTime{*from, *to};
}

Asked<json> trial_in(const TrialAsked& asked, const history::Period& period,
                     const config::Station& proposed) {
    const auto failure = [](const journal::JournalError& error) {
        const bool damaged = error.fault == journal::JournalFault::damaged;
        return Failure{damaged ? Exit::no : Exit::could_not_ask, plain(journal::to_text(error))};
    };
    auto reader = journal::Reader::open(asked.journal);
    if (!reader)
        return std::unexpected(failure(reader.error()));
    const auto station = (*reader)->station();
    if (!station)
        return std::unexpected(failure(station.error()));
    if (*station != proposed.id)
        return std::unexpected(
            Failure{Exit::no,
                    fmt::format("{}: the journal is of station {} and the description of station {}; try it "
                                "on a journal of its own station",
                                plain(asked.journal), plain(*station), plain(proposed.id))});
    const auto trial = history::try_on_past(**reader, period, proposed);
    if (!trial)
        return std::unexpected(failure(trial.error()));
    return json::parse(history::trial_json(*trial, proposed));
}

// ---- words ------------------------------------------------------------------------------------------------

std::string or_dash(const json& object, std::string_view key) {
    auto text = text_at(object, key);
    return text.empty() ? "-" : text;
}

std::size_t count_at(const json& object, std::string_view key) {
    const json& value = at(object, key);
    return value.is_number_integer() ? value.get<std::size_t>() : 0;
}

std::string place_text(const json& view) {
    if (text_at(view, "joint").empty())
        return "";
    const auto fastener = text_at(view, "fastener");
    return text_at(view, "joint") + (fastener.empty() ? "" : ", " + fastener);
}

// "OK", "not OK (torque too high: 58 N·m; allowed ...)", "counts for none (no open joint)"
std::string taken_text(const json& view) {
    const auto taken = text_at(view, "taken");
    std::string text = taken == "ok"           ? "OK"
                       : taken == "not_ok"     ? "not OK"
                       : taken == "unassigned" ? "counts for no fastener"
                       : taken == "rehit"      ? "re-hit"
                       : taken == "tools_own_word"
                           ? "cannot be told: the values fit, and the tool by its limits of then said not OK"
                       : taken == "awaits_curve"   ? "waits for its curve"
                       : taken == "something_else" ? "something else"
                                                   : words(taken);
    std::vector<std::string> why;
    for (const json& finding : at(view, "findings")) {
        std::string one = text_at(finding, "sentence");
        if (const auto found = text_at(finding, "found"); !found.empty())
            one += ": " + found;
        if (const auto allowed = text_at(finding, "allowed"); !allowed.empty())
            one += ", allowed " + allowed;
        why.push_back(std::move(one));
    }
    if (const auto reason = text_at(view, "why"); !reason.empty())
        why.push_back(words(reason));
    return why.empty() ? text : fmt::format("{} ({})", text, fmt::join(why, "; "));
}

constexpr std::size_t all_reasons = std::numeric_limits<std::size_t>::max();

std::string sentences_of(const json& reasons, std::size_t most = all_reasons) {
    std::vector<std::string> all;
    for (const json& reason : reasons) {
        if (all.size() == most) {
            all.push_back(fmt::format("And {} more.", reasons.size() - most));
            break;
        }
        all.push_back(text_at(reason, "sentence"));
    }
    return fmt::format("{}", fmt::join(all, " "));
}

// ---- tables -----------------------------------------------------------------------------------------------

std::string joints_table(const json& joints, Style style) {
    Table table{
        {"joint", "tightenings", "OK to not OK", "not OK to OK", "otherwise", "cannot be told", "units"}};
    for (const json& joint : joints)
        table.row(
            {{text_at(joint, "joint").empty() ? "counted for none" : text_at(joint, "joint")},
             {or_dash(joint, "tightenings")},
             {or_dash(joint, "ok_to_not_ok"),
              count_at(joint, "ok_to_not_ok") == 0 ? Colour::none : Colour::red},
             {or_dash(joint, "not_ok_to_ok")},
             {or_dash(joint, "otherwise")},
             {or_dash(joint, "not_told"), count_at(joint, "not_told") == 0 ? Colour::none : Colour::yellow},
             {or_dash(joint, "units")}});
    return table.text(style.colours, 2, style.screen);
}

// Several permissives are mostly held by the same: that is said once.
std::string release_text(const json& each, const json& before) {
    constexpr std::size_t most = 3;
    std::string text = fmt::format("  {}: the release {}", plain(text_at(each, "permissive")),
                                   words(text_at(each, "change")));
    if (const auto was = text_at(each, "was"); !was.empty())
        text += "; it came with event " + was;
    if (const auto now = text_at(each, "would_be"); !now.empty())
        text += "; by the proposal with event " + now;
    const json& reasons = at(each, "reasons");
    if (!reasons.empty())
        text += reasons == at(before, "reasons") ? "; for the same reasons"
                                                 : ". " + plain(sentences_of(reasons, most));
    return text + "\n";
}

std::string act_text(const json& each) {
    const auto says = text_at(each, "says");
    return fmt::format("  event {}, decision {}: {}{}\n", text_at(each, "event"),
                       words(text_at(each, "change")), words(text_at(each, "what")),
                       says.empty() ? "" : ". " + plain(says));
}

std::string tightening_text(const json& each) {
    const json& was = at(each, "was");
    const json& now = at(each, "would_be");
    const auto then_at = place_text(was);
    const auto now_at = place_text(now);
    return fmt::format(
        "  event {}, {}: {}; by the proposal {}{}\n", text_at(each, "event"),
        plain(then_at.empty() ? now_at : then_at), plain(taken_text(was)), plain(taken_text(now)),
        now_at.empty() || then_at.empty() || now_at == then_at ? "" : ", for " + plain(now_at));
}

std::string unit_of_trial_text(const json& unit) {
    std::string text =
        fmt::format("\n{} (stay {}, bay {}, {})\n", plain(or_dash(unit, "unit")), text_at(unit, "stay"),
                    plain(text_at(unit, "bay")), short_time(text_at(unit, "began")));
    for (const json& each : at(unit, "tightenings"))
        text += tightening_text(each);
    for (const json& each : at(unit, "decisions"))
        text += act_text(each);
    const json none;
    const json* before = &none;
    for (const json& each : at(unit, "releases")) {
        text += release_text(each, *before);
        before = &each;
    }
    for (const json& event : at(unit, "without_curve"))
        text +=
            fmt::format("  event {}: by the proposal it waits for its curve, and none is stored: cannot be "
                        "told\n",
                        event.dump());
    if (const auto from = text_at(unit, "not_followed"); !from.empty())
        text +=
            fmt::format("  from event {} on: by the proposal the unit was no longer here; what came after is "
                        "not judged\n",
                        from);
    return text;
}

constexpr std::string_view how_it_was_tried =
    "\nEach event was decided anew in the course that things took: people acted on what they saw then, and "
    "what "
    "they would have done otherwise is not guessed. Equipment, labels and links are as they were.\n";

std::vector<std::string> line_of(const json& unit, std::string about, const json& each) {
    return {text_at(unit, "stay"), text_at(unit, "unit"),  text_at(unit, "variant"),
            std::move(about),      text_at(each, "event"), text_at(each, "at")};
}

std::string csv_of(std::vector<std::string> line, std::vector<std::string> more) {
    line.insert(line.end(), std::make_move_iterator(more.begin()), std::make_move_iterator(more.end()));
    for (std::string& field : line)
        field = plain(field);
    return protocol::csv_line(line, protocol::Separator::comma);
}

std::string unit_lines(const json& unit) {
    std::string text;
    for (const json& each : at(unit, "tightenings")) {
        const json& place =
            text_at(at(each, "was"), "joint").empty() ? at(each, "would_be") : at(each, "was");
        text += csv_of(line_of(unit, "tightening", each),
                       {text_at(place, "joint"), text_at(place, "fastener"), text_at(each, "tool"), "",
                        text_at(at(each, "was"), "taken"), text_at(at(each, "would_be"), "taken"),
                        taken_text(at(each, "would_be"))});
    }
    for (const json& each : at(unit, "decisions"))
        text += csv_of(line_of(unit, "decision", each), {"", "", "", "", text_at(each, "what"),
                                                         text_at(each, "change"), text_at(each, "says")});
    for (const json& each : at(unit, "releases"))
        text += csv_of({text_at(unit, "stay"), text_at(unit, "unit"), text_at(unit, "variant"), "release",
                        text_at(each, "was"), ""},
                       {"", "", "", text_at(each, "permissive"), text_at(each, "was"),
                        text_at(each, "change"), sentences_of(at(each, "reasons"))});
    for (const json& event : at(unit, "without_curve"))
        text += csv_of({text_at(unit, "stay"), text_at(unit, "unit"), text_at(unit, "variant"), "tightening",
                        event.dump(), ""},
                       {"", "", "", "", "", "cannot_be_told", "no curve is stored"});
    return text;
}

}  // namespace

std::string trial_text(const json& trial, Style style) {
    std::string text = fmt::format("{} with {} tried: {} would have gone otherwise\n",
                                   protocol::counted(or_dash(trial, "stays"), "stay"),
                                   protocol::counted(or_dash(trial, "results"), "result"),
                                   or_dash(trial, "stays_with_differences"));
    if (const auto open = count_at(trial, "still_open"); open > 0)
        text += fmt::format("{} not ended and passed over\n", protocol::counted(open, "stay"));
    if (!at(trial, "joints").empty())
        text += "\n" + joints_table(at(trial, "joints"), style);
    for (const json& unit : at(trial, "units"))
        text += unit_of_trial_text(unit);
    if (!at(trial, "cannot_be_told").empty())
        text += "\nCannot be told from what happened then:\n";
    for (const json& each : at(trial, "cannot_be_told"))
        text += fmt::format("  {}: {}\n", plain(text_at(each, "about")), plain(text_at(each, "why")));
    for (const json& stay : at(trial, "stored_otherwise"))
        text += fmt::format("Stay {}: this program decides it otherwise than is stored, even by the rules of "
                            "then; compared is what this program makes of both\n",
                            stay.dump());
    return text + std::string(how_it_was_tried);
}

std::string trial_table(const json& trial) {
    std::string text =
        protocol::csv_line({"stay", "unit", "variant", "about", "event", "at (UTC)", "joint", "fastener",
                            "tool", "permissive", "was", "by the proposal", "because"},
                           protocol::Separator::comma);
    for (const json& unit : at(trial, "units"))
        text += unit_lines(unit);
    return text;
}

Asked<Exit> try_rules(const Desk& desk, const TrialAsked& asked) {
    if (desk.json && asked.csv)
        return std::unexpected(
            Failure{Exit::wrong_usage, "--json and --csv are two forms of the answer; give one of them"});
    const auto period = period_of(asked);
    if (!period)
        return std::unexpected(period.error());
    const auto proposed = description_in(
        asked.file, "nothing was tried, since a description with mistakes cannot come into force");
    if (!proposed)
        return std::unexpected(proposed.error());
    const auto trial = trial_in(asked, *period, *proposed);
    if (!trial)
        return std::unexpected(trial.error());
    if (desk.json)
        print_json(*trial);
    else if (asked.csv)
        print(trial_table(*trial));
    else
        print(trial_text(*trial, desk.style));
    if (count_at(*trial, "stays") == 0)
        complain("no unit was tried, since the journal has none that came and left in that time");
    return at(*trial, "units").empty() && count_at(*trial, "stays") > 0 ? Exit::fine : Exit::no;
}

}  // namespace tautgate::cli
