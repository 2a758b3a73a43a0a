// The line to simple equipment by coils with an injector on its wire: the station's side as the daemon has
// it, equipment that obeys the rule, and between them real sockets. Errors are injected one at a time while
// units come and go, are released, withheld and moved; after each the link must come back by itself. One
// thread, that of its loop.
//
// What must hold all the time:
// - where withheld stands at the equipment, no error lets anything move;
// - what was released before it was withheld stands no longer than the time agreed;
// - nothing moves by an alive coil that stood still for that time;
// - what is lost, or late beyond the limit, is noticed.
// An input that came to the station as the equipment never showed it is beyond what is claimed, and counted
// as such: nothing guards it.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include <boost/asio/io_context.hpp>

#include "config/station.hpp"
#include "service/links/controller_link.hpp"
#include "tests/link_errors/coil_dialect.hpp"
#include "tests/link_errors/coil_plc.hpp"
#include "tests/link_errors/injector.hpp"
#include "tests/link_errors/proxy.hpp"
#include "tests/link_errors/tally.hpp"

namespace tautgate::link_errors {

class CoilStand {
  public:
    struct Limits {
        std::chrono::milliseconds echo{120};          // of the station
        std::chrono::milliseconds beat_timeout{120};  // of the equipment
        std::chrono::milliseconds beat{1};            // between two words of the station
        Delays delays{.longest_short = std::chrono::milliseconds(5),
                      .at_least = std::chrono::milliseconds(160),
                      .at_most = std::chrono::milliseconds(200)};
    };

    CoilStand(std::uint64_t seed, Limits limits);

    // A unit stands there and may be moved. False: it did not come to that.
    [[nodiscard]] bool release_to_a_unit();
    void inject(LinkError error);
    // With the line cut: from the cut to the scan in which the equipment withholds, and to the moment in
    // which its line is not good at the station.
    struct Times {
        std::chrono::milliseconds equipment{0};
        std::chrono::milliseconds station{0};
    };
    [[nodiscard]] Times times_to_withhold();
    [[nodiscard]] Tally& tally() noexcept { return tally_; }
    [[nodiscard]] bool until(const std::function<bool()>& wanted);
    [[nodiscard]] interlock::Quality quality() const { return link_->health().quality; }

  private:
    void turn();
    void publish();
    void order(bool release);
    void hear(const interlock::Payload& payload);
    void judge(const CoilAct& act);
    void violate(std::string what);
    [[nodiscard]] bool obeys() const;
    [[nodiscard]] bool settles();
    [[nodiscard]] bool tells_otherwise(const interlock::ControllerReported& reported) const;
    void change_scene();
    void next_unit();
    void count(LinkError error, bool noticed);
    [[nodiscard]] bool must_be_noticed(const Injection& injection) const;

    Limits limits_;
    Dice dice_;
    boost::asio::io_context loop_;
    config::Station station_;
    CoilDialect dialect_;
    Injector injector_;
    std::unique_ptr<CoilPlc> plc_;
    std::unique_ptr<TcpProxy> proxy_;
    std::unique_ptr<links::ControllerLink> link_;
    std::uint16_t loop_beat_ = 0;
    std::uint32_t token_ = 1;
    bool released_ = false;  // by the orders
    std::uint64_t switches_at_order_ = 0;
    std::chrono::steady_clock::time_point withheld_at_{};
    bool present_ = false;  // at the equipment
    interlock::ControllerReported reported_;
    // While an error is injected into a scene that does not change:
    std::optional<interlock::ControllerReported> scene_;
    bool heard_otherwise_ = false;
    std::uint64_t asked_ = 0;  // frames that came to the proxy
    std::uint64_t answered_ = 0;
    std::uint64_t not_good_ = 0;
    Tally tally_;
};

}  // namespace tautgate::link_errors
