// Watches the order folder on a thread of its own, so that no disk, and no file system across the network, is
// ever waited for by the loop: values go in, values come out. What it finds is told on the loop's thread; the
// decision comes back by answer(), once it is safely on record.
//
// In doubt nothing is told: a file that is not whole, or cannot be read, stays where it is and is named among
// the troubles; so is a folder that does not answer. The thread yields to everything else in the process. It
// is left alone when the watch stops, since a folder that does not answer may hold it for as long as it
// likes: it owns what it uses, changes nothing in the folder any more, and never touches the loop again.
#pragma once

#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <functional>
#include <memory>
#include <mutex>
#include <set>
#include <stop_token>
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

// Something of the folder that whoever looks after the station should know; told once.
struct OrderFolderRemark {
    std::string sentence;
    bool operator==(const OrderFolderRemark&) const = default;
};

using OrderNotice = std::variant<OrdersOffered, OrdersMisread, OrderFolderTroubles, OrderFolderRemark>;

// One thread looks at a folder at a time: whoever watches it next waits for the look in hand of the one
// before, however long the folder keeps it. Shared by the watches of a station; any thread.
class OrderTurns {
  public:
    // False: stopped before the folder was free.
    [[nodiscard]] bool take(const std::string& folder, const std::stop_token& stop);
    void give_back(const std::string& folder);
    [[nodiscard]] bool is_free(const std::string& folder) const;

  private:
    mutable std::mutex mutex_;
    std::condition_variable_any given_back_;
    std::set<std::string> taken_;
};

struct OrderWatchSettings {
    std::chrono::milliseconds look_interval{500};
    std::chrono::milliseconds silence_told{5000};  // a look that takes so long is a trouble
};

class OrderWatch {
  public:
    using Sink = std::function<void(OrderNotice)>;

    // Nothing is looked at before start. The loop outlives the watch.
    OrderWatch(boost::asio::io_context& loop, OrderFolder folder, Sink sink,
               std::shared_ptr<OrderTurns> turns, OrderWatchSettings settings = {});
    // Stops, if nobody did.
    ~OrderWatch();
    OrderWatch(const OrderWatch&) = delete;
    OrderWatch& operator=(const OrderWatch&) = delete;
    OrderWatch(OrderWatch&&) = delete;
    OrderWatch& operator=(OrderWatch&&) = delete;

    // Once. The sink is called on the loop's thread, never from within a function of this class.
    void start();
    // Of the orders offered last, once. Loop's thread; never waits for the folder.
    void answer(std::uint64_t number, protocol::OrderAnswer answer);
    // Waits for nothing. An answer that is not written yet is asked for again by the next start. Nothing
    // reaches the sink afterwards. More than once is fine. Loop's thread.
    void stop();

  private:
    class Watcher;
    class Lookout;
    std::shared_ptr<Watcher> watcher_;
    std::shared_ptr<Lookout> lookout_;
};

}  // namespace tautgate::links
