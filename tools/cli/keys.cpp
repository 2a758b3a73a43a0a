#include "tools/cli/keys.hpp"

#include <algorithm>
#include <expected>
#include <filesystem>
#include <string_view>
#include <system_error>
#include <utility>
#include <variant>
#include <vector>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "config/key_file.hpp"
#include "config/reader.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace {

// The file that the description names for the tool; empty: the tool has no key.
std::string key_name(const config::Tool& tool) {
    const auto* line = std::get_if<config::LineLink>(&tool.link);
    return line == nullptr ? std::string() : line->key;
}

// What has become of the key of one tool.
struct KeyMade {
    std::string tool;
    std::filesystem::path file;
    bool made = false;
    std::string fault;  // why it cannot be used, or was not made; empty: it can
};

KeyMade key_of(const config::Tool& tool, const std::filesystem::path& folder, bool must_be_new) {
    KeyMade key{.tool = tool.id, .file = folder / key_name(tool), .fault = {}};
    std::error_code unknown;  // making it says what is wrong
    if (!must_be_new && std::filesystem::exists(key.file, unknown)) {
        if (const auto there = config::read_key_file(key.file); !there)
            key.fault = there.error();
        return key;
    }
    const auto made = config::make_key_file(key.file);
    key.made = made.has_value();
    if (!made)
        key.fault = made.error();
    return key;
}

std::string callers_in(const config::Station& station) {
    std::vector<std::string_view> ids;
    for (const config::Tool& tool : station.tools)
        if (std::holds_alternative<config::LineLink>(tool.link))
            ids.push_back(tool.id);
    return ids.empty() ? std::string("none of the description's")
                       : plain(fmt::format("{}", fmt::join(ids, ", ")));
}

Asked<void> has_key(const config::Station& station, const std::string& id) {
    const auto tool = std::ranges::find(station.tools, id, &config::Tool::id);
    const auto refuse = [](std::string why) {
        return std::unexpected(Failure{Exit::wrong_usage, std::move(why)});
    };
    if (tool == station.tools.end())
        return refuse(fmt::format("no tool '{}' is in the description; those that can have a key are: {}",
                                  plain(id), callers_in(station)));
    if (!std::holds_alternative<config::LineLink>(tool->link))
        return refuse(
            fmt::format("tool {} can have no key: only tools that call by the line protocol can, here: "
                        "{}",
                        plain(id), callers_in(station)));
    if (key_name(*tool).empty())
        return refuse(
            fmt::format("the description names no key of tool {}; add \"key\" to its line link", plain(id)));
    return {};
}

void show_keys(const Desk& desk, const std::vector<KeyMade>& keys) {
    if (desk.json) {
        nlohmann::json list = nlohmann::json::array();
        for (const KeyMade& key : keys)
            list.push_back(
                {{"tool", key.tool}, {"file", key.file.string()}, {"made", key.made}, {"fault", key.fault}});
        print_json({{"keys", list}});
        return;
    }
    for (const KeyMade& key : keys) {
        if (!key.fault.empty())
            complain(plain(fmt::format("tool {}: {}", key.tool, key.fault)));
        else
            print(plain(fmt::format("tool {}: {} {}", key.tool, key.file.string(),
                                    key.made ? "was made; give it to the tool, too"
                                             : "is there already, and was left as it is")) +
                  "\n");
    }
    if (keys.empty())
        print("no tool in the description has a key\n");
}

}  // namespace

Asked<Exit> make_keys(const Desk& desk, const KeyOrder& order) {
    const auto station = config::read_station_file(order.file);
    if (!station) {
        for (const auto& finding : station.error())
            complain(plain(config::to_text(finding)));
        return std::unexpected(Failure{
            Exit::no, fmt::format("{}: no key was made; put right what is named above", plain(order.file))});
    }
    if (!order.tool.empty())
        if (auto known = has_key(*station, order.tool); !known)
            return std::unexpected(known.error());
    std::vector<KeyMade> keys;
    for (const config::Tool& tool : station->tools)
        if (!key_name(tool).empty() && (order.tool.empty() || order.tool == tool.id))
            keys.push_back(key_of(tool, order.folder, !order.tool.empty()));
    show_keys(desk, keys);
    return std::ranges::all_of(keys, [](const KeyMade& key) { return key.fault.empty(); }) ? Exit::fine
                                                                                           : Exit::no;
}

}  // namespace tautgate::cli
