// The line protocol with an injector on its wire: the station's tool port, and the simulated tool that calls
// it, which keeps every result until it is acknowledged. Errors are injected one at a time; after each the
// next result must come by itself. One thread.
//
// What must hold all the time: under a count comes the result that the tool made under it, or a repetition of
// it; none is missing for good; and none comes under another tool or epoch. Without a key a line that
// corruption made into another good line is beyond what is claimed, and counted as such; with one nothing is.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include <boost/asio/io_context.hpp>

#include "config/station.hpp"
#include "service/links/tool_port.hpp"
#include "tests/link_errors/injector.hpp"
#include "tests/link_errors/line_dialect.hpp"
#include "tests/link_errors/proxy.hpp"
#include "tests/link_errors/tally.hpp"
#include "tools/simulation/line_tool.hpp"

namespace tautgate::link_errors {

enum class Seals : std::uint8_t { none, keyed };

class LineStand {
  public:
    LineStand(std::uint64_t seed, Seals seals);
    ~LineStand();
    LineStand(const LineStand&) = delete;
    LineStand& operator=(const LineStand&) = delete;
    LineStand(LineStand&&) = delete;
    LineStand& operator=(LineStand&&) = delete;

    [[nodiscard]] bool next_result();
    void inject(LinkError error);
    // A corruption was taken for a good line: from here on the two sides may tell different stories.
    [[nodiscard]] bool is_spent() const noexcept { return spent_; }
    [[nodiscard]] std::chrono::milliseconds time_to_notice();
    [[nodiscard]] Tally& tally() noexcept { return tally_; }
    [[nodiscard]] static std::chrono::milliseconds silence_limit() noexcept;

  private:
    [[nodiscard]] std::filesystem::path write_key() const;
    [[nodiscard]] bool until(const std::function<bool()>& wanted);
    void hear(const interlock::Payload& payload);
    void hear(const interlock::ResultReceived& result);
    void differ(std::string what);
    void report();
    [[nodiscard]] bool all_came() const;
    [[nodiscard]] std::uint64_t told() const;

    Dice dice_;
    Seals seals_;
    std::filesystem::path keys_;  // empty without one
    boost::asio::io_context loop_;
    config::Station station_;
    LineDialect dialect_;
    Injector injector_;
    std::unique_ptr<links::ToolPort> port_;
    std::unique_ptr<TcpProxy> wire_;
    std::unique_ptr<simulation::LineTool> tool_;
    std::vector<protocol::WrittenResult> reported_;  // the first has the count 1
    std::map<std::uint64_t, protocol::Reading> received_;
    std::uint64_t stored_ = 0;  // of them without a gap
    std::uint64_t events_ = 0;  // that tell of something wrong
    std::uint64_t repeats_ = 0;
    bool good_ = false;
    bool corrupting_ = false;
    bool spent_ = false;
    std::chrono::steady_clock::time_point heard_at_{};
    Tally tally_;
};

}  // namespace tautgate::link_errors
