#include "tools/cli/joints.hpp"

#include <algorithm>
#include <utility>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "tools/cli/description.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace {

constexpr double kilo = 1000;
constexpr double percent = 100;

std::string bolt_words(const config::Joint& joint) {
    if (joint.thread.empty())
        return "-";
    return joint.property_class.empty() ? joint.thread : joint.thread + " " + joint.property_class;
}

std::string window_words(const config::TorqueWindow& window) {
    return fmt::format("{} to {}", protocol::to_text(window.min), protocol::to_text(window.max));
}

// Yellow wherever the check of the description warns.
std::vector<Cell> preload_cells(const config::DesignOfPass& design) {
    if (!design.preload)
        return {{"-"}, {"-"}};
    const config::ExpectedPreload& preload = *design.preload;
    const bool odd = config::is_too_strong(design) || config::is_too_weak(design);
    return {{fmt::format("{:.0f} to {:.0f} kN", preload.lowest_n / kilo, preload.highest_n / kilo)},
            {fmt::format("{:.0f} to {:.0f} %{}", preload.lowest_share() * percent,
                         preload.highest_share() * percent, odd ? " !" : ""),
             odd ? Colour::yellow : Colour::none}};
}

std::string tool_words(const config::ToolAtTarget& tool) {
    const bool odd = !config::suits(tool) || !config::is_capable(tool);
    std::string words = fmt::format("{} at {:.0f} %", tool.tool, tool.share_of_range * percent);
    if (tool.capability)
        words += fmt::format(", Cpk {:.2f}", *tool.capability);
    return odd ? words + " !" : words;
}

const config::Joint& joint_of(const config::Station& station, const config::DesignOfPass& design) {
    return *std::ranges::find(station.joints, design.joint, &config::Joint::id);
}

}  // namespace

std::string joints_text(const config::Station& station, Style style) {
    Table table({"joint", "pass", "bolt", "torque window", "friction", "preload", "of proof load",
                 "target in the tool's range"});
    for (const config::DesignOfPass& design : config::design_of(station)) {
        const config::Joint& joint = joint_of(station, design);
        const auto [low, high] = config::friction_of(joint);
        std::string tools;
        for (const config::ToolAtTarget& tool : design.tools)
            tools += (tools.empty() ? "" : "; ") + tool_words(tool);
        auto cells = preload_cells(design);
        std::vector<Cell> row{
            {joint.id},
            {design.pass},
            {bolt_words(joint)},
            {window_words(design.window)},
            {design.preload ? fmt::format("{:.2f} to {:.2f}{}", low, high, joint.friction ? "" : " (class B)")
                            : "-"}};
        row.insert(row.end(), std::make_move_iterator(cells.begin()), std::make_move_iterator(cells.end()));
        row.push_back({tools.empty() ? "-" : tools});
        table.row(std::move(row));
    }
    if (table.empty())
        return "No joint of this description is tightened by a tool that measures.\n";
    return table.text(style.colours, 0, style.screen) +
           "Preload after VDI 2230-1, proof load after ISO 898-1. ! stands where check-config warns. An aid "
           "for design:\nit replaces no calculation of the joint and no trial on real parts.\n";
}

nlohmann::ordered_json joints_json(const config::Station& station) {
    using nlohmann::ordered_json;
    ordered_json all = ordered_json::array();
    for (const config::DesignOfPass& design : config::design_of(station)) {
        const config::Joint& joint = joint_of(station, design);
        ordered_json tools = ordered_json::array();
        for (const config::ToolAtTarget& tool : design.tools)
            tools.push_back({{"tool", tool.tool},
                             {"share_of_range", tool.share_of_range},
                             {"capability", tool.capability ? ordered_json(*tool.capability) : nullptr}});
        ordered_json preload = nullptr;
        if (design.preload)
            preload = {{"lowest_n", design.preload->lowest_n},
                       {"highest_n", design.preload->highest_n},
                       {"proof_load_n", design.preload->proof_load_n}};
        all.push_back({{"joint", joint.id},
                       {"pass", design.pass},
                       {"thread", joint.thread},
                       {"property_class", joint.property_class},
                       {"torque_min", protocol::to_text(design.window.min)},
                       {"torque_max", protocol::to_text(design.window.max)},
                       {"preload", std::move(preload)},
                       {"tools", std::move(tools)}});
    }
    return {{"joints", std::move(all)}};
}

Asked<Exit> show_joints(const Desk& desk, const std::string& file) {
    const auto station = description_in(file, "it has mistakes, so that nothing can be said of its joints");
    if (!station)
        return std::unexpected(station.error());
    if (desk.json)
        print(joints_json(*station).dump(2) + "\n");
    else
        print(joints_text(*station, desk.style));
    return Exit::fine;
}

}  // namespace tautgate::cli
