// Why something was held or released, asked afterwards: it is what the station said at the time, over HTTP,
// from the command line and from the journal's file alone.
#include <array>
#include <cstdio>
#include <cstdlib>

#include <catch2/catch.hpp>
#include <sys/wait.h>

#include "tests/end_to_end/harness.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;

namespace {

struct Reply {
    int code = -1;
    std::string words;
};

Reply tautgate_replies(const std::string& arguments) {
    const char* folder = std::getenv("TAUTGATE_BIN");  // NOLINT(concurrency-mt-unsafe)
    REQUIRE(folder != nullptr);
    FILE* pipe = ::popen((std::string(folder) + "/tautgate " + arguments + " 2>&1").c_str(), "r");
    REQUIRE(pipe != nullptr);
    Reply reply;
    std::array<char, 4096> part{};
    while (std::fgets(part.data(), part.size(), pipe) != nullptr)
        reply.words += part.data();
    const int status = ::pclose(pipe);
    reply.code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
    return reply;
}

// What a person was told of each permissive.
json told_of(const json& why) {
    json all = json::array();
    for (const json& permissive : why.at("permissives"))
        all.push_back({permissive.at("id"), permissive.at("decided"), permissive.at("reasons")});
    return all;
}

json got(Plant& plant, const std::string& target) {
    const auto answer = plant.crew().api().get(target);
    REQUIRE(answer);
    INFO(answer->body.dump());
    REQUIRE(answer->good());
    return answer->body;
}
json now(Plant& plant) { return got(plant, "/v1/bays/" + plant.bay() + "/why"); }

json from_file(const Plant& plant, const std::string& words) {
    const auto reply = tautgate_replies("why --json --journal " + plant.journal().string() + " " + words);
    INFO(reply.words);
    REQUIRE((reply.code == 0 || reply.code == 1));
    return json::parse(reply.words);
}

}  // namespace

TEST_CASE("what is asked afterwards about a moment is what the station said in it") {
    Plant plant;
    plant.open_for_work();
    std::vector<json> moments;
    const auto papers = plant.shift().next_papers("MB1");
    const auto step = [&](bool done) {
        INFO(plant.told());
        REQUIRE(done);
        moments.push_back(now(plant));
    };
    step(plant.shift().bring(papers));
    step(plant.shift().tighten("motor-mounts"));
    step(plant.shift().tighten_from("axle-box-caps"));
    step(plant.shift().lift(papers));
    step(plant.shift().leave(papers));
    const auto stays =
        plant.await_record(papers.motor, [](const json& stay) { return stay.at("ended").is_string(); });
    REQUIRE(stays.size() == 1);

    for (const json& moment : moments) {
        const auto event = std::to_string(moment.at("newest_event").get<std::uint64_t>());
        const json then = got(plant, "/v1/past-why?bay=" + plant.bay() + "&event=" + event);
        CHECK(told_of(then) == told_of(moment));
        CHECK(then.at("stored_otherwise").is_null());
        CHECK(then.at("program").get<std::string>().size() > 3);
        for (const json& permissive : then.at("permissives")) {
            if (permissive.at("decided") != "released")
                continue;
            CHECK(permissive.at("decided_by").get<std::uint64_t>() <= moment.at("newest_event"));
            CHECK(permissive.at("rules").get<std::string>().size() == 64);
        }
    }
    // The joints were done and nothing had moved yet.
    const json released = got(plant, "/v1/past-why?serial=" + papers.motor +
                                         "&event=" + moments.at(2).at("newest_event").dump());
    CHECK(released.at("permissives").front().at("decided") == "released");
    CHECK(released.at("occupant").at("unit") == papers.motor);
    CHECK(released.at("occupant").at("plan") == "plan-mb1");
    CHECK_FALSE(released.at("occupant").at("plan_revision").get<std::string>().empty());

    // By the time of that event it is the same; of two with one stamp the later.
    const std::string at = released.at("at").get<std::string>();
    CHECK(told_of(got(plant, "/v1/past-why?serial=" + papers.frame + "&at=" + at)) == told_of(released));

    const auto nobody = plant.crew().api().get("/v1/past-why?serial=NEVER");
    REQUIRE(nobody);
    CHECK(nobody->status == 404);
    const auto unclear = plant.crew().api().get("/v1/past-why?at=yesterday");
    REQUIRE(unclear);
    CHECK(unclear->status == 400);

    const auto said = tautgate_replies("--api http://127.0.0.1:" + std::to_string(plant.station().api.port) +
                                       " why --serial " + papers.motor + " --at " + at);
    CHECK(said.words.find("as it was at event " + released.at("event").dump()) != std::string::npos);

    plant.stop();
    CHECK(from_file(plant, "--serial " + papers.motor + " --event " + released.at("event").dump()) ==
          released);
    CHECK(from_file(plant, "--serial " + papers.motor).at("event") ==
          stays.front().at("ended_by").get<std::uint64_t>() - 1);
    const auto before = tautgate_replies("why --journal " + plant.journal().string() + " --serial " +
                                         papers.motor + " --event 3");
    CHECK(before.code == 1);
    CHECK(before.words.find("was not at the station at event 3") != std::string::npos);
}
