// The clients of scanner port and API, against peers that the test plays by hand.
#include <catch2/catch.hpp>

#include <functional>
#include <string>
#include <thread>

#include "service/people/credential.hpp"
#include "tests/unit/tools/peers.hpp"
#include "tools/simulation/clients.hpp"
#include "tools/simulation/crew.hpp"
#include "tools/simulation/story.hpp"

using namespace tautgate::simulation;
using namespace tautgate::simulation::testing;

namespace {

constexpr std::chrono::milliseconds short_limit{300};

// Answers one request with these bytes and gives back what was asked.
std::string asked_when_answered(const std::string& bytes, const std::function<void(const ApiClient&)>& ask) {
    RawPeer peer;
    std::string request;
    std::thread server{[&] {
        peer.accept_one();
        request = peer.read_until("}");
        peer.write(bytes);
        peer.hang_up();
    }};
    ask(ApiClient{"127.0.0.1", peer.port()});
    server.join();
    return request;
}

}  // namespace

TEST_CASE("a scan is the label and an end of line, and the scanner calls again after it was cut off") {
    RawPeer station;
    Scanner scanner{"127.0.0.1", station.port()};
    REQUIRE(scanner.scan("D LT26-0417 MB3 TM000871"));
    station.accept_one();
    CHECK(station.read_until("\n") == "D LT26-0417 MB3 TM000871\r\n");
    station.hang_up();
    REQUIRE(scanner.scan("F LT26-0417 FR1 BF001203"));
    station.accept_one();
    CHECK(station.read_until("\n") == "F LT26-0417 FR1 BF001203\r\n");
}

TEST_CASE("a scanner without a station says so in words") {
    std::uint16_t port = 0;
    {
        const RawPeer gone;
        port = gone.port();
    }
    Scanner scanner{"127.0.0.1", port};
    const auto failed = scanner.scan("D");
    REQUIRE_FALSE(failed);
    CHECK(failed.error().find("cannot reach 127.0.0.1") != std::string::npos);
}

TEST_CASE("a call carries the session, the second session and JSON, and gives status and content") {
    const auto request = asked_when_answered(
        "HTTP/1.1 202 Accepted\r\nContent-Type: application/json\r\nContent-Length: "
        "14\r\n\r\n{\"proposal\":7}",
        [](const ApiClient& api) {
            const auto answer = api.post("/v1/bays/J1/decisions", {{"seen", 41}}, {"first", "second"});
            REQUIRE(answer);
            CHECK(answer->status == 202);
            CHECK(answer->good());
            CHECK(answer->body.at("proposal") == 7);
        });
    CHECK(request.starts_with("POST /v1/bays/J1/decisions HTTP/1.1\r\n"));
    CHECK(request.find("Authorization: Bearer first\r\n") != std::string::npos);
    CHECK(request.find("Second-Session: second\r\n") != std::string::npos);
    CHECK(request.find("Content-Type: application/json\r\n") != std::string::npos);
    CHECK(request.ends_with("{\"seen\":41}"));
}

TEST_CASE("an answer of refusal is an answer, and its words can be told") {
    const std::string body =
        R"({"error":{"what":"nothing was changed","why":"no session","remedy":"sign in"}})";
    asked_when_answered("HTTP/1.1 401 Unauthorized\r\nContent-Length: " + std::to_string(body.size()) +
                            "\r\n\r\n" + body,
                        [](const ApiClient& api) {
                            const auto answer = api.post("/v1/sign-out", nlohmann::json::object());
                            REQUIRE(answer);
                            CHECK_FALSE(answer->good());
                            CHECK(words_of(*answer) == "401 nothing was changed: no session (sign in)");
                        });
}

TEST_CASE("a station that does not answer ends the call at its limit, and half an answer is none") {
    RawPeer silent;
    const auto late = ApiClient{"127.0.0.1", silent.port(), short_limit}.get("/v1/station");
    REQUIRE_FALSE(late);
    CHECK(late.error().find("waiting for the answer") != std::string::npos);

    asked_when_answered("HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\n{", [](const ApiClient& api) {
        CHECK_FALSE(api.post("/v1/sign-out", nlohmann::json::object()));
    });
}

TEST_CASE("people who were never enrolled do not try to sign in, and say where they are") {
    const RawPeer silent;
    Crew crew{ApiClient{"127.0.0.1", silent.port(), short_limit}};
    const auto began = std::chrono::steady_clock::now();
    const auto done = crew.sign_in();
    REQUIRE_FALSE(done);
    CHECK(done.error() ==
          "Mara Quillen and the other people of the simulator are not enrolled at this station; its "
          "stories and its confirm work under tools/demo only; confirm with tautgate confirm STEP "
          "--as BADGE");
    CHECK(std::chrono::steady_clock::now() - began < short_limit);  // nobody was asked
}

TEST_CASE("a variant that the station does not know is answered with those that it does") {
    tautgate::config::Station station;
    station.variants = {{.id = "MB1", .name = "", .plan = "p1", .types = {}},
                        {.id = "MB2", .name = "", .plan = "p2", .types = {}}};
    CHECK(*plan_of(station, "MB2") == "p2");
    CHECK(plan_of(station, "MB9").error() == "the station knows no variant 'MB9'; give one of MB1, MB2");
}

TEST_CASE("no secret that is drawn for the simulator's people is one that the station refuses") {
    std::size_t refused = 0;
    for (int i = 0; i < 10000; ++i) {
        const Crew crew{ApiClient{"127.0.0.1", 1, short_limit}};
        for (const auto& member : crew.members())
            refused += tautgate::people::weakness(tautgate::people::Secret(std::string(member.pin))) ? 1 : 0;
    }
    CHECK(refused == 0);
}
