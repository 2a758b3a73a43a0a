#include "tools/cli/trace.hpp"

#include <algorithm>
#include <vector>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/curve.hpp"
#include "tools/cli/journal_answers.hpp"
#include "tools/cli/plot.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

using nlohmann::json;

namespace {

Failure reader_failure(const journal::JournalError& error) {
    const bool damaged = error.fault == journal::JournalFault::damaged;
    return {damaged ? Exit::no : Exit::could_not_ask, plain(journal::to_text(error))};
}

Asked<json> stored_in(const TraceAsked& asked) {
    auto reader = journal::Reader::open(asked.journal);
    if (!reader)
        return std::unexpected(reader_failure(reader.error()));
    auto stored =
        asked.without_result ? traces_without_result(**reader) : traces_from(**reader, {asked.event});
    if (!stored)
        return std::unexpected(reader_failure(stored.error()));
    return std::move(*stored);
}

Asked<json> stored_by(const Desk& desk, const TraceAsked& asked) {
    if (asked.event == 0 && !asked.without_result)
        return std::unexpected(
            Failure{Exit::wrong_usage, "name the event of a result, as tautgate unit shows it"});
    if (asked.without_result && asked.journal.empty())
        return std::unexpected(
            Failure{Exit::wrong_usage,
                    "traces without a result are looked for in a journal's file; name it with --journal"});
    if (!asked.journal.empty())
        return stored_in(asked);
    return ask(desk, fmt::format("/v1/traces/{}", asked.event));
}

std::vector<double> numbers_in(const json& curve, std::string_view key) {
    std::vector<double> numbers;
    const json& list = at(curve, key);
    if (!list.is_array())
        return numbers;
    numbers.reserve(list.size());
    for (const json& number : list)
        numbers.push_back(number.is_number() ? number.get<double>() : 0);
    return numbers;
}

std::string list_text(const json& stored, Style style) {
    Table table{{"event", "time", "tool", "result", "counter", "samples", "digest"}};
    for (const json& trace : at(stored, "traces")) {
        const json& result = at(trace, "result");
        table.row({{text_at(trace, "event")},
                   {short_time(text_at(trace, "at"))},
                   {text_at(trace, "tool")},
                   {result.is_null() ? "none came" : text_at(trace, "result")},
                   {text_at(trace, "counter")},
                   {text_at(trace, "samples")},
                   {text_at(trace, "digest").substr(0, 12)}});
    }
    return table.text(style.colours, 0, style.screen);
}

std::string picture(const json& curve, Style style, const TraceAsked& asked) {
    constexpr std::size_t usual_screen = 80;
    const auto torque = numbers_in(curve, "torque_nm");
    auto over = numbers_in(curve, asked.over == Over::angle ? "angle_deg" : "time_us");
    bool is_angle = asked.over == Over::angle;
    if (over.empty()) {
        is_angle = !is_angle;
        over = numbers_in(curve, is_angle ? "angle_deg" : "time_us");
    }
    constexpr double us_in_ms = 1000;
    std::vector<PlotPoint> points;
    points.reserve(torque.size());
    for (std::size_t i = 0; i < std::min(torque.size(), over.size()); ++i)
        points.push_back({is_angle ? over[i] : over[i] / us_in_ms, torque[i]});
    return plot(points, {.screen = style.screen == 0 ? usual_screen : style.screen,
                         .braille = !asked.ascii,
                         .x_name = is_angle ? "deg" : "ms",
                         .y_name = "N·m"});
}

std::string at_point(const protocol::CurvePoint& point) {
    return fmt::format("{:.1f} deg, {:.1f} N·m", point.angle, point.torque);
}

// What the curve says of how the parts came together; measured values only, no judgement.
std::string shape_words(const protocol::CurveShape& shape) {
    std::string text;
    const auto line = [&](const std::string& words) { text += "  " + words + "\n"; };
    line(fmt::format("highest at {}", at_point(shape.peak)));
    if (shape.prevailing > 0)
        line(fmt::format("{:.1f} N·m to turn before the parts met", shape.prevailing));
    if (shape.clamp)
        line(fmt::format(
            "rises by {:.2f} N·m a degree from {:.1f} to {:.1f} deg, {:.1f} % about a straight line",
            shape.clamp->gradient, shape.clamp->from, shape.clamp->to, 100 * shape.clamp->spread));
    if (shape.snug)
        line(fmt::format("snug at {:.1f} deg; turned {:.1f} deg since then", *shape.snug,
                         *shape.turned_since_snug()));
    if (shape.false_seat)
        line(fmt::format("rose before that, to {}, and fell to {:.1f} N·m", at_point(shape.false_seat->top),
                         shape.false_seat->bottom.torque));
    if (shape.yield)
        line(fmt::format("rises less than half as steeply from {} on", at_point(*shape.yield)));
    if (shape.bottomed)
        line(fmt::format("rises more than twice as steeply from {} on", at_point(*shape.bottomed)));
    if (shape.relaxed > 0)
        line(fmt::format("{:.1f} N·m were lost at the stop without turning", shape.relaxed));
    return text;
}

std::string shape_text(const json& curve) {
    const auto torque = numbers_in(curve, "torque_nm");
    const auto angle = numbers_in(curve, "angle_deg");
    if (angle.size() != torque.size())
        return "";
    std::vector<protocol::CurvePoint> samples;
    samples.reserve(torque.size());
    for (std::size_t i = 0; i < torque.size(); ++i)
        samples.push_back({angle[i], torque[i]});
    const auto seen = protocol::curve_of(std::move(samples));
    if (!seen)
        return fmt::format("  nothing more can be said of it: {}\n", protocol::text_of(seen.error()));
    return shape_words(protocol::shape_of(*seen));
}

}  // namespace

std::string trace_text(const json& stored, Style style, const TraceAsked& asked) {
    const json& curve = at(stored, "curve");
    std::string text = list_text(stored, style);
    if (!curve.is_null())
        text += "\n" + picture(curve, style, asked) + shape_text(curve);
    return text;
}

std::string trace_table(const json& stored) {
    const json& curve = at(stored, "curve");
    const json& torque = at(curve, "torque_nm");
    struct Column {
        const char* head;
        const json* list;
    };
    std::vector<Column> columns;
    for (const auto& [head, key] : {std::pair{"time (us)", "time_us"}, std::pair{"torque (N.m)", "torque_nm"},
                                    std::pair{"angle (deg)", "angle_deg"}})
        if (const json& list = at(curve, key); list.is_array() && list.size() == torque.size())
            columns.push_back({head, &list});
    std::string text;
    for (std::size_t i = 0; i < columns.size(); ++i)
        text += fmt::format("{}{}", i == 0 ? "" : ",", columns[i].head);
    text += "\r\n";
    for (std::size_t row = 0; row < torque.size(); ++row) {
        for (std::size_t i = 0; i < columns.size(); ++i)
            text += fmt::format("{}{}", i == 0 ? "" : ",", (*columns[i].list)[row].dump());
        text += "\r\n";
    }
    return text;
}

Asked<Exit> show_trace(const Desk& desk, const TraceAsked& asked) {
    const auto stored = stored_by(desk, asked);
    if (!stored)
        return std::unexpected(stored.error());
    const json& traces = at(*stored, "traces");
    const bool one_is_meant = !at(*stored, "curve").is_null();
    if (desk.json)
        print_json(*stored);
    else if (asked.csv && one_is_meant)
        print(trace_table(*stored));
    else
        print(trace_text(*stored, desk.style, asked));
    if (asked.without_result)
        return traces.empty() ? Exit::fine : Exit::no;
    if (traces.empty()) {
        complain(fmt::format("no trace came with event {} or for its result", asked.event));
        return Exit::no;
    }
    if (one_is_meant)
        return Exit::fine;
    complain("these traces of one result contradict each other; name one of them by its event");
    return Exit::no;
}

}  // namespace tautgate::cli
