#include "config/check.hpp"

#include <algorithm>
#include <chrono>
#include <cstddef>
#include <map>
#include <string>
#include <string_view>
#include <utility>
#include <variant>

#include <fmt/format.h>

#include "config/answer_time.hpp"
#include "config/controllers.hpp"
#include "config/findings.hpp"
#include "config/host.hpp"
#include "protocol/block_requests.hpp"
#include "protocol/frame_profile.hpp"
#include "protocol/link_errors.hpp"
#include "protocol/register_control.hpp"
#include "protocol/result_watch.hpp"

namespace tautgate::config {

using std::chrono::microseconds;
using std::chrono::milliseconds;

namespace {

// What one request and its answer take at a device of ordinary speed. Slower ones exist, faster ones too:
// hence warnings only.
constexpr milliseconds per_request{5};

[[nodiscard]] std::size_t requests_for(std::size_t blocks, std::size_t per_request_most) {
    return (blocks + per_request_most - 1) / per_request_most;
}

// The time of a character on a serial line: a start bit, eight data bits, parity, stop bits. A request
// without data has 8 characters, an answer 5 and what it brings, and between frames there are 3.5 characters
// of silence (MODBUS over Serial Line V1.02, 2.5.1).
[[nodiscard]] microseconds on_the_line(const SerialLine& line, const protocol::BlockRange& block) {
    constexpr double characters_besides = 8 + 5 + 2 * 3.5;
    const double data = protocol::is_bit_table(block.table) ? (block.length + 7) / 8 : 2 * block.length;
    const int bits = 9 + (line.parity == Parity::none ? 0 : 1) + line.stop_bits;
    const double seconds = (characters_besides + data) * bits / std::max<std::uint32_t>(line.baud, 1);
    return microseconds(static_cast<std::int64_t>(seconds * 1e6));
}

// What one poll takes: each of its blocks, and each again to notice that it was written meanwhile.
struct PollCost {
    std::size_t requests = 0;
    microseconds time{};
};
[[nodiscard]] PollCost cost_of(const RegisterLink& link, const protocol::RegisterProfile& profile) {
    PollCost cost;
    const auto add = [&](const protocol::BlockRange& block) {
        ++cost.requests;
        cost.time += per_request;
        if (link.serial)
            cost.time += on_the_line(*link.serial, block);
    };
    const auto blocks = protocol::reads_of(profile);
    std::ranges::for_each(blocks, add);
    if (const auto second = protocol::second_read_of(profile))
        add(*second);
    else
        std::ranges::for_each(blocks, add);
    if (profile.trace)  // a block of the curve follows each poll until it is read
        add({profile.table, 0, protocol::registers_per_read});
    if (profile.control)
        std::ranges::for_each(protocol::control_reads(profile), add);
    return cost;
}

[[nodiscard]] std::int64_t whole_ms(microseconds time) {
    return std::chrono::ceil<milliseconds>(time).count();
}

void check_tool(std::vector<ConfigFinding>& findings, const Station& station, const RegisterLink& link,
                const std::string& pointer) {
    const auto* profile = register_profile(profile_named(station, link.profile));
    if (profile == nullptr)
        return;  // the check of the description says so
    const PollCost cost = cost_of(link, *profile);
    if (link.poll_interval < cost.time)
        findings.push_back({Severity::warning, pointer + "/link/registers/poll_interval_ms",
                            fmt::format("a poll is {} requests, about {} ms, and would be due every {} ms",
                                        cost.requests, whole_ms(cost.time), link.poll_interval.count()),
                            fmt::format("give {} ms or more", whole_ms(cost.time))});
}

// What a module asks of its wire: two tables of inputs at most with each poll, and each output once a second.
[[nodiscard]] double share_of(const IoModule& module) {
    const auto one = [&](const protocol::BlockRange& block) {
        const microseconds line = module.serial ? on_the_line(*module.serial, block) : microseconds{};
        return static_cast<double>((per_request + line).count());
    };
    const auto every =
        static_cast<double>(std::max<std::int64_t>(microseconds(module.poll_interval).count(), 1));
    constexpr double second = 1e6;
    const auto outputs = static_cast<double>(module.outputs.size());
    return (module.inputs.empty() ? 0 : one({protocol::RegisterTable::discrete_inputs, 0, 16}) / every) +
           outputs * one({protocol::RegisterTable::coils, 0, 1}) / second;
}

// Units behind one gateway, or on one serial line, share its wire.
void check_shared_wires(std::vector<ConfigFinding>& findings, const Station& station) {
    struct Load {
        double share = 0;
        std::size_t devices = 0;
        std::string last;
    };
    std::map<std::string, Load> loads;
    const auto add = [&](const auto& link, double share, std::string pointer) {
        Load& load =
            loads[link.serial ? link.serial->device : fmt::format("{}:{}", host_name(link.host), link.port)];
        load.share += share;
        ++load.devices;
        load.last = std::move(pointer);
    };
    for (std::size_t i = 0; i < station.io.size(); ++i)
        add(station.io[i], share_of(station.io[i]), fmt::format("/io/{}/poll_interval_ms", i));
    for (std::size_t i = 0; i < station.tools.size(); ++i) {
        const auto* link = std::get_if<RegisterLink>(&station.tools[i].link);
        const auto* profile = register_profile(station, station.tools[i]);
        if (link == nullptr || profile == nullptr)
            continue;
        const auto every = std::max<std::int64_t>(microseconds(link->poll_interval).count(), 1);
        add(*link, static_cast<double>(cost_of(*link, *profile).time.count()) / static_cast<double>(every),
            fmt::format("/tools/{}/link/registers/poll_interval_ms", i));
    }
    for (const auto& [wire, load] : loads)
        if (load.devices > 1 && load.share > 1)
            findings.push_back(
                {Severity::warning, load.last,
                 fmt::format("the {} devices behind {} would keep its wire busy for {:.0f} % of the time",
                             load.devices, wire, 100 * load.share),
                 "poll them less often"});
}

// One of those that share a serial line.
struct OnLine {
    std::string device;
    std::string name;
    milliseconds silence_limit;
    microseconds on_the_line;  // its longest request and the answer to it
    std::string pointer;
};
[[nodiscard]] microseconds longest_on_the_line(const SerialLine& line, const Station& station,
                                               const Tool& tool) {
    microseconds longest{};
    const auto* profile = register_profile(station, tool);
    if (profile == nullptr)
        return longest;  // the check of the description says so
    auto blocks = protocol::reads_of(*profile);
    if (profile->trace)
        blocks.push_back({profile->table, 0, protocol::registers_per_read});
    for (const protocol::BlockRange& block : blocks)
        longest = std::max(longest, on_the_line(line, block));
    return longest;
}
[[nodiscard]] std::vector<OnLine> on_serial_lines(const Station& station) {
    std::vector<OnLine> all;
    for (std::size_t i = 0; i < station.tools.size(); ++i) {
        const Tool& tool = station.tools[i];
        const auto* link = std::get_if<RegisterLink>(&tool.link);
        if (link != nullptr && link->serial)
            all.push_back({link->serial->device, "tool " + tool.id, tool.silence_limit,
                           longest_on_the_line(*link->serial, station, tool),
                           fmt::format("/tools/{}/silence_limit_ms", i)});
    }
    for (std::size_t i = 0; i < station.io.size(); ++i) {
        const IoModule& module = station.io[i];
        if (module.serial)
            all.push_back({module.serial->device, "module " + module.id, module.silence_limit,
                           on_the_line(*module.serial, {protocol::RegisterTable::discrete_inputs, 0, 16}),
                           fmt::format("/io/{}/silence_limit_ms", i)});
    }
    return all;
}

// One that does not answer, or not to the end, keeps the line for its time-out and what the answer takes on
// the line, and for its time-out again until nothing late can come.
void check_dead_neighbours(std::vector<ConfigFinding>& findings, const Station& station) {
    const auto all = on_serial_lines(station);
    for (const OnLine& one : all)
        for (const OnLine& dead : all) {
            const milliseconds kept =
                2 * answer_time(dead.silence_limit) + std::chrono::ceil<milliseconds>(dead.on_the_line);
            if (&one == &dead || one.device != dead.device ||
                one.silence_limit > kept + answer_time(one.silence_limit))
                continue;
            findings.push_back(
                {Severity::warning, one.pointer,
                 fmt::format(
                     "where {} does not answer it keeps the line {} for {} ms, and {} is taken as lost "
                     "when nothing came from it for {} ms",
                     dead.name, one.device, kept.count(), one.name, one.silence_limit.count()),
                 fmt::format("give {} ms or more, or a line of its own",
                             (kept + 2 * answer_time(one.silence_limit)).count())});
            break;
        }
}

// Coils are written one by one, the alive coil last; what comes back is read in two tables at most.
[[nodiscard]] std::size_t requests_of(const ControllerLink& link, std::size_t permissives) {
    constexpr std::size_t tables = 2;
    return link.coils ? permissives + 1 + tables
                      : requests_for(permissives, protocol::blocks_per_write) +
                            requests_for(permissives, protocol::blocks_per_read);
}

void check_controller(std::vector<ConfigFinding>& findings, const BayController& controller,
                      const std::string& pointer) {
    const auto& link = *controller.link;
    const auto blocks = controller.permissives.size();
    const auto requests = requests_of(link, blocks);
    const milliseconds needed = static_cast<int>(requests) * per_request;
    if (link.role == WireRole::client && link.beat_interval < needed)
        findings.push_back(
            {Severity::warning, pointer + "/beat_interval_ms",
             fmt::format("{} permissives take {} requests, about {} ms, and would be due every {} ms", blocks,
                         requests, needed.count(), link.beat_interval.count()),
             fmt::format("give {} ms or more", needed.count())});
}

// What the station writes to its controller must not land in a tool's registers.
void check_tool_apart(std::vector<ConfigFinding>& findings, const Station& station,
                      const ControllerLink& controller, const std::string& pointer) {
    if (controller.role != WireRole::client)
        return;
    for (const Tool& tool : station.tools) {
        const auto* link = std::get_if<RegisterLink>(&tool.link);
        if (link != nullptr && !link->serial && same_host(link->host, controller.host) &&
            link->port == controller.port && link->unit == controller.unit)
            findings.push_back(
                {Severity::error, pointer + "/port",
                 fmt::format(
                     "unit {} at {}:{} is tool {} as well, into whose registers the permissives would go",
                     controller.unit, controller.host, controller.port, tool.id),
                 "give the controller's own host, port or unit"});
    }
}

// What a profile says of how a tool's results go on.
struct Going {
    bool counts = false;
    bool shows_restarts = false;
    std::uint64_t span = 0;  // its highest number less its lowest: after that the lowest comes again
    // Whether the tool says its newest count when it is heard again, and not only with the next result.
    bool tells_newest = false;
    bool newest_has_epoch = true;  // wherever it says so and its results have one
};
[[nodiscard]] Going going_by(const protocol::RegisterProfile& profile) {
    return {profile.counter.has_value(), profile.epoch.has_value(),
            profile.counter ? profile.counter->highest - profile.counter->lowest : 0, true, true};
}
[[nodiscard]] Going going_by(const protocol::FrameProfile& profile) {
    const auto* result = protocol::result_of(profile);
    const bool counts = result != nullptr && result->counter;
    return {counts, result != nullptr && result->epoch,
            counts ? result->counter->highest - result->counter->lowest : 0, protocol::tells_newest(profile),
            protocol::newest_has_epoch(profile)};
}

// A count of eight bits: more than are ever sent again, or lost in one outage without anybody noticing.
constexpr std::uint64_t shortest_span = 255;

// A tool that does not count cannot say that a result was lost; what it shows proves a joint of class C at
// most.
void check_proof_by(std::vector<ConfigFinding>& findings, const Joint& joint, const Tool& tool,
                    const Going& going, const std::string& pointer) {
    const auto say = [&](std::string_view what, const char* remedy, Severity severity = Severity::error) {
        findings.push_back({severity, pointer,
                            fmt::format("tool {} {}; joint {} is of class {}", tool.id, what, joint.id,
                                        joint.risk == RiskClass::a ? "A" : "B"),
                            remedy});
    };
    if (!going.counts)
        say("does not count its results, so that a lost one would not be noticed",
            "use a tool whose profile names a counter, or set another class");
    else if (!going.shows_restarts)
        say("does not show its restarts, so that results of a count that began anew could pass for the next "
            "ones",
            "name an epoch in its profile, or make sure that its count outlives a loss of power",
            joint.risk == RiskClass::a ? Severity::error : Severity::warning);
    if (going.counts && going.span < shortest_span)
        say(fmt::format("gives the same number again after {} results, so that lost ones could pass for none",
                        going.span + 1),
            "use a tool that counts further, correct lowest and highest, or set another class");
    if (going.counts && !going.tells_newest)
        say("does not say what its newest result is, so that a loosening made while the link was down would "
            "be noticed only with the next result",
            "describe the status by which it does, with newest, or set another class");
    if (!going.newest_has_epoch)
        say("says the epoch of its results and not of its newest count, so that results lost over a restart "
            "could go unnoticed",
            "name the epoch in each status with newest, too, or set another class");
}

// A tool that proves a joint of class A or B, and where that is said.
struct Proving {
    const Joint& joint;
    const Tool& tool;
    std::string pointer;
};
template <class Check>
void for_each_proving(const Station& station, Check check) {
    for (std::size_t i = 0; i < station.joints.size(); ++i) {
        const Joint& joint = station.joints[i];
        if (joint.risk == RiskClass::c)
            continue;
        for (std::size_t j = 0; j < joint.tools.size(); ++j) {
            const auto tool = std::ranges::find(station.tools, joint.tools[j], &Tool::id);
            if (tool != station.tools.end())  // the check of the description says so where it is not there
                check(Proving{joint, *tool, fmt::format("/joints/{}/tools/{}", i, j)});
        }
    }
}

void check_proof(std::vector<ConfigFinding>& findings, const Station& station) {
    for_each_proving(station, [&](const Proving& one) {
        if (const auto* registers = register_profile(station, one.tool))
            check_proof_by(findings, one.joint, one.tool, going_by(*registers), one.pointer);
        else if (const auto* frames = frame_profile(station, one.tool))
            check_proof_by(findings, one.joint, one.tool, going_by(*frames), one.pointer);
    });
}

// An error for class A, a warning for class B.
void undetected(std::vector<ConfigFinding>& findings, const Proving& one, std::string_view error,
                std::string_view why, std::string remedy) {
    const bool is_a = one.joint.risk == RiskClass::a;
    findings.push_back({is_a ? Severity::error : Severity::warning, one.pointer,
                        fmt::format("the link of tool {} does not detect {}: {}; joint {} is of class {}",
                                    one.tool.id, error, why, one.joint.id, is_a ? "A" : "B"),
                        std::move(remedy)});
}

// What stands between a disturbed value and a joint: a check of 16 bits at least, or a second read
// of the value itself. TCP's checksum is a sum, and guards only from one device of the network to the next
// where they compute it anew.
struct Guarded {
    bool detects_corruption = true;
    std::string why;
    std::string remedy;
};
[[nodiscard]] Guarded guarded_by(const Station& station, const Tool& tool) {
    using protocol::LinkError;
    if (const auto* registers = register_profile(station, tool)) {
        const bool serial = std::get<RegisterLink>(tool.link).serial.has_value();
        return {protocol::detects(protocol::detected(*registers, serial), LinkError::corruption),
                "each value is read once, over TCP",
                "set second_read to block in its profile, so that each is read twice"};
    }
    if (const auto* frames = frame_profile(station, tool)) {
        auto [why, remedy] = protocol::why_not(*frames, LinkError::corruption);
        return {protocol::detects(protocol::detected(*frames), LinkError::corruption), std::move(why),
                std::move(remedy)};
    }
    if (const auto* line = std::get_if<LineLink>(&tool.link))
        return {
            protocol::detects(protocol::detected_by_lines(!line->key.empty()), LinkError::corruption),
            "its lines bear no seal",
            "add \"key\" to its line link, make the key with tautgate make-keys, and give it to the tool"};
    return {};
}

void check_guarded(std::vector<ConfigFinding>& findings, const Station& station) {
    for_each_proving(station, [&](const Proving& one) {
        // Polled and calling tools have the check of the transport at least, which does for class B.
        if (one.joint.risk != RiskClass::a && frame_profile(station, one.tool) == nullptr)
            return;
        const Guarded guarded = guarded_by(station, one.tool);
        if (!guarded.detects_corruption)
            undetected(findings, one, "corruption", guarded.why, guarded.remedy);
    });
}

// Of a tool that sends frames by itself nobody knows how old they are: one that is told as late as something
// between holds it up could prove the next unit.
void check_delay(std::vector<ConfigFinding>& findings, const Station& station) {
    using protocol::LinkError;
    for_each_proving(station, [&](const Proving& one) {
        const auto* frames = frame_profile(station, one.tool);
        if (frames == nullptr || protocol::detects(protocol::detected(*frames), LinkError::delay))
            return;
        undetected(findings, one, "delay", protocol::why_not(*frames, LinkError::delay).why,
                   one.joint.risk == RiskClass::a
                       ? "use a tool that is polled or speaks the line protocol, or set another class"
                       : "let nothing stand between the tool and the station that keeps what it says and "
                         "sends it on later");
    });
}

// Sensors of the unit and of movements serve bays whose controller is simple equipment, which is spoken to by
// coils.
void warn_of_unread(std::vector<ConfigFinding>& findings, const Station& station) {
    for (std::size_t i = 0; i < station.io.size(); ++i) {
        const auto bay = std::ranges::find(station.bays, station.io[i].bay, &Bay::id);
        if (bay != station.bays.end() && is_by_coils(*bay))
            continue;
        for (std::size_t j = 0; j < station.io[i].inputs.size(); ++j) {
            const auto& use = station.io[i].inputs[j].use;
            if (std::holds_alternative<PresentInput>(use) || std::holds_alternative<MovedInput>(use))
                findings.push_back(
                    {Severity::warning, fmt::format("/io/{}/inputs/{}", i, j),
                     "the bay's controller tells where the unit is, and no rule reads this input",
                     "leave it out"});
        }
    }
}

}  // namespace

namespace {

std::vector<ConfigFinding> links_as_planned(const Station& station) {
    std::vector<ConfigFinding> findings;
    for (std::size_t i = 0; i < station.bays.size(); ++i)
        for (const auto& controller : controllers_of(station, station.bays[i])) {
            const auto pointer = fmt::format("/bays/{}{}", i, controller.key);
            check_controller(findings, controller, pointer);
            check_tool_apart(findings, station, *controller.link, pointer);
        }
    for (std::size_t i = 0; i < station.tools.size(); ++i)
        if (const auto* link = std::get_if<RegisterLink>(&station.tools[i].link))
            check_tool(findings, station, *link, fmt::format("/tools/{}", i));
    check_shared_wires(findings, station);
    check_dead_neighbours(findings, station);
    check_proof(findings, station);
    check_guarded(findings, station);
    check_delay(findings, station);
    warn_of_unread(findings, station);
    return findings;
}

}  // namespace

std::vector<ConfigFinding> check_links(const Station& station) {
    return check_with_alternates(station, links_as_planned);
}

}  // namespace tautgate::config
