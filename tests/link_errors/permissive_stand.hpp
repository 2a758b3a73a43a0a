// The permissive link with an injector on its wire: the station's side as the daemon has it, a PLC that obeys
// the rule, and between them real sockets. Errors are injected one at a time while units come and go, are
// released, withheld and moved; after each the link must come back by itself. One thread, that of its loop.
//
// What must hold all the time:
// - the PLC moves on nothing but a block that the station really sent, under that very beat, for a stay that
// was
//   released, and never on one that it accepted longer ago than the time agreed;
// - what the station hears of the PLC is what the PLC said at some time, never anything else;
// - a block that was spoilt is found bad where the PLC is given it.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <set>
#include <string>
#include <vector>

#include <boost/asio/io_context.hpp>

#include "config/station.hpp"
#include "service/links/controller_link.hpp"
#include "tests/link_errors/injector.hpp"
#include "tests/link_errors/modbus_dialect.hpp"
#include "tests/link_errors/permissive_plc.hpp"
#include "tests/link_errors/proxy.hpp"
#include "tests/link_errors/tally.hpp"

namespace tautgate::link_errors {

class PermissiveStand {
  public:
    struct Limits {
        std::chrono::milliseconds echo{60};  // of the station, and the time agreed at the PLC
        std::chrono::milliseconds beat{1};   // between two words of the station
        Delays delays{.longest_short = std::chrono::milliseconds(5),
                      .at_least = std::chrono::milliseconds(90),
                      .at_most = std::chrono::milliseconds(130)};
    };

    // `role` is the station's.
    PermissiveStand(config::WireRole role, std::uint64_t seed, Limits limits);

    // A unit stands there with its token taken, and is released. False: it did not come to that.
    [[nodiscard]] bool release_to_a_unit();
    void inject(LinkError error);
    // From the last block that the PLC was given whole to the scan in which it withholds, with the line cut.
    [[nodiscard]] std::chrono::milliseconds time_to_withhold();
    [[nodiscard]] Tally& tally() noexcept { return tally_; }
    [[nodiscard]] interlock::Quality quality() const { return link_->health().quality; }
    [[nodiscard]] bool until(const std::function<bool()>& wanted);

  private:
    struct Given {
        std::uint64_t number = 0;
        protocol::PermissiveBlock block;
    };
    [[nodiscard]] std::uint16_t open_link();
    void turn();
    void publish();
    void order(protocol::Code code);
    void see(Way way, const Bytes& frame);
    void hear(const interlock::Payload& payload);
    void judge(const Act& act);
    void violate(std::string what);
    [[nodiscard]] bool obeys() const;
    struct Passed {
        std::uint64_t asked = 0;
        std::uint64_t answered = 0;
    };
    [[nodiscard]] bool obeys_again(const Passed& since) const;
    void change_scene();
    void next_unit();
    [[nodiscard]] bool must_be_found(const Injection& injection) const;
    [[nodiscard]] bool must_fail(const Injection& injection) const;

    Limits limits_;
    Dice dice_;
    boost::asio::io_context loop_;
    config::Station station_;
    PermissiveDialect dialect_{{true, false}};  // as the station has it
    Injector injector_;
    std::unique_ptr<Plc> plc_;
    std::unique_ptr<PlcAsServer> server_;
    std::unique_ptr<TcpProxy> proxy_;
    std::unique_ptr<links::ControllerLink> link_;
    std::unique_ptr<PlcAsMaster> master_;
    std::vector<links::PermissiveOrder> orders_;
    std::uint16_t loop_beat_ = 0;
    std::uint32_t token_ = 0;
    protocol::Code ordered_ = protocol::Code::withheld;
    std::chrono::steady_clock::time_point withheld_at_{};
    std::set<std::pair<std::uint32_t, protocol::Code>> ever_ordered_;
    std::deque<Given> given_;  // newest last
    std::uint64_t given_ever_ = 0;
    std::array<std::uint64_t, plc_points> accepted_{};  // number of the newest that the PLC accepted
    std::uint64_t asked_ = 0;                           // frames that came to the proxy
    std::uint64_t answered_ = 0;
    std::uint64_t not_good_ = 0;
    std::uint64_t other_echoes_ = 0;
    std::uint64_t units_ = 0;
    Tally tally_;
};

}  // namespace tautgate::link_errors
