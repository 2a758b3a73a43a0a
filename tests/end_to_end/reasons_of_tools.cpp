// Reasons about tools: their links, the place of their count, results that belong to nothing.
#include "tests/end_to_end/reason_stand.hpp"

#include <algorithm>

#include "tools/simulation/wrench.hpp"

namespace tautgate::end_to_end {

using enum interlock::ReasonCode;
using nlohmann::json;

namespace {

const std::string mounts_tool = "NR-20";
const simulation::Where last_mount{"motor-mounts", 3, 1};

std::uint64_t counter_of(Stand& stand) { return stand.tool(mounts_tool).line()->status().newest; }

Told tool_link_told(Stand& stand) {
    stand.finished();
    stand.tool(mounts_tool).cut();
    return {.sentence = "The link to tool NR-20 is broken.",
            .remedy = "Check the tool, its battery and its network.",
            .clears = "by_itself",
            .tool = mounts_tool,
            .facts = {{"quality", "broken"}}};
}

// The station dies while the tool is out of reach: nobody knows what it did meanwhile.
Told not_asked_told(Stand& stand) {
    stand.finished();
    stand.tool(mounts_tool).cut();
    // Seen and recorded first: what is in hand when the process dies is set aside, which is another reason.
    static_cast<void>(stand.await([&] {
        const auto codes = stand.codes("lift-beam");
        return std::ranges::find(codes, "tool_link_lost") != codes.end();
    }));
    stand.plant().kill();
    stand.starts_again();
    return {.sentence = "Tool NR-20 has not yet said what it did while the station was down.",
            .remedy = "Switch the tool on; if it cannot tell, a supervisor decides.",
            .clears = "by_itself",
            .tool = mounts_tool};
}

Told overdue_told(Stand& stand) {
    stand.identified();
    return {.sentence = "Tool NR-20 proves nothing: its calibration is not on record.",
            .remedy = "Use a calibrated tool, or have this one calibrated and record its certificate.",
            .clears = "by_decision",
            .tool = mounts_tool,
            .facts = {{"calibration", "is not on record"}}};
}

Told gap_told(Stand& stand) {
    stand.finished();
    const auto known = counter_of(stand);
    stand.tool(mounts_tool).lose_one();
    static_cast<void>(stand.turns(last_mount));
    const auto expected = std::to_string(known + 1);
    const auto got = std::to_string(known + 2);
    return {.sentence = "Results of tool NR-20 are missing: expected " + expected + ", got " + got + ".",
            .remedy = "Let the tool send them; if it cannot, a supervisor decides.",
            .clears = "by_decision",
            .tool = mounts_tool,
            .facts = {{"expected", expected}, {"got", got}}};
}

// The tool says that it has a result, and does not send it.
Told outstanding_told(Stand& stand) {
    stand.finished();
    stand.tool(mounts_tool).hold_back(true);
    static_cast<void>(stand.turns(last_mount));
    stand.tool(mounts_tool).cut();
    stand.tool(mounts_tool).mend();
    const auto until = std::to_string(counter_of(stand));
    return {.sentence = "Tool NR-20 still holds results up to " + until + ".",
            .remedy = "Wait until the tool has sent them; if they do not come, a supervisor decides.",
            .clears = "by_itself",
            .tool = mounts_tool,
            .facts = {{"until", until}}};
}

Told conflict_told(Stand& stand) {
    stand.finished();
    protocol::WrittenResult other;
    other.counter = counter_of(stand);
    other.program = "M20-final";
    other.torque = {"501.3", "N.m"};
    other.angle = {"30", "deg"};
    other.verdict = protocol::ToolVerdict::ok;
    stand.tool(mounts_tool).line()->send_raw(to_line(other));
    return {.sentence = "Tool NR-20 sent two different results under the same number.",
            .remedy = "Have the tool checked; a supervisor decides about its results.",
            .clears = "by_decision",
            .tool = mounts_tool};
}

json first_unassigned(Stand& stand) {
    json found;
    stand.need(stand.await([&] {
        const auto unassigned = stand.bay().at("occupant").at("unassigned");
        found = unassigned.empty() ? json(nullptr) : unassigned.front().at("result");
        return !found.is_null();
    }),
               "no result is unassigned");
    return found;
}

// The plan of the unit has no joint for this tool.
Told unassigned_told(Stand& stand) {
    stand.finished();
    protocol::WrittenResult stray;
    stray.program = "M12-bracket";
    stray.torque = {"71", "N.m"};
    stray.angle = {"15", "deg"};
    stray.verdict = protocol::ToolVerdict::ok;
    static_cast<void>(stand.tool("NR-12").report(stray));
    const auto result = std::to_string(first_unassigned(stand).get<std::uint64_t>());
    const std::string why = "no open joint takes this tool";
    return {.sentence = "Result " + result + " of tool NR-12 belongs to no fastener yet: " + why + ".",
            .remedy = "A supervisor files it to its fastener or sets it aside.",
            .clears = "by_decision",
            .tool = "NR-12",
            .facts = {{"result", result}, {"why", why}}};
}

void set_aside(Stand& stand) { stand.decides({{"set_result_aside", {{"result", first_unassigned(stand)}}}}); }

void accept_gap(Stand& stand) { stand.decides({{"accept_gap", {{"tool", mounts_tool}}}}); }

}  // namespace

const std::vector<ReasonCase>& calibration_cases() {
    static const std::vector<ReasonCase> cases{
        {tool_overdue,
         "a tool of which no calibration is known proves nothing until one is recorded",
         "lift-beam",
         {"tool_overdue", "joint_open"},
         overdue_told,
         [](Stand& stand) {
             stand.decides_as("quality_engineer",
                              {{"record_calibration",
                                {{"tool", mounts_tool}, {"done", "2026-11-20"}, {"certificate", "C-17"}}}});
             stand.need(stand.plant().shift().tighten("motor-mounts"), "the motor mounts are not tightened");
         },
         true},
    };
    return cases;
}

const std::vector<ReasonCase>& tool_cases() {
    static const std::vector<ReasonCase> cases{
        {tool_link_lost,
         "a tool that is out of reach is held until it is back",
         "lift-beam",
         {"tool_link_lost"},
         tool_link_told,
         [](Stand& stand) { stand.tool(mounts_tool).mend(); },
         true},
        {results_outstanding,
         "results that a tool keeps are held for until it sent them",
         "lift-beam",
         {"results_outstanding"},
         outstanding_told,
         [](Stand& stand) { stand.tool(mounts_tool).hold_back(false); }},
        {result_conflict,
         "two results under one number are held until people decide",
         "lift-beam",
         {"result_conflict", "result_unassigned"},
         conflict_told,
         [](Stand& stand) {
             accept_gap(stand);
             set_aside(stand);
         },
         true},
        {result_unassigned,
         "a result that belongs to no fastener is held until it is set aside",
         "lift-beam",
         {"result_unassigned"},
         unassigned_told,
         set_aside,
         true},
        {result_gap,
         "a hole in a tool's count is held until people decide",
         "lift-beam",
         {"result_gap", "result_unassigned"},
         gap_told,
         accept_gap},
        {tool_not_asked,
         "a tool that was not heard since a crash is held until it answers",
         "lift-beam",
         {"tool_link_lost", "tool_not_asked"},
         not_asked_told,
         [](Stand& stand) { stand.tool(mounts_tool).mend(); },
         true},
        {tool_not_asked,
         "or until a supervisor answers for it",
         "lift-beam",
         {"tool_link_lost", "tool_not_asked"},
         not_asked_told,
         [](Stand& stand) {
             stand.decides({{"accept_source", {{"tool", mounts_tool}}}});
             stand.tool(mounts_tool).mend();
         },
         true},
    };
    return cases;
}

}  // namespace tautgate::end_to_end
