#include <filesystem>
#include <fstream>
#include <iterator>
#include <set>
#include <string>

#include <catch2/catch.hpp>
#include <sys/stat.h>
#include <unistd.h>

#include "config/document.hpp"
#include "config/whole_file.hpp"
#include "protocol/ticket.hpp"
#include "tests/unit/config/station_fixture.hpp"

using namespace tautgate::config;

namespace {

std::string text_of(const std::string& path) {
    std::ifstream in(path, std::ios::binary);
    REQUIRE(in.is_open());
    return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
}

std::string replaced(std::string text, const std::string& from, const std::string& to) {
    const auto at = text.find(from);
    REQUIRE(at != std::string::npos);
    return text.replace(at, from.size(), to);
}

// The numbers of a register block are all described alike: what one of them shows holds for the others.
std::string with_fields_as_one(const std::string& path) {
    const auto bits = path.find("/bits");
    const auto last = bits != std::string::npos ? bits : path.rfind('/');
    const std::set<std::string> of_field{"/address", "/type", "/order",      "/scale",     "/offset",
                                         "/table",   "/bits", "/bits/first", "/bits/count"};
    // These two have a table that is not a number's.
    if (path.ends_with("/layout/table") || path.ends_with("/handshake/table"))
        return path;
    const bool in_layout = path.starts_with("/profiles/*/layout/");
    return in_layout && of_field.contains(path.substr(last))
               ? "/profiles/*/layout/(field)" + path.substr(last)
               : path;
}

// Places in frames, numbers there, bytes and parts of what is sent are described alike as well.
std::string with_places_as_one(const std::string& path) {
    const std::string frames = "/profiles/*/frames/";
    if (!path.starts_with(frames))
        return path;
    if (path.ends_with("/hex"))
        return frames + "(bytes)/hex";
    const auto bits = path.find("/bits");
    const auto last = path.substr(bits != std::string::npos ? bits : path.rfind('/'));
    const std::set<std::string> of_place{
        "/column", "/width",      "/index",  "/key",   "/pointer", "/byte",       "/type", "/order",
        "/bits",   "/bits/first", "/length", "/scale", "/offset",  "/bits/count", "/at",   "/apart"};
    if (path.starts_with(frames + "messages/"))
        return of_place.contains(last) ? frames + "(place)" + last : path;
    const std::set<std::string> of_part{"/text", "/digits", "/width", "/number", "/type", "/order"};
    const bool sent = path.find("/*/") != std::string::npos && !path.starts_with(frames + "control/programs");
    return sent && of_part.contains(last) ? frames + "(part)" + last : path;
}

std::string with_alike_as_one(const std::string& path) {
    return with_places_as_one(with_fields_as_one(path));
}

// All paths of a document, with "*" for every index.
void collect(const Node& node, const std::string& path, std::set<std::string>& out) {
    for (const auto& item : node.items) {
        collect(item, path + "/*", out);
    }
    for (const auto& member : node.members) {
        out.insert(with_alike_as_one(path + "/" + member.key));
        collect(member.value, path + "/" + member.key, out);
    }
}

}  // namespace

TEST_CASE("the example file shows every key that the reader knows, and no other") {
    const auto document = parse_document(text_of(config_folder + "examples/every-key.json"));
    REQUIRE(document.has_value());
    std::set<std::string> shown;
    collect(*document, "", shown);
    std::set<std::string> known{"/comments"};
    for (const auto& key : known_keys()) {
        known.insert(with_alike_as_one(key.path));
    }
    CHECK(known.size() > 180);
    CHECK(shown == known);
}

TEST_CASE("the example file loads, and all that is found is what coils and their inputs are for") {
    const auto loading = load_station_file(config_folder + "examples/every-key.json");
    std::vector<std::string> warned;
    for (const auto& finding : loading.findings) {
        CHECK(finding.severity == Severity::warning);
        CHECK(finding.line != 0);
        warned.push_back(finding.pointer);
    }
    CHECK(warned == std::vector<std::string>{"/bays/2/controller/coils", "/io/0/inputs/3", "/io/0/inputs/4"});
    REQUIRE(loading.station.has_value());
    const auto& station = *loading.station;
    CHECK(station.number == 7);
    CHECK(station.tools[0].torque_resolution == Torque{100'000});
    // 500 cN.m, converted once and exactly.
    CHECK(station.tools[1].torque_min == Torque{5'000'000});
    CHECK(std::get<RegisterLink>(station.tools[1].link).profile == "block");
    REQUIRE(station.orders.has_value());
    CHECK(station.orders->separator == tautgate::protocol::Separator::semicolon);
    CHECK(station.orders->still_for == std::chrono::seconds(2));
    CHECK(station.orders->entitled == OrderFeed{}.entitled);
    CHECK(std::get<ConfirmStep>(station.plans[0].stages[1].steps.back()).id == "seal");
    CHECK(station.joints[0].passes[0].window.angle->threshold == Torque{25'000'000});
    CHECK(std::get<tautgate::protocol::RegisterProfile>(station.profiles[0].profile).counter->highest ==
          4294967295U);
    CHECK(station.calendar.shifts[1].begin == std::chrono::hours(22));
    CHECK(station.people.sign_in_lasts == std::chrono::minutes(5));
}

TEST_CASE("labels are read by the rules of the file, whatever their kind") {
    const auto loading = load_station_file(test_folder + "good/label-rules.json");
    CHECK(loading.findings.empty());
    REQUIRE(loading.station.has_value());
    const auto reader = tautgate::protocol::LabelReader::compile(loading.station->tickets);
    REQUIRE(reader.has_value());
    const auto serial = [&](std::string_view label) {
        const auto ticket = reader->read(label);
        return ticket ? ticket->kind + " " + ticket->order + " " + ticket->type + " " + ticket->serial
                      : ticket.error().what;
    };
    // The last character of each serial number is its check character by ISO/IEC 7064 MOD 37,36, computed
    // with python3-stdnum 1.18.
    CHECK(serial("]C0M40017 plain TM0008719 *") == "M 40017 plain TM0008719");
    CHECK(serial("[)>\x1e"
                 "06\x1dSTM0008719\x1d"
                 "1K40017\x1d"
                 "1Pplain\x1e\x04") == "M 40017 plain TM0008719");
    CHECK(serial("[)>^06|STM0008719|1K40017|1Pplain^~") == "M 40017 plain TM0008719");
    CHECK(serial("[)>\x1e"
                 "05\x1d"
                 "21BF001203J\x1d"
                 "40040017\x1d"
                 "240plain\x1e\x04") == "M 40017 plain BF001203J");
    CHECK(serial("]d2"
                 "21BF001203J\x1d"
                 "40040017\x1d"
                 "240plain") == "M 40017 plain BF001203J");
    CHECK(
        serial("]C0M40017 plain TM0008718 *")
            .ends_with(
                "its serial number 'TM0008718' has the check character '8' where the rest of it asks for '9' "
                "by ISO/IEC 7064 MOD 37,36"));
}

TEST_CASE("a key that is left out has the default of the value type") {
    const auto station = smallest();
    const ControllerLink defaults;
    CHECK(station.number == 1);
    CHECK(station.api.address == "127.0.0.1");
    CHECK_FALSE(station.scanner_port.has_value());
    CHECK_FALSE(station.orders.has_value());
    CHECK(station.bays[0].controller.port == defaults.port);
    CHECK(station.bays[0].controller.echo_timeout == defaults.echo_timeout);
    CHECK(station.joints[0].retry.attempts == 1);
    CHECK(station.joints[0].placement == Placement::listed);
    CHECK(station.people.overrides[0].people == 2);
    CHECK(station.people.overrides[0].hand_checked_value);
    CHECK_FALSE(station.tools[0].simulated);
}

TEST_CASE("a polled tool's link is lost after three polls at the earliest, and after two seconds") {
    const std::string text = text_of(TAUTGATE_SOURCE_DIR "/config/larkmoor.json");
    const auto limit_at = [&](const std::string& interval) {
        std::string seldom = replaced(text, "\"poll_interval_ms\": 50", "\"poll_interval_ms\": " + interval);
        const auto tool = seldom.find("\"poll_interval_ms\"");
        const std::string given = "\"silence_limit_ms\": 1500, ";
        seldom.erase(seldom.find(given, tool), given.size());
        return read_station(seldom, "larkmoor.json").value().tools[1].silence_limit;
    };
    CHECK(limit_at("50") == std::chrono::milliseconds(2000));
    CHECK(limit_at("1000") == std::chrono::milliseconds(3000));
}

TEST_CASE("the demo station holds what is told of it") {
    const auto station = larkmoor();
    CHECK(station.variants.size() == 5);
    CHECK(station.bays.size() == 1);
    struct Expected {
        std::string joint;
        RiskClass risk;
        std::size_t fasteners;
        Placement placement;
        std::size_t passes;
    };
    const std::vector<Expected> rows{
        {"motor-mounts", RiskClass::a, 4, Placement::listed, 2},
        {"axle-box-caps", RiskClass::a, 8, Placement::listed, 2},
        {"bracket", RiskClass::b, 6, Placement::counted, 1},
    };
    for (const auto& row : rows) {
        INFO(row.joint);
        const auto joint = std::find_if(station.joints.begin(), station.joints.end(),
                                        [&row](const Joint& one) { return one.id == row.joint; });
        REQUIRE(joint != station.joints.end());
        CHECK(joint->risk == row.risk);
        CHECK(joint->fasteners.size() == row.fasteners);
        CHECK(joint->placement == row.placement);
        CHECK(joint->passes.size() == row.passes);
    }
    CHECK(station.joints.back().method == Method::confirmed_check);
    CHECK(station.joints.back().fasteners.size() == 4);
}

TEST_CASE("a number is kept to the digit in which it was written") {
    auto text = text_of(test_folder + "good/smallest.json");
    // The double next to 0.145 lies below it; a limit must not move with it.
    text = replaced(text, "\"min\": 67", "\"min\": 67.000145");
    const auto station = read_station(text, "x.json");
    REQUIRE(station.has_value());
    CHECK(station->joints[0].passes[0].window.torque.min == Torque{67'000'145});
}

TEST_CASE("pounds and feet are converted with the exact factor") {
    auto text = text_of(test_folder + "good/smallest.json");
    text = replaced(text, R"("torque": {"unit": "N.m", "min": 67, "target": 71, "max": 75})",
                    R"("torque": {"unit": "lbf.ft", "min": 50, "max": 55})");
    const auto station = read_station(text, "x.json");
    REQUIRE(station.has_value());
    // 50 lbf.ft x 1.3558179483314004 N.m/lbf.ft = 67.79089741657002 N.m
    CHECK(station->joints[0].passes[0].window.torque.min == Torque{67'790'897});
}

TEST_CASE("a file that is not there, or is a folder, is named with the remedy") {
    const auto missing = load_station_file("/nowhere/station.json");
    REQUIRE(missing.findings.size() == 1);
    CHECK(to_text(missing.findings[0]) ==
          "/nowhere/station.json: there is no such file; give the path of a readable configuration file");
    const auto folder = read_station_file(config_folder);
    REQUIRE_FALSE(folder.has_value());
    CHECK(to_text(folder.error()[0]) ==
          config_folder + ": this is a folder, and no file; give the path of a readable configuration file");
}

TEST_CASE("a file that this user may not read is told with the user and what helps") {
    const auto file =
        std::filesystem::temp_directory_path() / ("tautgate-secret-" + std::to_string(::getpid()));
    std::ofstream(file) << "{}";
    REQUIRE(::chmod(file.c_str(), 0) == 0);
    const bool is_root = ::geteuid() == 0;  // whom no rights stop
    constexpr uid_t nobody = 65'534;
    if (is_root)
        REQUIRE(::seteuid(nobody) == 0);
    const auto text = whole_file(file, 1000);
    const std::string user = this_user();
    if (is_root)
        REQUIRE(::seteuid(0) == 0);
    std::filesystem::remove(file);
    REQUIRE_FALSE(text);
    CHECK(text.error() ==
          "user " + user + " may not read it; see to the rights of the file and of the folders above it");
}

namespace {

// Each value of the text in turn is replaced by one of another kind: by each of `kinds`, or (a long text) by
// the next one in turn. How many of the texts were refused.
std::size_t refused_with_wrong_kinds(const std::string& text, bool each) {
    static const std::vector<std::string> kinds{"null", "[]", "{}", "true", "\"\"", "-1e400", "1e999999999"};
    std::size_t refused = 0;
    std::size_t turn = 0;
    for (std::size_t at = text.find("\": "); at != std::string::npos; at = text.find("\": ", at)) {
        at += 3;
        const auto end = text.find_first_of(",\n}", at);
        for (std::size_t i = 0; i < (each ? kinds.size() : 1); ++i) {
            const auto& kind = kinds[turn++ % kinds.size()];
            refused += load_station(text.substr(0, at) + kind + text.substr(end), "x").station ? 0U : 1U;
        }
    }
    return refused;
}

}  // namespace

TEST_CASE("values of the wrong kind anywhere are errors, never a crash") {
    CHECK(refused_with_wrong_kinds(text_of(config_folder + "examples/every-key.json"), false) > 400);
    CHECK(refused_with_wrong_kinds(text_of(test_folder + "good/smallest.json"), true) > 200);
}

TEST_CASE("a text cut off anywhere is refused with its last line") {
    const auto text = text_of(test_folder + "good/smallest.json");
    const auto end = text.rfind('}');
    for (std::size_t length = 0; length < end; length += 7) {
        const auto station = read_station(text.substr(0, length), "x");
        REQUIRE_FALSE(station.has_value());
        REQUIRE(station.error().size() == 1);
        const auto lines = static_cast<std::size_t>(
            std::count(text.begin(), text.begin() + static_cast<std::ptrdiff_t>(length), '\n'));
        CHECK(station.error()[0].line <= lines + 1);
        CHECK(station.error()[0].line + 1 >= lines);
    }
}
