// What the tests of bad input share: peers that say what no device should, and questions about what came of
// it.
//
// One thread.
#pragma once

#include <catch2/catch.hpp>

#include <algorithm>
#include <sstream>
#include <string>
#include <vector>

#include "tests/end_to_end/reason_stand.hpp"
#include "tests/standards/links/raw_peer.hpp"

namespace tautgate::end_to_end {

// A peer that says what the test says, and keeps what it is told.
class Stranger {
  public:
    explicit Stranger(std::uint16_t port) : wire_(tests::RawPeer::connect(port)) {}
    void say(const std::string& text) const { wire_.send({text.begin(), text.end()}); }
    // All that was said to it until `part` is in it; else until the connection ended or patience did.
    const std::string& hear(const std::string& part) {
        const auto until = std::chrono::steady_clock::now() + patience;
        while (heard_.find(part) == std::string::npos && std::chrono::steady_clock::now() < until) {
            const auto more = wire_.take_within(200);
            if (more && more->empty())
                break;
            if (more)
                heard_.append(more->begin(), more->end());
        }
        return heard_;
    }
    [[nodiscard]] bool is_hung_up() {
        const auto until = std::chrono::steady_clock::now() + patience;
        while (std::chrono::steady_clock::now() < until) {
            const auto more = wire_.take_within(200);
            if (more && more->empty())
                return true;
        }
        return false;
    }

  private:
    tests::RawPeer wire_;
    std::string heard_;
};

inline bool says(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

class InputStand : public Stand {
  public:
    using Stand::Stand;

    // Events of a kind that the journal has, as the API tells them.
    std::vector<nlohmann::json> events(const std::string& kind) {
        std::vector<nlohmann::json> found;
        std::uint64_t from = 1;
        while (true) {
            const auto answer = plant().crew().api().get("/v1/events?from=" + std::to_string(from));
            if (!answer || !answer->good())
                give_up("the events cannot be read");
            const auto lines = lines_of(answer->body);
            if (lines.empty())
                return found;
            for (const auto& line : lines) {
                from = line.at("number").get<std::uint64_t>() + 1;
                if (line.at("body").at("event").at("payload").contains(kind))
                    found.push_back(line);
            }
        }
    }
    bool await_event(const std::string& kind, const std::string& part) {
        return await([&] {
            return std::ranges::any_of(events(kind),
                                       [&](const nlohmann::json& event) { return says(event.dump(), part); });
        });
    }
    // Of the unit in the bay, everything decided so far included.
    nlohmann::json tightenings() {
        std::uint64_t decided = 0;
        need(await([&] {
                 const auto why = plant().crew().api().get("/v1/bays/" + plant().bay() + "/why");
                 if (!why || !why->good())
                     return false;
                 if (decided == 0)
                     decided = why->body.at("newest_event").get<std::uint64_t>();
                 return why->body.at("durable_event").get<std::uint64_t>() >= decided;
             }),
             "what was decided does not become durable");
        const auto record = plant().crew().unit(papers().motor);
        if (!record)
            give_up(record.error());
        return record->at("stays").back().at("tightenings");
    }
    // The daemon runs, answers, and the unit in the bay is held by exactly these.
    void goes_on(const std::vector<std::string>& wanted) {
        static_cast<void>(await([&] { return codes("lift-beam") == wanted; }));
        CHECK(codes("lift-beam") == wanted);
        CHECK(controller().await_movement("lift-beam", protocol::Movement::refused, patience));
        CHECK(controller().try_move("lift-beam") == protocol::Movement::refused);
        CHECK(plant().daemon().running());
    }

  private:
    // One line is an object, several are one text.
    static std::vector<nlohmann::json> lines_of(const nlohmann::json& body) {
        if (body.is_object())
            return {body};
        std::vector<nlohmann::json> lines;
        std::istringstream text{body.is_string() ? body.get<std::string>() : std::string()};
        for (std::string line; std::getline(text, line);)
            lines.push_back(nlohmann::json::parse(line));
        return lines;
    }
};

inline nlohmann::json reason_of(const Stand& stand, const std::string& code) {
    const auto reasons = stand.reasons("lift-beam");
    const auto found = std::ranges::find_if(
        reasons, [&](const nlohmann::json& reason) { return reason.at("code") == code; });
    REQUIRE(found != reasons.end());
    return *found;
}

inline protocol::WrittenResult good_snug() {
    protocol::WrittenResult result;
    result.program = "M20-snug";
    result.torque = {"150", "N.m"};
    result.angle = {"12", "deg"};
    result.verdict = protocol::ToolVerdict::ok;
    return result;
}

inline std::string line_of(const nlohmann::json& message) { return message.dump() + "\n"; }

}  // namespace tautgate::end_to_end
