// What a tool of the line protocol says (protocol/LINE.md), line by line, and what it is answered: as the
// station would, but nothing is acknowledged until told otherwise, so that the tool keeps every result for
// the service. One connection, one thread; pure but for the nonce of a challenge.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "protocol/line.hpp"
#include "protocol/line_seal.hpp"
#include "protocol/quantity.hpp"

namespace tautgate::cli {

struct LineSaid {
    std::string raw;
    std::vector<std::string> says;  // what was taken from it, one line each
    std::string fault;              // why it is not understood; empty: it is
    std::string answer;             // a line for the tool; empty: none
    // Values that are nothing the station could use: "torque".
    std::vector<std::string> not_usable = {};
    [[nodiscard]] bool understood() const noexcept { return fault.empty() && not_usable.empty(); }
};

class LineLooker {
  public:
    struct Settings {
        std::string tool;
        protocol::MeasuringRange range;
        bool acknowledges = false;
        std::optional<protocol::SharedKey> key{};  // of a tool whose lines bear a seal
        bool replayed = false;                     // out of a capture: seals are passed over
    };
    explicit LineLooker(Settings settings) : settings_(std::move(settings)) {}

    // Every whole line in what came.
    [[nodiscard]] std::vector<LineSaid> hear(std::string_view bytes);
    // Whether it has said who it is, and has proved it where it has a key.
    [[nodiscard]] bool greeted() const noexcept { return greeted_; }
    // A line for the tool as it goes over the wire: with its seal, where there is one by now.
    [[nodiscard]] std::string sealed(const std::string& line);

  private:
    [[nodiscard]] LineSaid taken(std::string_view line);
    [[nodiscard]] LineSaid taken_opened(std::string_view line);
    [[nodiscard]] LineSaid taken(LineSaid said, const protocol::Hello& hello);
    [[nodiscard]] LineSaid taken(LineSaid said, const protocol::LineResult& result);
    [[nodiscard]] LineSaid challenged(LineSaid said, const protocol::Hello& hello);
    [[nodiscard]] LineSaid proved(LineSaid said);

    Settings settings_;
    bool greeted_ = false;
    bool sealed_lines_ = false;  // from the next line of the tool on
    std::string hello_;
    std::string nonce_;
    std::optional<protocol::LineSeal> seal_;
    protocol::LineSplitter splitter_;
};

[[nodiscard]] std::string said_text(const LineSaid& said);
[[nodiscard]] nlohmann::ordered_json said_json(const LineSaid& said);

}  // namespace tautgate::cli
