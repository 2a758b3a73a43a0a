// One tool of a station, played from a capture instead of simulated: it stands where the station's
// description says that the tool is, and says what the tool said. Only for tools that the description calls
// simulated: what was measured then is no measurement of now.
//
// Has a thread of its own; every function may be called from any other thread.
#pragma once

#include <chrono>
#include <expected>
#include <memory>
#include <string>
#include <variant>

#include "config/station.hpp"
#include "protocol/capture.hpp"
#include "tools/simulation/capture_replay.hpp"
#include "tools/simulation/stream_replay.hpp"

namespace tautgate::simulation {

class PlayedTool {
  public:
    // `capture` is of a tool of this station. The error is one sentence.
    [[nodiscard]] static std::expected<PlayedTool, std::string> open(const config::Station& station,
                                                                     const protocol::Capture& capture);

    // In words: "answers at 127.0.0.1:8464", "calls 127.0.0.1:8462".
    [[nodiscard]] const std::string& where() const noexcept { return where_; }
    // Whether everything that was recorded was said.
    [[nodiscard]] bool said_all() const;
    [[nodiscard]] bool await_said_all(std::chrono::milliseconds limit) const;

  private:
    using Player = std::variant<std::unique_ptr<CaptureReplay>, std::unique_ptr<StreamReplay>>;
    PlayedTool(Player player, std::string where) : player_(std::move(player)), where_(std::move(where)) {}
    [[nodiscard]] static std::expected<PlayedTool, std::string> open_polled(const config::Tool& tool,
                                                                            const protocol::Capture& capture);
    [[nodiscard]] static std::expected<PlayedTool, std::string>
    open_caller(const config::Station& station, const config::Tool& tool, const protocol::Capture& capture);
    [[nodiscard]] static std::expected<PlayedTool, std::string> open_framed(const config::Tool& tool,
                                                                            const protocol::Capture& capture);
    Player player_;
    std::string where_;
};

}  // namespace tautgate::simulation
