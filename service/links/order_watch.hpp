// Watches the order folder on a thread of its own, so that no disk, and no file system across the network, is
// ever waited for by the loop: values go in, values come out. What it finds is told on the loop's thread; the
// decision comes back by answer(), once it is safely on record.
//
// In doubt nothing is told: a file that is not whole, or cannot be read, stays where it is and is named among
// the troubles. The thread yields to everything else in the process.
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <variant>
#include <vector>

#include "service/links/order_folder.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::links {

// What is amiss with the folder, one sentence each with a remedy; told when it changes. Empty: all is well.
struct OrderFolderTroubles {
    std::vector<std::string> sentences;
    bool operator==(const OrderFolderTroubles&) const = default;
};

using OrderNotice = std::variant<OrdersOffered, OrdersMisread, OrderFolderTroubles>;

class OrderWatch {
  public:
    using Sink = std::function<void(OrderNotice)>;

    // Nothing is looked at before start. The loop outlives the watch.
    OrderWatch(boost::asio::io_context& loop, OrderFolder folder, Sink sink,
               std::chrono::milliseconds look_interval = std::chrono::milliseconds(500));
    // Stops, if nobody did.
    ~OrderWatch();
    OrderWatch(const OrderWatch&) = delete;
    OrderWatch& operator=(const OrderWatch&) = delete;
    OrderWatch(OrderWatch&&) = delete;
    OrderWatch& operator=(OrderWatch&&) = delete;

    // Once. The sink is called on the loop's thread, never from within a function of this class.
    void start();
    // Of the orders offered last, once. Loop's thread; never blocks.
    void answer(std::uint64_t number, protocol::OrderAnswer answer);
    // Waits for the look in hand, at most. An answer that is not written yet is asked for again by the next
    // start. Nothing reaches the sink afterwards. More than once is fine.
    void stop();

  private:
    class Watcher;
    std::shared_ptr<Watcher> watcher_;
};

}  // namespace tautgate::links
