// The link to a polled tool with an injector on its wire: the simulated tool in registers, over TCP or a
// serial line, which shows one result after the other and keeps each until it is acknowledged. Its profile
// has the whole block read a second time. Errors are injected one at a time; after each the next result must
// come by itself. One thread.
//
// What must hold all the time: the results come in the order of their count, each once, and each with the
// values that the tool gave it.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include <boost/asio/io_context.hpp>

#include "config/station.hpp"
#include "service/links/register_tool.hpp"
#include "service/links/serial_bus.hpp"
#include "tests/link_errors/injector.hpp"
#include "tests/link_errors/modbus_dialect.hpp"
#include "tests/link_errors/proxy.hpp"
#include "tests/link_errors/tally.hpp"
#include "tools/simulation/register_tool.hpp"

namespace tautgate::link_errors {

class PolledStand {
  public:
    PolledStand(Transport transport, std::uint64_t seed);

    // A result comes through.
    [[nodiscard]] bool next_result();
    void inject(LinkError error);
    // From the last answer that went through to the event that the tool is stale or failed, with the line
    // cut.
    [[nodiscard]] std::chrono::milliseconds time_to_notice();
    [[nodiscard]] Tally& tally() noexcept { return tally_; }
    [[nodiscard]] const config::Tool& tool() const noexcept { return station_.tools.front(); }

  private:
    [[nodiscard]] bool until(const std::function<bool()>& wanted);
    void hear(const interlock::Payload& payload);
    void hear(const interlock::ResultReceived& result);
    void violate(std::string what);
    void report();
    [[nodiscard]] bool all_came() const;
    struct Told {
        std::uint64_t polls_not_good = 0;
        std::uint64_t events = 0;
        std::uint64_t calls = 0;
        bool operator==(const Told&) const = default;
    };
    [[nodiscard]] Told told() const;

    Dice dice_;
    boost::asio::io_context loop_;
    config::Station station_;
    PolledDialect dialect_;
    Injector injector_;
    std::unique_ptr<simulation::RegisterTool> device_;
    std::unique_ptr<TcpProxy> wire_;
    std::unique_ptr<SerialProxy> cable_;
    std::unique_ptr<links::RegisterTool> link_;
    std::vector<protocol::WrittenResult> reported_;  // the first has the count 1
    std::uint64_t received_ = 0;
    std::uint64_t events_ = 0;  // that tell of something wrong
    bool good_ = false;
    std::chrono::steady_clock::time_point answered_at_{};
    Tally tally_;
};

}  // namespace tautgate::link_errors
