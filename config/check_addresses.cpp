// Addresses on the network: what the station listens on, and whom it calls.
#include <algorithm>
#include <string>
#include <vector>

#include "config/controllers.hpp"
#include "config/findings.hpp"
#include "config/host.hpp"

namespace tautgate::config {

namespace {

struct NetworkPlace {
    std::string pointer;
    std::string address;
    std::uint16_t port = 0;
};

bool is_everywhere(const std::string& address) { return address == "0.0.0.0" || address == "::"; }

bool meet(const NetworkPlace& one, const NetworkPlace& other) {
    const bool same_address =
        same_host(one.address, other.address) || is_everywhere(one.address) || is_everywhere(other.address);
    return one.port != 0 && one.port == other.port && same_address;
}

std::vector<NetworkPlace> ports_of_station(const Station& station) {
    std::vector<NetworkPlace> all{{"/api/port", station.api.address, station.api.port}};
    if (station.tool_port) {
        all.push_back({"/tool_port/port", station.tool_port->address, station.tool_port->port});
    }
    if (station.scanner_port) {
        all.push_back({"/scanner_port/port", station.scanner_port->address, station.scanner_port->port});
    }
    return all;
}

std::vector<NetworkPlace> listening_of(const Station& station) {
    std::vector<NetworkPlace> all = ports_of_station(station);
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        for (const BayController& controller : controllers_of(station, station.bays[index])) {
            const ControllerLink& link = *controller.link;
            if (link.role == WireRole::server) {
                all.push_back({fmt::format("/bays/{}{}/port", index, controller.key), link.host, link.port});
            }
        }
    }
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const auto* frames = std::get_if<FrameLink>(&station.tools[index].link);
        if (const auto* listen = frames == nullptr ? nullptr : std::get_if<FrameListen>(&frames->way)) {
            all.push_back({fmt::format("/tools/{}/link/frames/listen/port", index), listen->at.address,
                           listen->at.port});
        }
    }
    return all;
}

void check_listening(Findings& findings, const Station& station) {
    for (const NetworkPlace& one : ports_of_station(station)) {
        if (one.port == 0) {
            findings.warning(one.pointer, "with port 0 the system picks another port at every start",
                             "give a fixed port");
        }
    }
    const std::vector<NetworkPlace> all = listening_of(station);
    for (std::size_t late = 0; late < all.size(); ++late) {
        for (std::size_t early = 0; early < late; ++early) {
            if (meet(all[late], all[early])) {
                findings.error(
                    all[late].pointer,
                    fmt::format("port {} is taken already, at {}", all[late].port, all[early].pointer),
                    "give another port");
            }
        }
    }
    if (!station.api.address.starts_with("127.") && station.api.address != "::1") {
        findings.error(
            "/api/address",
            fmt::format("{} can be reached from other machines, and the API carries credentials in clear",
                        station.api.address),
            "give 127.0.0.1");
    }
}

// ---- whom the station calls -------------------------------------------------------------------------------

// What speaks Modbus there may be several units behind one address; a tool that sends frames is alone.
struct Called {
    NetworkPlace place;
    std::string who;
    bool alone = false;
};

std::vector<Called> called_by(const Station& station) {
    std::vector<Called> all;
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        for (const BayController& controller : controllers_of(station, station.bays[index])) {
            const ControllerLink& link = *controller.link;
            if (link.role == WireRole::client) {
                all.push_back({{fmt::format("/bays/{}{}/port", index, controller.key), link.host, link.port},
                               fmt::format("the controller of bay \"{}\"", station.bays[index].id)});
            }
        }
    }
    for (std::size_t index = 0; index < station.io.size(); ++index) {
        const IoModule& module = station.io[index];
        if (!module.serial) {
            all.push_back({{fmt::format("/io/{}/port", index), module.host, module.port},
                           fmt::format("module \"{}\"", module.id)});
        }
    }
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const Tool& tool = station.tools[index];
        const auto who = fmt::format("tool \"{}\"", tool.id);
        if (const auto* link = std::get_if<RegisterLink>(&tool.link); link != nullptr && !link->serial) {
            all.push_back(
                {{fmt::format("/tools/{}/link/registers/port", index), link->host, link->port}, who});
        }
        const auto* frames = std::get_if<FrameLink>(&tool.link);
        if (const auto* call = frames == nullptr ? nullptr : std::get_if<FrameCall>(&frames->way)) {
            all.push_back(
                {{fmt::format("/tools/{}/link/frames/call", index), call->host, call->port}, who, true});
        }
    }
    return all;
}

// Addresses that are no single machine's (RFC 1122, 3.2.1.3; RFC 4291, 2.5.2 and 2.7; IPv4 multicast RFC
// 5771): from memory of these.
bool is_of_one(const std::string& address) {
    const bool by_numbers = !address.empty() && address.find_first_not_of("0123456789.") == std::string::npos;
    // 224 to 255; of three digits each, so that texts compare like numbers.
    const bool many = by_numbers && address.find('.') == 3 && address >= "224";
    const bool many_v6 = address.find(':') != std::string::npos && host_name(address).starts_with("ff");
    return !is_everywhere(address) && !many && !many_v6;
}

struct Peer {
    std::string pointer;
    std::string address;
};

std::vector<Peer> peers_of(const Station& station) {
    std::vector<Peer> all;
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const Tool& tool = station.tools[index];
        const auto* frames = std::get_if<FrameLink>(&tool.link);
        if (const auto* listen = frames == nullptr ? nullptr : std::get_if<FrameListen>(&frames->way)) {
            all.push_back({fmt::format("/tools/{}/link/frames/listen/peer", index), listen->peer});
        }
        if (const auto* line = std::get_if<LineLink>(&tool.link)) {
            all.push_back({fmt::format("/tools/{}/link/line/peer", index), line->peer});
        }
    }
    for (std::size_t index = 0; index < station.scanners.size(); ++index) {
        if (!station.scanners[index].serial) {
            all.push_back({fmt::format("/scanners/{}/peer", index), station.scanners[index].peer});
        }
    }
    return all;
}

void check_single(Findings& findings, const Station& station) {
    for (const Peer& peer : peers_of(station)) {
        if (!is_of_one(peer.address)) {
            findings.error(peer.pointer,
                           fmt::format("nobody can call from {}, which is no device's address", peer.address),
                           "give the address of the device");
        }
    }
    for (const Called& called : called_by(station)) {
        if (!is_of_one(called.place.address)) {
            findings.error(called.place.pointer,
                           fmt::format("{} would be called at {}, which is no device's address", called.who,
                                       called.place.address),
                           "give the address of the device");
        }
    }
}

// An address of IPv6 has two colons at least.
bool has_port(const std::string& host) { return std::ranges::count(host, ':') == 1; }

void check_host(Findings& findings, const std::string& host, const std::string& pointer) {
    if (has_port(host)) {
        const auto colon = host.find(':');
        findings.error(pointer,
                       fmt::format("\"{}\" is a host with a port behind it, and would never be found", host),
                       fmt::format("give \"{}\", and the port under \"port\"", host.substr(0, colon)));
    }
}

void check_hosts(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        for (const BayController& controller : controllers_of(station, station.bays[index])) {
            check_host(findings, controller.link->host,
                       fmt::format("/bays/{}{}/host", index, controller.key));
        }
    }
    for (std::size_t index = 0; index < station.io.size(); ++index) {
        check_host(findings, station.io[index].host, fmt::format("/io/{}/host", index));
    }
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const Tool& tool = station.tools[index];
        const auto pointer = fmt::format("/tools/{}/link", index);
        if (const auto* link = std::get_if<RegisterLink>(&tool.link)) {
            check_host(findings, link->host, pointer + "/registers/host");
        }
        const auto* frames = std::get_if<FrameLink>(&tool.link);
        if (const auto* call = frames == nullptr ? nullptr : std::get_if<FrameCall>(&frames->way)) {
            check_host(findings, call->host, pointer + "/frames/call/host");
        }
    }
}

// A machine is known to be this PC only by its loopback address, or by one that the station listens on.
void check_called(Findings& findings, const Station& station) {
    const std::vector<NetworkPlace> own = listening_of(station);
    const std::vector<Called> all = called_by(station);
    for (std::size_t late = 0; late < all.size(); ++late) {
        const Called& one = all[late];
        for (const NetworkPlace& place : own) {
            const bool here =
                same_host(one.place.address, "127.0.0.1") || same_host(one.place.address, place.address);
            if (here && meet(one.place, place)) {
                findings.error(
                    one.place.pointer,
                    fmt::format("{} would be called at {}:{}, where the station itself listens ({})", one.who,
                                one.place.address, one.place.port, place.pointer),
                    "give the address of the device");
            }
        }
        for (std::size_t early = 0; early < late; ++early) {
            const Called& other = all[early];
            if ((one.alone || other.alone) && same_host(one.place.address, other.place.address) &&
                one.place.port == other.place.port) {
                findings.error(one.place.pointer,
                               fmt::format("{}:{} is called already, as {}", one.place.address,
                                           one.place.port, other.who),
                               "give each device its own address");
                break;
            }
        }
    }
}

}  // namespace

void check_addresses(Findings& findings, const Station& station) {
    check_listening(findings, station);
    check_called(findings, station);
    check_single(findings, station);
    check_hosts(findings, station);
}

}  // namespace tautgate::config
