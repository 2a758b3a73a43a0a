// What the wires cannot carry is found before the station runs.
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "tests/unit/config/station_fixture.hpp"

using namespace tautgate;
using config::Severity;
using std::chrono::milliseconds;

namespace {

std::vector<std::string> found_in(const config::Station& station) {
    std::vector<std::string> found;
    for (const auto& finding : config::check_links(station))
        found.push_back((finding.severity == Severity::error ? "error " : "warning ") + finding.pointer +
                        ": " + finding.what);
    return found;
}

config::RegisterLink& polled(config::Station& station) {
    return std::get<config::RegisterLink>(station.tools.at(1).link);
}

}  // namespace

TEST_CASE("the wires of the demo station carry what it asks of them") {
    CHECK(config::check_links(config::larkmoor()).empty());
}

TEST_CASE("a poll that is due before the one before it can be over is a warning, at its interval") {
    auto station = config::larkmoor();
    polled(station).poll_interval = milliseconds(10);
    CHECK(config::check_links(station).empty());
    polled(station).poll_interval = milliseconds(9);
    const auto findings = config::check_links(station);
    REQUIRE(findings.size() == 1);
    CHECK(findings.front().severity == Severity::warning);
    CHECK(findings.front().pointer == "/tools/1/link/registers/poll_interval_ms");
}

TEST_CASE("tools behind one gateway share its wire") {
    auto station = config::larkmoor();
    polled(station).poll_interval = milliseconds(20);
    for (std::uint8_t unit = 2; unit <= 3; ++unit) {
        station.tools.push_back(station.tools.at(1));
        std::get<config::RegisterLink>(station.tools.back().link).unit = unit;
        const bool too_much = unit == 3;
        const auto findings = config::check_links(station);
        REQUIRE(findings.size() == (too_much ? 1U : 0U));
        if (too_much)
            CHECK(findings.front().what.find("150 %") != std::string::npos);
    }
}

TEST_CASE("modules share the wire of the tools behind the same gateway, by whatever name it is called") {
    auto station = config::larkmoor();
    polled(station).host = "LOCALHOST";
    polled(station).poll_interval = milliseconds(20);
    config::IoModule module;
    module.host = "127.0.0.1";
    module.port = polled(station).port;
    module.unit = 9;
    module.poll_interval = milliseconds(10);
    module.inputs.emplace_back();
    station.io.push_back(module);
    CHECK(found_in(station).empty());
    station.io.back().poll_interval = milliseconds(6);
    CHECK(found_in(station) ==
          std::vector<std::string>{"warning /tools/1/link/registers/poll_interval_ms: the 2 devices behind "
                                   "127.0.0.1:8464 would keep its wire busy for 133 % of the time"});
}

TEST_CASE("a unit that does not answer must not make its neighbours on a serial line seem lost") {
    auto station = config::larkmoor();
    polled(station).serial = config::SerialLine{.device = "/dev/ttyS7"};
    polled(station).host.clear();
    // So that it may keep the line for 1000 ms, and for the 31 ms that its block of 17 registers takes there.
    station.tools.at(1).silence_limit = milliseconds(2000);
    station.io.push_back({.id = "lights",
                          .bay = station.bays.front().id,
                          .host = "",
                          .serial = config::SerialLine{.device = "/dev/ttyS7"},
                          .unit = 9,
                          .silence_limit = milliseconds(1374),
                          .inputs = {},
                          .outputs = {}});
    const auto about_silence = [&] {
        auto findings = config::check_links(station);
        std::erase_if(findings, [](const auto& one) { return !one.pointer.ends_with("silence_limit_ms"); });
        return findings;
    };
    const auto findings = about_silence();
    REQUIRE(findings.size() == 1);
    CHECK(findings.front().severity == Severity::warning);
    CHECK(findings.front().pointer == "/io/0/silence_limit_ms");
    CHECK(findings.front().remedy == "give 1717 ms or more, or a line of its own");
    station.io.front().silence_limit = milliseconds(1375);
    CHECK(about_silence().empty());
    polled(station).serial->baud = station.io.front().serial->baud = 9600;  // 62 ms
    CHECK(about_silence().size() == 1);
    station.io.front().serial->device = "/dev/ttyS8";
    CHECK(about_silence().empty());
}

TEST_CASE(
    "a controller at a tool's own address is refused, since the permissives would go into its registers") {
    auto station = config::larkmoor();
    auto& controller = station.bays.at(0).controller;
    const auto& tool = polled(station);
    controller.host = tool.host;
    controller.port = tool.port;
    controller.unit = tool.unit;
    const auto findings = config::check_links(station);
    REQUIRE(findings.size() == 1);
    CHECK(findings.front().severity == Severity::error);
    CHECK(findings.front().pointer == "/bays/0/controller/port");
    controller.unit = 7;
    CHECK(config::check_links(station).empty());
    controller.unit = tool.unit;
    controller.role = config::WireRole::server;
    CHECK(config::check_links(station).empty());
}

TEST_CASE("more beats than the requests of a bay can follow is a warning where the station is the client") {
    auto station = config::larkmoor();
    auto& link = station.bays.at(0).controller;
    link.beat_interval = milliseconds(9);
    CHECK(config::check_links(station).size() == 1);
    link.role = config::WireRole::server;
    CHECK(config::check_links(station).empty());
}

TEST_CASE("frames prove a joint of class A or B only where the tool counts and says its newest result") {
    const auto framed = [](config::RiskClass risk, auto change) {
        auto station =
            config::read_station_file(TAUTGATE_SOURCE_DIR "/tests/unit/config/good/frames.json").value();
        station.joints.at(0).risk = risk;
        change(std::get<protocol::FrameProfile>(station.profiles.at(0).profile));
        auto found = found_in(station);
        std::erase_if(found, [](const std::string& one) {
            return one.find("does not detect delay") != std::string::npos;
        });
        return found;
    };
    const auto result = [](protocol::FrameProfile& profile) -> protocol::ResultMessage& {
        return std::get<protocol::ResultMessage>(profile.messages.at(0).what);
    };
    const auto no_restarts = [&](protocol::FrameProfile& profile) { result(profile).epoch.reset(); };
    const auto not_newest = [&](protocol::FrameProfile& profile) {
        std::get<protocol::StatusMessage>(profile.messages.at(1).what) = {
            .newest = {}, .epoch = protocol::AtIndex{2}, .enabled = {}, .program = {}};
    };
    const auto no_count = [&](protocol::FrameProfile& profile) { result(profile).counter.reset(); };
    CHECK(framed(config::RiskClass::a, no_restarts) ==
          std::vector<std::string>{
              "error /joints/0/tools/0: tool T1 does not show its restarts, so that results of a count "
              "that began anew could pass for the next ones; joint flange is of class A"});
    CHECK(framed(config::RiskClass::b, no_restarts) ==
          std::vector<std::string>{
              "warning /joints/0/tools/0: tool T1 does not show its restarts, so that results of a count "
              "that began anew could pass for the next ones; joint flange is of class B"});
    const auto name_epochs = [&](protocol::FrameProfile& profile) {
        result(profile).epoch = protocol::AtIndex{5};
        std::get<protocol::StatusMessage>(profile.messages.at(1).what).epoch = protocol::AtIndex{2};
    };
    const auto few = [&](protocol::FrameProfile& profile) {
        name_epochs(profile);
        result(profile).counter->lowest = 0;
        result(profile).counter->highest = 1;
    };
    CHECK(framed(config::RiskClass::b, few) ==
          std::vector<std::string>{
              "error /joints/0/tools/0: tool T1 gives the same number again after 2 results, so that lost "
              "ones could pass for none; joint flange is of class B"});
    CHECK(framed(config::RiskClass::b, not_newest) ==
          std::vector<std::string>{
              "error /joints/0/tools/0: tool T1 does not say what its newest result is, so that a "
              "loosening made while the link was down would be noticed only with the next result; "
              "joint flange is of class B"});
    CHECK(framed(config::RiskClass::b, no_count) ==
          std::vector<std::string>{
              "error /joints/0/tools/0: tool T1 does not count its results, so that a lost one would "
              "not be noticed; joint flange is of class B"});
    CHECK(framed(config::RiskClass::c, no_count).empty());
    // A status that borrows the epoch of the last result: after a restart it may say the same number again.
    const auto borrowed = [&](protocol::FrameProfile& profile) {
        std::get<protocol::StatusMessage>(profile.messages.at(1).what).epoch.reset();
    };
    for (const auto& [risk, name] : {std::pair{config::RiskClass::a, "A"}, {config::RiskClass::b, "B"}})
        CHECK(framed(risk, borrowed) ==
              std::vector<std::string>{
                  "error /joints/0/tools/0: tool T1 says the epoch of its results and not of its newest "
                  "count, so that results lost over a restart could go unnoticed; joint flange is of class " +
                  std::string(name)});
    CHECK(framed(config::RiskClass::c, borrowed).empty());
}

TEST_CASE("a joint of class A needs a link that detects corruption and delay") {
    auto station = config::larkmoor();
    std::get<config::LineLink>(station.tools.at(0).link).key.clear();
    const auto unsealed = [](const std::string& place, const std::string& joint) {
        return "error " + place +
               ": the link of tool NR-20 does not detect corruption: its lines bear no seal; joint " + joint +
               " is of class A";
    };
    CHECK(found_in(station) == std::vector<std::string>{unsealed("/joints/0/tools/0", "motor-mounts"),
                                                        unsealed("/joints/1/tools/0", "motor-mounts-heavy")});
    CHECK(config::check_links(station).front().remedy ==
          "add \"key\" to its line link, make the key with tautgate make-keys, and give it to the tool");
    for (config::Joint& joint : station.joints)
        joint.risk = config::RiskClass::b;
    CHECK(found_in(station).empty());
    station = config::larkmoor();
    auto& profile = std::get<protocol::RegisterProfile>(station.profiles.front().profile);
    profile.second_read = protocol::SecondRead::counter;
    CHECK(found_in(station) ==
          std::vector<std::string>{
              "error /joints/2/tools/0: the link of tool NR-16 does not detect corruption: each value "
              "is read once, over TCP; joint axle-box-caps is of class A"});
    polled(station).serial = config::SerialLine{.device = "/dev/ttyS1"};  // with a CRC-16
    polled(station).poll_interval = milliseconds(500);
    CHECK(found_in(station).empty());
    auto frames =
        config::read_station_file(TAUTGATE_SOURCE_DIR "/tests/unit/config/good/frames.json").value();
    frames.joints.at(0).risk = config::RiskClass::a;
    auto& framed = std::get<protocol::FrameProfile>(frames.profiles.at(0).profile);
    std::get<protocol::ResultMessage>(framed.messages.at(0).what).epoch = protocol::AtIndex{5};
    std::get<protocol::StatusMessage>(framed.messages.at(1).what).epoch = protocol::AtIndex{2};
    const std::string undelayed =
        " /joints/0/tools/0: the link of tool T1 does not detect delay: silence shows, and a lag that grows "
        "little by little does not: nothing that the tool says is tied to when it was asked for; joint "
        "flange "
        "is of class ";
    CHECK(found_in(frames) == std::vector<std::string>{"error" + undelayed + "A"});
    framed.checksum->kind = protocol::ChecksumKind::lrc8;
    CHECK(found_in(frames) ==
          std::vector<std::string>{
              "error /joints/0/tools/0: the link of tool T1 does not detect corruption: a checksum of 8 "
              "bits lets one disturbed frame in 256 through; joint flange is of class A",
              "error" + undelayed + "A"});
    frames.joints.at(0).risk = config::RiskClass::b;
    CHECK(found_in(frames) ==
          std::vector<std::string>{
              "warning /joints/0/tools/0: the link of tool T1 does not detect corruption: a checksum of 8 "
              "bits lets one disturbed frame in 256 through; joint flange is of class B",
              "warning" + undelayed + "B"});
    frames.joints.at(0).risk = config::RiskClass::c;
    CHECK(found_in(frames).empty());
}
