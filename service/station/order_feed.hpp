// Brings the order files of a folder (links/order_watch.hpp) to the station's decision, and the decision back
// as the file's answer, which is written only once the orders are durable. A file that was decided but not
// answered, because the service ended in between, is offered again and known by its number and its bytes.
//
// In doubt nothing is answered: the file is offered again, by the next start at the latest. Faults of the
// folder are told and hold no unit back by themselves. Loop thread.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include <boost/asio/steady_timer.hpp>

#include "config/station.hpp"
#include "service/interlock/event.hpp"
#include "service/interlock/state.hpp"
#include "service/links/order_watch.hpp"
#include "service/web/station_port.hpp"

namespace tautgate::station {

class OrderFeed {
  public:
    struct Callbacks {
        std::function<void(interlock::OrdersReceived, web::RecordedCallback)> decide;
        std::function<void(interlock::InputRefused)> misread;  // for the record
        std::function<void(const std::vector<std::string>&)>
            troubles;                                    // all there are now; none: all is well
        std::function<const interlock::State&()> state;  // the newest
    };

    // Of rules that take orders. A relative folder begins at `base`.
    OrderFeed(boost::asio::io_context& loop, const config::Station& rules, const std::filesystem::path& base,
              std::shared_ptr<links::OrderTurns> turns, Callbacks callbacks);
    ~OrderFeed() { stop(); }
    OrderFeed(const OrderFeed&) = delete;
    OrderFeed& operator=(const OrderFeed&) = delete;
    OrderFeed(OrderFeed&&) = delete;
    OrderFeed& operator=(OrderFeed&&) = delete;
    void start();
    void stop();

  private:
    void heard(const links::OrderNotice& notice);
    void offered(const links::OrdersOffered& offered);
    void offer_again(links::OrdersOffered offered);

    Callbacks callbacks_;
    boost::asio::steady_timer again_;
    std::shared_ptr<links::OrderWatch> watch_;  // an answer may come when the feed is gone
};

}  // namespace tautgate::station
