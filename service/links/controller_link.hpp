// The line to the equipment's controller of one bay: permissives go out, presence, counts and the echo come
// back. In the client role it writes to the controller's registers, in the server role it shows the blocks as
// registers of its own and takes the feedback that the controller writes. PERMISSIVE.md beside the protocol
// defines both blocks; those of a bay stand in a row, in the order in which the station describes its
// permissives.
//
// Simple equipment is spoken to by coils (coil_signals.hpp), in the client role only.
//
// Has a thread of its own. Every function is called on the loop's thread; the sink is called there too.
//
// In doubt it withholds: from the start until the first orders, while the controller's echo is not good, when
// the loop brings no new beat for the echo time-out, and at the end. A release that such a doubt took away
// comes back only by new orders. This is a process permissive, an added reason not to move; it is not a
// safety function.
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/permissive_block.hpp"
#include "service/interlock/event.hpp"
#include "service/interlock/state.hpp"
#include "service/links/backoff.hpp"
#include "service/links/durable_mark.hpp"
#include "service/links/flood.hpp"
#include "service/links/freshness.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::links {

// What the loop wants to stand on the wire for one permissive, by its number. Until everything up to
// `once_durable` is, withheld stands there.
struct PermissiveOrder {
    std::uint16_t permissive = 0;
    protocol::Code code = protocol::Code::withheld;
    std::uint32_t token = 0;   // of the stay, 0: none
    std::uint16_t reason = 0;  // number of the first reason for holding, 0: none
    std::uint16_t moved = 0;   // the controller's count of movements that it takes into account
    domain::EventNumber once_durable = {};
    constexpr bool operator==(const PermissiveOrder&) const = default;
};

// What the station's record knows of a bay when its line comes up.
struct KnownOfBay {
    interlock::ControllerCounts counts;
    std::optional<bool> present;  // whether a unit stood there last
};

struct ControllerPace {
    // How soon a lost controller is called again, or a port that could not be had is tried again.
    Backoff::Limits redial{};
    // How often what it tells of its unit and its movements may change, before it is disbelieved. A unit that
    // comes and goes takes some four changes, on a line every ten seconds or more (common practice, no
    // source).
    Flood::Limit reports{.at_once = 40, .a_second = 2};
    // It is believed again once nothing has changed for so long.
    std::chrono::milliseconds calm_after{10'000};
};

class ControllerLink {
  public:
    using Sink = std::function<void(interlock::Payload)>;

    // `station` and `bay` are only read here. Nothing goes out before start. `known`: of equipment by
    // coils, for which the station counts.
    ControllerLink(boost::asio::io_context& loop, const config::Station& station, const config::Bay& bay,
                   Sink sink, std::shared_ptr<DurableMark> durable, ControllerPace pace = {},
                   const std::optional<KnownOfBay>& known = {});
    // Stops, if nobody did.
    ~ControllerLink();
    ControllerLink(const ControllerLink&) = delete;
    ControllerLink& operator=(const ControllerLink&) = delete;
    ControllerLink(ControllerLink&&) = delete;
    ControllerLink& operator=(ControllerLink&&) = delete;

    // Told of each sign of life, after what came with it was given to the sink: the controller has written
    // that with blocks in hand that did not go out before this time. Before start.
    void on_echo(std::function<void(SteadyTime as_of)> told);

    // Brings the line up, with every permissive withheld. Once.
    void start();

    // The newest orders of the loop; a permissive that they leave out is withheld, without a token. Never
    // blocks. `beat` is the loop's sign of life and advances with every call; what goes out bears a beat of
    // the link's own that goes one up for each beat of the loop that was used, so that a burst of orders, of
    // which only the last matters, is no jump to the controller. A change goes out at once, unless more
    // changes follow each other within a beat interval than the controller can be relied upon to see: then
    // releases wait up to the rest of that interval, never a withhold. Nor does a withhold wait for an answer
    // of the controller that is still to come.
    void publish(std::vector<PermissiveOrder> orders, std::uint16_t beat);
    // It was told, and by somebody else, that nobody saw the unit: the line is lost until it has settled
    // again.
    void lose_sight();

    // What an input of an I/O module at the bay tells, for equipment by coils that does not tell it itself;
    // nothing: it is not known. Never blocks.
    void sensed(const config::IoInput& input, std::optional<bool> level);

    // What was released (or leaving incomplete) by the last block that the controller has confirmed to have
    // received, or may have received since although no answer came.
    [[nodiscard]] std::vector<domain::PermissiveId> released_on_wire() const;

    [[nodiscard]] SourceHealth health() const;

    // Withholds on the wire, closes the line and ends the thread. Takes no longer than three time-outs of a
    // request (each at most 500 ms). Nothing reaches the sink afterwards. More than once is fine.
    void stop();

    // Server role: the port that is listened on, also when the description says 0; otherwise 0. Valid once
    // the line is up.
    [[nodiscard]] std::uint16_t listening_port() const;

  private:
    class Line;
    std::shared_ptr<Line> line_;
};

}  // namespace tautgate::links
