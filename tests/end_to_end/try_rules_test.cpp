// Proposed rules tried on what the built daemon recorded, by the built command line: while the station runs,
// and on its file once it has ended.
#include <array>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <map>
#include <set>

#include <catch2/catch.hpp>
#include <sys/wait.h>

#include "tests/end_to_end/harness.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;

namespace {

const std::string caps = "axle-box-caps";

struct Answer {
    int code = -1;
    std::string words;
};

Answer tautgate_answers(const std::string& arguments) {
    const char* folder = std::getenv("TAUTGATE_BIN");  // NOLINT(concurrency-mt-unsafe)
    REQUIRE(folder != nullptr);
    FILE* pipe = ::popen((std::string(folder) + "/tautgate " + arguments).c_str(), "r");
    REQUIRE(pipe != nullptr);
    Answer answer;
    std::array<char, 4096> part{};
    while (std::fgets(part.data(), part.size(), pipe) != nullptr)
        answer.words += part.data();
    const int status = ::pclose(pipe);
    answer.code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
    return answer;
}

json trial_of(const Plant& plant, const std::filesystem::path& proposal, int code) {
    const auto answer = tautgate_answers("try-rules " + proposal.string() + " --journal " +
                                         plant.journal().string() + " --newest 50 --json");
    INFO(answer.words);
    REQUIRE(answer.code == code);
    return json::parse(answer.words);
}

json description_of(const Plant& plant) {
    std::ifstream file(plant.config_file());
    return json::parse(file, nullptr, true, true);
}

// Final torques of the axle-box caps, by the events of their results.
using Torques = std::map<std::uint64_t, double>;
Torques final_torques(Plant& plant, const std::string& serial) {
    const auto stays =
        plant.await_record(serial, [](const json& stay) { return stay.at("ended").is_string(); });
    REQUIRE(stays.size() == 1);
    Torques torques;
    for (const json& each : stays.front().at("tightenings")) {
        if (each.at("joint") == caps && each.at("pass") == "final" && each.at("verdict") == "ok")
            torques[each.at("event").get<std::uint64_t>()] = std::stod(each.at("torque").get<std::string>());
    }
    REQUIRE(torques.size() == 8);
    return torques;
}

double highest(const Torques& torques) {
    double most = 0;
    for (const auto& [event, torque] : torques)
        most = std::max(most, torque);
    return most;
}

// Which limit leaves some of the units good, and which tightenings lie beyond it.
struct Expected {
    double limit = 0;
    std::map<std::string, std::set<std::uint64_t>> events;  // by unit
};
Expected expected_of(const std::map<std::string, Torques>& units) {
    std::set<double> highest_of_units;
    for (const auto& [serial, torques] : units)
        highest_of_units.insert(highest(torques));
    REQUIRE(highest_of_units.size() > 1);
    Expected expected{.limit = *highest_of_units.begin(), .events = {}};  // exactly on it is inside
    for (const auto& [serial, torques] : units) {
        for (const auto& [event, torque] : torques) {
            if (torque > expected.limit)
                expected.events[serial].insert(event);
        }
    }
    return expected;
}

std::filesystem::path write(const Plant& plant, const std::string& name, const json& description) {
    const auto path = plant.state_folder().parent_path() / name;
    std::ofstream(path) << description.dump(2);
    return path;
}

void lower_caps(json& description, double limit) {
    for (json& joint : description.at("joints")) {
        if (joint.at("id") != caps)
            continue;
        json& torque = joint.at("passes").at(1).at("window").at("torque");
        torque["max"] = limit;
        if (torque.contains("target") && torque.at("target").get<double>() > limit)
            torque["target"] = limit;
    }
}

std::map<std::string, std::set<std::uint64_t>> found_in(const json& trial) {
    std::map<std::string, std::set<std::uint64_t>> found;
    for (const json& unit : trial.at("units")) {
        for (const json& each : unit.at("tightenings")) {
            CHECK(each.at("was").at("taken") == "ok");
            CHECK(each.at("would_be").at("taken") == "not_ok");
            CHECK(each.at("would_be").at("joint") == caps);
            found[unit.at("unit").get<std::string>()].insert(each.at("event").get<std::uint64_t>());
        }
    }
    return found;
}

bool lost_its_release(const json& unit, const std::string& permissive) {
    for (const json& each : unit.at("releases")) {
        if (each.at("permissive") == permissive)
            return each.at("change") == "would_not_have_come" && !each.at("reasons").empty();
    }
    return false;
}

}  // namespace

TEST_CASE("a narrower limit, tried on what the station recorded, finds exactly the units beyond it") {
    Plant plant;
    plant.open_for_work();
    std::map<std::string, Torques> units;
    for (int i = 0; i < 2; ++i) {
        const bool good = plant.shift().good_unit();
        INFO(plant.told());
        REQUIRE(good);
    }
    const bool overridden = plant.shift().bad_joint_overridden();
    INFO(plant.told());
    REQUIRE(overridden);
    for (const char* serial : {"TM000871", "TM000872", "TM000873"})
        units[serial] = final_torques(plant, serial);

    SECTION("the rules of then find no difference, while the station runs") {
        const auto trial = trial_of(plant, plant.config_file(), 0);
        CHECK(trial.at("stays") == 3);
        CHECK(trial.at("results") == 89);  // twice 30, and 29 of which one is a loosening
        CHECK(trial.at("units").empty());
        CHECK(trial.at("stored_otherwise").empty());
        CHECK(trial.at("cannot_be_told").empty());
    }
    SECTION("a narrower one finds the tightenings beyond it and the releases that would not have come") {
        const auto expected = expected_of(units);
        json proposal = description_of(plant);
        lower_caps(proposal, expected.limit);
        plant.stop();
        const auto trial = trial_of(plant, write(plant, "proposal.json", proposal), 1);
        CHECK(found_in(trial) == expected.events);
        for (const json& unit : trial.at("units")) {
            CHECK(lost_its_release(unit, "lift-beam"));
            CHECK(lost_its_release(unit, "carrier"));
            CHECK(unit.at("decisions").empty());
        }
    }
    SECTION("a description with mistakes is tried on nothing") {
        json proposal = description_of(plant);
        lower_caps(proposal, 0.5);
        const auto answer = tautgate_answers("try-rules " + write(plant, "faulty.json", proposal).string() +
                                             " --journal " + plant.journal().string() + " 2>&1");
        CHECK(answer.code == 1);
        CHECK(answer.words.find("nothing was tried") != std::string::npos);
        CHECK(answer.words.find("/joints/") != std::string::npos);
    }
}
