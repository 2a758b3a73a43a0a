// What the programmer of a controller is told of a station, and what is tried at the machine.
#include <catch2/catch.hpp>

#include <algorithm>
#include <fstream>
#include <iterator>
#include <set>
#include <string>

#include <nlohmann/json.hpp>

#include "config/reader.hpp"
#include "protocol/permissive_block.hpp"
#include "tools/cli/coil_list.hpp"
#include "tools/cli/commissioning.hpp"
#include "tools/cli/register_list.hpp"

using namespace tautgate;
using namespace tautgate::cli;
using interlock::ReasonCode;

namespace {

config::Station described(const std::string& path) {
    auto loading = config::load_station_file(TAUTGATE_SOURCE_DIR + path);
    REQUIRE(loading.station);
    return std::move(*loading.station);
}

config::Station larkmoor() { return described("/config/larkmoor.json"); }

std::string golden(const std::string& name) {
    std::ifstream file(TAUTGATE_SOURCE_DIR "/tests/unit/tools/golden/" + name, std::ios::binary);
    REQUIRE(file.good());
    return {std::istreambuf_iterator<char>(file), {}};
}

const ListedRegister& at_address(const ListedBlock& block, std::uint32_t address) {
    const auto found = std::ranges::find(block.registers, address, &ListedRegister::address);
    REQUIRE(found != block.registers.end());
    return *found;
}

// A way to bring the reason about, and whether it holds the permissive at this place of the bay.
struct Held {
    std::string what;
    bool holds = false;
};
std::vector<Held> trials_of(const config::Station& station, ReasonCode reason, std::size_t permissive) {
    std::vector<Held> found;
    for (const auto& trial : trials_at(station, station.bays.front()))
        if (trial.reason == reason)
            found.push_back({trial.what, trial.holds.at(permissive)});
    return found;
}

bool holds(const std::vector<Held>& trials, const std::string& what) {
    const auto found =
        std::ranges::find_if(trials, [&](const Held& trial) { return trial.what.starts_with(what); });
    REQUIRE(found != trials.end());
    return found->holds;
}

constexpr std::size_t beam = 0;
constexpr std::size_t carrier = 1;

}  // namespace

// Made by `tautgate registers config/larkmoor.json` with --csv and --checklist. Whoever renews them reads the
// difference as the person who will be handed the list.
TEST_CASE("the lists of the demo station are the ones that were read through") {
    const auto station = larkmoor();
    CHECK(registers_as_markdown(station, "larkmoor.json") == golden("larkmoor-registers.md"));
    CHECK(registers_as_csv(station) == golden("larkmoor-registers.csv"));
    CHECK(commissioning_checklist(station, "larkmoor.json") == golden("larkmoor-checklist.md"));
}

TEST_CASE("blocks lie in a row, in the order of the description") {
    const auto station = larkmoor();
    const auto bays = list_registers(station);
    REQUIRE(bays.size() == 1);
    REQUIRE(bays.front().permissives.size() == 3);
    // By hand, from PERMISSIVE.md: 12 and 16 registers, the description's first addresses 0 and 100.
    const auto& second = bays.front().permissives[carrier];
    CHECK(second.permissive->id == "carrier");
    CHECK(at_address(second.to_plc, 12 + 6).name == "state code");
    CHECK(at_address(second.to_plc, 12 + 4).name == "token, high word");
    CHECK(at_address(second.to_plc, 12 + 5).name == "token, low word");
    CHECK(at_address(second.to_plc, 12 + 5).type == "low word of uint32");
    CHECK(at_address(second.to_station, 100 + 16 + 12).name == "moved");
    CHECK(at_address(second.to_station, 100 + 16 + 12).in_block == 12);
}

TEST_CASE("two bays do not share blocks: each counts its own permissives from its own addresses") {
    auto station = larkmoor();
    auto bay = station.bays.front();
    bay.id = "J2";
    bay.number = 2;
    bay.controller.permissive_address = 1000;
    station.bays.push_back(bay);
    station.permissives[carrier].bay = "J2";
    const auto bays = list_registers(station);
    REQUIRE(bays.size() == 2);
    CHECK(bays[0].permissives.size() == 2);
    REQUIRE(bays[1].permissives.size() == 1);
    CHECK(bays[0].permissives[1].to_plc.start == 12);
    CHECK(bays[1].permissives[0].to_plc.start == 1000);
    CHECK(bays[1].permissives[0].to_plc.registers[2].always == 2);
}

TEST_CASE("each controller of a bay has a list of its own, with the blocks that it carries") {
    auto station = larkmoor();
    auto& bay = station.bays.front();
    config::FurtherController further{
        .id = "carrier-plc", .link = bay.controller, .permissives = {"side-track", "carrier"}};
    further.link.host = "192.0.2.21";
    further.link.permissive_address = 500;
    further.link.feedback_address = 600;
    further.link.beat_timeout = std::chrono::milliseconds(770);
    bay.further_controllers.push_back(further);
    const auto lists = list_registers(station);
    REQUIRE(lists.size() == 2);
    REQUIRE(lists[0].permissives.size() == 1);
    CHECK(lists[0].permissives[0].permissive->id == "lift-beam");
    REQUIRE(lists[1].permissives.size() == 2);
    // In the order in which the controller names them, from its own addresses.
    CHECK(lists[1].permissives[0].permissive->id == "side-track");
    CHECK(lists[1].permissives[1].permissive->id == "carrier");
    CHECK(lists[1].permissives[1].to_plc.start == 500 + 12);
    CHECK(lists[1].permissives[1].to_station.start == 600 + 16);

    const auto markdown = registers_as_markdown(station, "larkmoor.json");
    const auto heading = markdown.find("(J1), controller carrier-plc\n");
    REQUIRE(heading != std::string::npos);
    CHECK(markdown.find("(J1), its main controller\n") < heading);
    CHECK(markdown.find("192.0.2.21") > heading);
    CHECK(markdown.find("T#770ms") > heading);
    CHECK(registers_as_csv(station).find("J1,carrier,192.0.2.21,") != std::string::npos);
    const auto view = registers_as_json(station, "larkmoor.json");
    CHECK(view["bays"][0]["controller"].is_null());
    CHECK(view["bays"][1]["controller"] == "carrier-plc");
    CHECK(view["bays"][1]["host"] == "192.0.2.21");
    CHECK(view["bays"][1]["beat_limit_ms"] == 770);

    const auto checklist = commissioning_checklist(station, "larkmoor.json");
    const auto part = checklist.find("(J1), controller carrier-plc\n");
    REQUIRE(part != std::string::npos);
    CHECK(checklist.find("register 512 (reference 400513)", part) != std::string::npos);
    CHECK(checklist.find("within 2000 ms of each other", part) != std::string::npos);
    // The reasons are tried once, with all of the bay's permissives in the order of the description.
    CHECK(checklist.find("### Reasons to hold") > part);
    CHECK(checklist.find("| clears by | lift-beam | carrier | side-track |", part) != std::string::npos);
}

// MODBUS Application Protocol Specification V1.1b3, 4.4: the register numbered X in the data model is
// addressed X-1 on the wire. The 4 before the number of a holding register, in six digits, is common
// practice.
TEST_CASE("the reference of a register is one more than its address, with a 4 before it") {
    CHECK(reference_of(0) == 400'001);
    CHECK(reference_of(107) == 400'108);
    CHECK(reference_of(65'535) == 465'536);
}

TEST_CASE("values that are said to stay are those that the blocks are written with") {
    const auto station = larkmoor();
    for (const auto& bay : list_registers(station))
        for (const auto& one : bay.permissives) {
            const protocol::BlockAddress own{station.number, bay.bay->number, one.permissive->number};
            const auto shown =
                protocol::encode(protocol::PermissiveBlock{.address = own, .token = 0x12345678});
            for (const auto& listed : one.to_plc.registers)
                CHECK((!listed.always || *listed.always == shown.at(listed.in_block)));
            const auto back = protocol::encode(protocol::FeedbackBlock{.address = own, .token = 0x12345678});
            for (const auto& listed : one.to_station.registers)
                CHECK((!listed.always || *listed.always == back.at(listed.in_block)));
            CHECK(std::ranges::count_if(one.to_plc.registers, [](const ListedRegister& listed) {
                      return listed.always.has_value();
                  }) == 4);
        }
}

TEST_CASE("who asks whom is told in both roles") {
    auto station = larkmoor();
    CHECK(registers_as_markdown(station, "x").find("The station is the Modbus client") != std::string::npos);
    CHECK(registers_as_json(station, "x")["bays"][0]["station_is"] == "client");
    station.bays.front().controller.role = config::WireRole::server;
    const auto text = registers_as_markdown(station, "x");
    CHECK(text.find("The station is the Modbus server") != std::string::npos);
    CHECK(text.find("read the permissive blocks at least every 100 ms") != std::string::npos);
    CHECK(registers_as_json(station, "x")["bays"][0]["station_is"] == "server");
}

TEST_CASE("names of the description cannot break a table") {
    auto station = larkmoor();
    station.permissives[beam].name = "Beam | left <b>";
    station.permissives[beam].movement = "up\x1b[2J";
    const auto text = registers_as_markdown(station, "a|b.json");
    CHECK(text.find("Beam \\| left \\<b>") != std::string::npos);
    CHECK(text.find("a\\|b.json") != std::string::npos);
    CHECK(text.find('\x1b') == std::string::npos);
    station.joints.front().name = "Mounts | upper";
    const auto checklist = commissioning_checklist(station, "x");
    CHECK(checklist.find('\x1b') == std::string::npos);
    CHECK(checklist.find("| Mounts \\| upper: leave the last fastener undone. |") != std::string::npos);
    CHECK(checklist.find("(`tautgate decide place-hold`)") != std::string::npos);
}

TEST_CASE("every reason to hold has its trial, or is named as one that no machine can bring about") {
    auto station = larkmoor();
    station.joints.front().retry.replace_fastener = true;
    station.joints.front().passes.front().window.curve = config::CurveWindow{};
    station.joints.front().passes.push_back(station.joints.front().passes.front());
    station.joints.front().passes.back().check = config::CheckPass{std::chrono::seconds{600}};
    station.orders = config::OrderFeed{};
    station.permissives[beam].moves_to = "second";
    station.tools.front().calibration = config::CalibrationRule{};
    std::set<ReasonCode> tried;
    for (const auto& trial : trials_at(station, station.bays.front()))
        tried.insert(trial.reason);
    for (const auto& reason : interlock::reason_table()) {
        CAPTURE(static_cast<int>(reason.code));
        CHECK(tried.contains(reason.code) != is_shown_elsewhere(reason.code));
    }
}

TEST_CASE("a permissive is held by the joints, tools and checks of its scope only") {
    const auto station = larkmoor();
    // The lifting beam needs classes A and B, the carrier everything; the clamps are class C.
    const auto beam_checks = trials_of(station, ReasonCode::check_open, beam);
    const auto carrier_checks = trials_of(station, ReasonCode::check_open, carrier);
    CHECK_FALSE(holds(beam_checks, "Cable clamps"));
    CHECK(holds(carrier_checks, "Cable clamps"));
    CHECK_FALSE(holds(beam_checks, "Sand pipes"));
    CHECK(holds(carrier_checks, "Sand pipes"));
    CHECK(holds(trials_of(station, ReasonCode::joint_open, beam), "Torque-arm bracket, mirrored"));

    auto narrow = station;
    narrow.permissives[beam].classes = {config::RiskClass::b};
    CHECK_FALSE(holds(trials_of(narrow, ReasonCode::joint_open, beam), "Motor mounts:"));
    CHECK(holds(trials_of(narrow, ReasonCode::joint_open, carrier), "Motor mounts:"));
    CHECK_FALSE(holds(trials_of(narrow, ReasonCode::tool_link_lost, beam),
                      "Switch NR-20 (Nutrunner for motor mounts)"));
    CHECK(holds(trials_of(narrow, ReasonCode::tool_link_lost, carrier),
                "Switch NR-20 (Nutrunner for motor mounts)"));
}

TEST_CASE("only a one-shot permissive can be used up, and only what the joint asks for is tried") {
    auto station = larkmoor();
    REQUIRE(trials_of(station, ReasonCode::movement_used, beam).size() == 1);
    CHECK(trials_of(station, ReasonCode::movement_used, beam).front().holds);
    CHECK_FALSE(trials_of(station, ReasonCode::movement_used, carrier).front().holds);
    CHECK(trials_of(station, ReasonCode::loosening_due, beam).size() == 3);  // not the two brackets
    CHECK(trials_of(station, ReasonCode::replacement_due, beam).empty());
    CHECK(holds(trials_of(station, ReasonCode::fastener_locked, beam),
                "Torque-arm bracket: let a fastener fail 3 times"));
    station.permissives[beam].one_shot = false;
    CHECK(trials_of(station, ReasonCode::movement_used, beam).empty());
    CHECK(commissioning_checklist(station, "x").find("decide rearm") == std::string::npos);
}

TEST_CASE("a movement to another bay is told, tried there, and waits for its stages only") {
    auto station = larkmoor();
    CHECK(trials_of(station, ReasonCode::next_bay_occupied, beam).empty());
    station.permissives[beam].moves_to = "second";
    station.permissives[beam].scope = config::Scope::stages;
    station.permissives[beam].through_stage = "motor mounts";
    const auto trials = trials_of(station, ReasonCode::next_bay_occupied, beam);
    REQUIRE(trials.size() == 1);
    CHECK(trials.front().holds);
    CHECK_FALSE(trials_of(station, ReasonCode::next_bay_occupied, carrier).front().holds);
    CHECK(holds(trials_of(station, ReasonCode::joint_open, beam), "Motor mounts:"));
    CHECK_FALSE(holds(trials_of(station, ReasonCode::joint_open, beam), "Torque-arm bracket:"));
    CHECK_FALSE(holds(trials_of(station, ReasonCode::check_open, beam), "Sand pipes"));
    CHECK(registers_as_markdown(station, "x").find("goes to bay second, and keeps its token") !=
          std::string::npos);
    CHECK(registers_as_json(station, "x")["bays"][0]["permissives"][0]["moves_to"] == "second");
    CHECK(commissioning_checklist(station, "x").find("before the unit arrives at bay second") !=
          std::string::npos);
}

TEST_CASE("a joint that is in no plan is not tried") {
    auto station = larkmoor();
    for (auto& plan : station.plans)
        std::erase_if(plan.stages, [](const auto& stage) { return stage.name == "motor mounts"; });
    for (const auto& trial : trials_at(station, station.bays.front()))
        CHECK_FALSE(trial.what.starts_with("Motor mounts"));
}

TEST_CASE("a bay that is described as simulated is not commissioned as it is") {
    auto station = larkmoor();
    REQUIRE(station.bays.front().simulated);
    constexpr auto warning = "`simulated` is taken out of it before the bay holds a real unit";
    CHECK(commissioning_checklist(station, "x").find(warning) != std::string::npos);
    station.bays.front().simulated = false;
    CHECK(commissioning_checklist(station, "x").find(warning) == std::string::npos);
}

TEST_CASE("the check list names both time-outs, the count of each permissive and who signs") {
    auto station = larkmoor();
    station.bays.front().controller.echo_timeout = std::chrono::milliseconds(740);
    const auto text = commissioning_checklist(station, "larkmoor.json");
    CHECK(text.find("every MayMove is FALSE after at most 740 ms") != std::string::npos);
    CHECK(text.find("the station says controller link lost (40) after at most 740 ms") != std::string::npos);
    CHECK(text.find("adds exactly 1 to register 112 (reference 400113)") != std::string::npos);
    CHECK(text.find("adds exactly 1 to register 128 (reference 400129)") != std::string::npos);
    CHECK(text.find("adds exactly 1 to register 144 (reference 400145)") != std::string::npos);
    CHECK(text.find("BeatLimit T#740ms") != std::string::npos);
    CHECK(text.find("It is not a safety function") != std::string::npos);
    CHECK(text.find("## Sign-off") != std::string::npos);
}

// ---- by coils ---------------------------------------------------------------------------------------------

namespace {

config::Station by_coils() { return described("/tests/unit/config/good/coils.json"); }

}  // namespace

TEST_CASE("the time-out that the equipment must use is its own, where the description gives one") {
    auto station = larkmoor();
    station.bays.front().controller.beat_timeout = std::chrono::milliseconds(330);
    CHECK(registers_as_markdown(station, "x").find("| BeatLimit | T#330ms |") != std::string::npos);
    CHECK(registers_as_json(station, "x").at("bays")[0].at("beat_limit_ms") == 330);
    CHECK(registers_as_json(station, "x").at("bays")[0].at("echo_timeout_ms") == 500);
    const auto text = commissioning_checklist(station, "x");
    CHECK(text.find("BeatLimit T#330ms") != std::string::npos);
    CHECK(text.find("every MayMove is FALSE after at most 330 ms") != std::string::npos);
    CHECK(text.find("(40) after at most 500 ms") != std::string::npos);
}

TEST_CASE(
    "every coil and input of a bay by coils is listed once, with where it stands and which way it goes") {
    const auto station = by_coils();
    const auto bits = list_bits(station.bays.front());
    std::vector<std::string> listed;
    for (const ListedBit& bit : bits)
        listed.push_back(std::string(bit.name) + " " + reference_of_bit(bit) +
                         (bit.to_equipment ? " out" : " in"));
    CHECK(listed == std::vector<std::string>{"alive 000001 out", "release 000002 out", "echo 100001 in",
                                             "heartbeat 100002 in", "present 100003 in", "moved 100004 in"});
    for (const ListedBit& bit : bits)
        CHECK_FALSE(bit.meaning.empty());
}

TEST_CASE("the list of a bay by coils has its settings and what coils do not keep, and no register") {
    auto station = by_coils();
    station.bays.front().controller.beat_timeout = std::chrono::milliseconds(800);
    const auto text = registers_as_markdown(station, "x");
    CHECK(text.find("| BeatLimit, after which the equipment withholds | T#800ms |") != std::string::npos);
    CHECK(text.find("| HeartbeatTime | T#200ms |") != std::string::npos);
    CHECK(text.find("| MovedTime | T#1600ms |") != std::string::npos);
    for (const auto loss : coil_losses())
        CHECK(text.find("- " + std::string(loss)) != std::string::npos);
    CHECK(text.find("Permissive block, station to PLC") == std::string::npos);
    const auto csv = registers_as_csv(station);
    CHECK(csv.find("B1,exit,127.0.0.1,502,1,coil,station to PLC,1,000002,0,release,bit,,on while") !=
          std::string::npos);
    CHECK(std::ranges::count(csv, '\n') == 1 + 6);
    CHECK(std::ranges::count(csv.substr(0, csv.find('\n')), ',') == 14);
    CHECK(csv.find(",moved,bit,,comes on when the movement was made,high\r\n") != std::string::npos);
    station.bays.front().controller.coils->permissives.front().moved->active_low = true;
    CHECK(registers_as_csv(station).find(",moved,bit,,comes on when the movement was made,low\r\n") !=
          std::string::npos);
    const auto view = registers_as_json(station, "x").at("bays")[0];
    CHECK(view.at("coils").at("bits").size() == 6);
    CHECK(view.at("coils").at("losses").size() == coil_losses().size());
    CHECK_FALSE(view.at("permissives")[0].contains("station_to_plc"));
}

TEST_CASE(
    "what is tried at equipment by coils names both time-outs, what sticks, and nothing that coils lack") {
    auto station = by_coils();
    station.bays.front().controller.beat_timeout = std::chrono::milliseconds(800);
    const auto text = commissioning_checklist(station, "x");
    CHECK(text.find("nothing can move after at most 800 ms") != std::string::npos);
    CHECK(text.find("the release coils are off after at most 500 ms") != std::string::npos);
    CHECK(text.find("release coil forced on at the equipment before a unit comes") != std::string::npos);
    CHECK(text.find("echo held at ON, then at OFF") != std::string::npos);
    CHECK(text.find("overwrite the token") == std::string::npos);
    CHECK(text.find("fault 2") == std::string::npos);
    CHECK(text.find("## Sign-off") != std::string::npos);
}
