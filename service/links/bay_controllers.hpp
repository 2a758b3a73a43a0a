// The lines to all controllers of one bay. A bay with one has its ControllerLink, and what that says is told
// as it is; where there are further ones, a ControllerSet puts together what they say. Each permissive's
// order goes to the controller that carries it.
//
// Every function is called on the loop's thread; the sink is called there too. In doubt it withholds, as each
// of the lines does; and the loss of any of them is the loss of the bay's link, so that all permissives of
// the bay are withheld.
#pragma once

#include <chrono>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "config/controllers.hpp"
#include "config/station.hpp"
#include "service/links/controller_link.hpp"
#include "service/links/controller_set.hpp"
#include "service/links/sight_gate.hpp"

namespace tautgate::links {

class BayControllers {
  public:
    // As for a ControllerLink.
    BayControllers(boost::asio::io_context& loop, const config::Station& station, const config::Bay& bay,
                   ControllerLink::Sink sink, std::shared_ptr<DurableMark> durable, ControllerPace pace = {},
                   const std::optional<KnownOfBay>& known = {});
    // Stops, if nobody did.
    ~BayControllers();
    BayControllers(const BayControllers&) = delete;
    BayControllers& operator=(const BayControllers&) = delete;
    BayControllers(BayControllers&&) = delete;
    BayControllers& operator=(BayControllers&&) = delete;

    void start();
    void publish(std::vector<PermissiveOrder> orders, std::uint16_t beat);
    void sensed(const config::IoInput& input, std::optional<bool> level);
    [[nodiscard]] std::vector<domain::PermissiveId> released_on_wire() const;
    // The main one first, by the bay's id; then the further ones by their own.
    [[nodiscard]] std::vector<SourceHealth> health() const;
    // How long ago the one was heard that was not heard for longest, and whether that is longer than one of
    // them may be silent.
    [[nodiscard]] SightGate::Sight sight() const;
    // It was told that nobody saw the unit: each line is lost until it has settled again.
    void lose_sight();
    void stop();
    // Of the line with this place, the main one's first.
    [[nodiscard]] std::uint16_t listening_port(std::size_t place = 0) const;

  private:
    struct Line {
        std::string id;                      // empty: the main one
        std::vector<std::uint16_t> numbers;  // of its permissives
        std::chrono::milliseconds silence;   // for so long it may be silent
        std::unique_ptr<ControllerLink> link;
    };
    // `described`: the bay with this controller only.
    void add(const config::BayController& controller, const config::Station& described,
             const std::shared_ptr<DurableMark>& durable, ControllerPace pace);
    void taken(std::size_t place, interlock::Payload payload);
    void tell(ControllerSet::Told told);

    ControllerLink::Sink sink_;
    boost::asio::io_context& loop_;
    std::optional<ControllerSet> set_;  // nothing: there is one controller
    std::vector<Line> lines_;
    // What a turn of the loop found out reaches the sink in another one, unless the lines were stopped.
    std::shared_ptr<bool> open_ = std::make_shared<bool>(true);
};

}  // namespace tautgate::links
