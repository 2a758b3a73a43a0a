// What a tool of the line protocol says (protocol/LINE.md), line by line, and what it is answered: as the
// station would, but nothing is acknowledged until told otherwise, so that the tool keeps every result for
// the service. Pure; one connection, one thread.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "protocol/line.hpp"
#include "protocol/quantity.hpp"

namespace tautgate::cli {

struct LineSaid {
    std::string raw;
    std::vector<std::string> says;  // what was taken from it, one line each
    std::string fault;              // why it is not understood; empty: it is
    std::string answer;             // a line for the tool; empty: none
};

class LineLooker {
  public:
    LineLooker(std::string tool, protocol::MeasuringRange range, bool acknowledges)
        : tool_(std::move(tool)), range_(range), acknowledges_(acknowledges) {}

    // Every whole line in what came.
    [[nodiscard]] std::vector<LineSaid> hear(std::string_view bytes);

  private:
    [[nodiscard]] LineSaid taken(std::string_view line);
    [[nodiscard]] LineSaid taken(LineSaid said, const protocol::Hello& hello);
    [[nodiscard]] LineSaid taken(LineSaid said, const protocol::LineResult& result);

    std::string tool_;
    protocol::MeasuringRange range_;
    bool acknowledges_;
    bool greeted_ = false;
    protocol::LineSplitter splitter_;
};

[[nodiscard]] std::string said_text(const LineSaid& said);
[[nodiscard]] nlohmann::ordered_json said_json(const LineSaid& said);

}  // namespace tautgate::cli
