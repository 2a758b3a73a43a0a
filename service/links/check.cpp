#include "service/links/check.hpp"

#include <algorithm>
#include <chrono>
#include <cstddef>
#include <map>
#include <string>
#include <utility>
#include <variant>

#include <fmt/format.h>

#include "service/links/modbus_frame.hpp"

namespace tautgate::links {

using config::ConfigFinding;
using config::Severity;
using std::chrono::milliseconds;

namespace {

// What one request and its answer take at a device of ordinary speed. Slower ones exist, faster ones too:
// hence warnings only.
constexpr milliseconds per_request{5};
// Of the block and of what is read again to notice that it was torn.
constexpr int requests_per_poll = 2;

[[nodiscard]] std::size_t requests_for(std::size_t blocks, std::size_t per_request_most) {
    return (blocks + per_request_most - 1) / per_request_most;
}

void check_tool(std::vector<ConfigFinding>& findings, const config::RegisterLink& link,
                const std::string& pointer) {
    const milliseconds needed = requests_per_poll * per_request;
    if (link.poll_interval < needed)
        findings.push_back({Severity::warning, pointer + "/link/registers/poll_interval_ms",
                            fmt::format("a poll is {} requests, about {} ms, and would be due every {} ms",
                                        requests_per_poll, needed.count(), link.poll_interval.count()),
                            fmt::format("give {} ms or more", needed.count())});
}

// Units behind one address share the wire of their gateway.
void check_gateways(std::vector<ConfigFinding>& findings, const config::Station& station) {
    struct Load {
        double share = 0;
        std::size_t tools = 0;
        std::size_t last = 0;
    };
    std::map<std::pair<std::string, std::uint16_t>, Load> loads;
    for (std::size_t i = 0; i < station.tools.size(); ++i)
        if (const auto* link = std::get_if<config::RegisterLink>(&station.tools[i].link)) {
            Load& load = loads[{link->host, link->port}];
            load.share += static_cast<double>((requests_per_poll * per_request).count()) /
                          static_cast<double>(std::max<std::int64_t>(link->poll_interval.count(), 1));
            ++load.tools;
            load.last = i;
        }
    for (const auto& [address, load] : loads)
        if (load.tools > 1 && load.share > 1)
            findings.push_back(
                {Severity::warning, fmt::format("/tools/{}/link/registers/poll_interval_ms", load.last),
                 fmt::format("the {} tools behind {}:{} would keep its wire busy for {:.0f} % of the time",
                             load.tools, address.first, address.second, 100 * load.share),
                 "poll them less often"});
}

void check_bay(std::vector<ConfigFinding>& findings, const config::Station& station, const config::Bay& bay,
               const std::string& pointer) {
    const auto& link = bay.controller;
    const auto blocks =
        static_cast<std::size_t>(std::ranges::count(station.permissives, bay.id, &config::Permissive::bay));
    const auto requests = requests_for(blocks, blocks_per_write) + requests_for(blocks, blocks_per_read);
    const milliseconds needed = static_cast<int>(requests) * per_request;
    if (link.role == config::WireRole::client && link.beat_interval < needed)
        findings.push_back(
            {Severity::warning, pointer + "/controller/beat_interval_ms",
             fmt::format("{} permissives take {} requests, about {} ms, and would be due every {} ms", blocks,
                         requests, needed.count(), link.beat_interval.count()),
             fmt::format("give {} ms or more", needed.count())});
}

// What the station writes to its controller must not land in a tool's registers.
void check_tool_apart(std::vector<ConfigFinding>& findings, const config::Station& station,
                      const config::ControllerLink& controller, const std::string& pointer) {
    if (controller.role != config::WireRole::client)
        return;
    for (const config::Tool& tool : station.tools) {
        const auto* link = std::get_if<config::RegisterLink>(&tool.link);
        if (link != nullptr && link->host == controller.host && link->port == controller.port &&
            link->unit == controller.unit)
            findings.push_back(
                {Severity::error, pointer + "/controller/port",
                 fmt::format(
                     "unit {} at {}:{} is tool {} as well, into whose registers the permissives would go",
                     controller.unit, controller.host, controller.port, tool.id),
                 "give the controller's own host, port or unit"});
    }
}

}  // namespace

std::vector<ConfigFinding> check(const config::Station& station) {
    std::vector<ConfigFinding> findings;
    for (std::size_t i = 0; i < station.bays.size(); ++i)
        check_bay(findings, station, station.bays[i], fmt::format("/bays/{}", i));
    for (std::size_t i = 0; i < station.bays.size(); ++i)
        check_tool_apart(findings, station, station.bays[i].controller, fmt::format("/bays/{}", i));
    for (std::size_t i = 0; i < station.tools.size(); ++i)
        if (const auto* link = std::get_if<config::RegisterLink>(&station.tools[i].link))
            check_tool(findings, *link, fmt::format("/tools/{}", i));
    check_gateways(findings, station);
    return findings;
}

}  // namespace tautgate::links
