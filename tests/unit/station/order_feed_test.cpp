// Files of the order folder become events, and decisions become answers.
#include "service/station/order_feed.hpp"

#include <filesystem>
#include <fstream>
#include <iterator>
#include <optional>

#include <boost/asio/io_context.hpp>
#include <catch2/catch.hpp>
#include <unistd.h>

using namespace tautgate;
using namespace std::chrono_literals;
using station::OrderFeed;

namespace {

namespace fs = std::filesystem;

class Bench {
  public:
    Bench() {
        rules.pair.ticket_kinds = {"D", "F"};
        rules.orders.emplace();
        rules.orders->folder = "orders";
        rules.orders->still_for = 1ms;
        fs::create_directories(folder());
    }
    ~Bench() { fs::remove_all(base_); }
    Bench(const Bench&) = delete;
    Bench& operator=(const Bench&) = delete;
    Bench(Bench&&) = delete;
    Bench& operator=(Bench&&) = delete;

    [[nodiscard]] fs::path folder() const { return base_ / "orders"; }

    void start() {
        feed.emplace(
            loop, rules, base_, turns,
            OrderFeed::Callbacks{[this](interlock::OrdersReceived received, web::RecordedCallback done) {
                                     offered = std::move(received);
                                     answer = std::move(done);
                                 },
                                 [this](interlock::InputRefused refused) { misread = std::move(refused); },
                                 [this](const std::vector<std::string>& sentences) { troubles = sentences; },
                                 [this]() -> const interlock::State& { return state; }});
        feed->start();
    }
    void put(const std::string& name, const std::string& text) const {
        std::ofstream(folder() / ("." + name)) << text;
        fs::rename(folder() / ("." + name), folder() / name);
    }
    template <class Condition>
    void until(Condition condition) {
        const auto limit = std::chrono::steady_clock::now() + 20s;
        while (!condition() && std::chrono::steady_clock::now() < limit) {
            loop.restart();
            loop.run_for(10ms);
        }
        REQUIRE(condition());
    }
    [[nodiscard]] std::optional<std::string> answered(const std::string& name) const {
        std::ifstream in(folder() / "answers" / name);
        if (!in)
            return std::nullopt;
        return std::string(std::istreambuf_iterator<char>(in), {});
    }
    void decided(interlock::Outcome outcome) {
        REQUIRE(answer);
        std::exchange(answer, {})(web::Recorded{{7}, std::move(outcome)});
    }

    config::Station rules;
    interlock::State state;
    std::shared_ptr<links::OrderTurns> turns = std::make_shared<links::OrderTurns>();
    boost::asio::io_context loop;
    std::optional<OrderFeed> feed;
    std::optional<interlock::OrdersReceived> offered;
    web::RecordedCallback answer;
    std::optional<interlock::InputRefused> misread;
    std::vector<std::string> troubles;

  private:
    fs::path base_ = fs::temp_directory_path() / ("order-feed-" + std::to_string(::getpid()));
};

const std::string monday = "action,order,variant\r\nadd,40017,express\r\n";

}  // namespace

TEST_CASE("a file is offered with its number and its digest, and answered once it is decided") {
    Bench bench;
    bench.put("monday.csv", monday);
    bench.start();
    bench.until([&] { return bench.offered.has_value(); });
    CHECK(bench.offered->number == 1);
    CHECK(bench.offered->name == "monday.csv");
    // By `printf 'action,order,variant\r\nadd,40017,express\r\n' | sha256sum` of GNU coreutils.
    CHECK(bench.offered->sha256 == "fb2149dde8c05f6dc948eba835258396a0636ad802e1cab80a3fd1b5d09cc2af");
    REQUIRE(bench.offered->orders.size() == 1);
    CHECK(bench.offered->orders.front().order == "40017");
    CHECK_FALSE(bench.answered("000001.monday.accepted.csv"));
    bench.decided(interlock::OrdersTaken{});
    bench.until([&] { return bench.answered("000001.monday.accepted.csv").has_value(); });
    CHECK(bench.answered("000001.monday.accepted.csv")
              ->ends_with("2,\"order 40017 is added, variant express\"\r\n"));
}

TEST_CASE("what the core refuses is answered with its lines") {
    Bench bench;
    bench.put("monday.csv", monday);
    bench.start();
    bench.until([&] { return bench.offered.has_value(); });
    bench.decided(interlock::OrdersRefused{{{2, "order 40017 is built already", "leave it out"}}});
    bench.until([&] { return bench.answered("000001.monday.rejected.csv").has_value(); });
    CHECK(bench.answered("000001.monday.rejected.csv")
              ->ends_with("2,order 40017 is built already; leave it out\r\n"));
}

TEST_CASE("a service that ends before the answer offers the same file again, and answers it as decided") {
    Bench bench;
    bench.put("monday.csv", monday);
    bench.start();
    bench.until([&] { return bench.offered.has_value(); });
    const auto first = *bench.offered;
    bench.feed.reset();
    bench.decided(interlock::OrdersTaken{});  // durable, but nobody is left to answer
    bench.offered.reset();
    bench.start();
    bench.until([&] { return bench.offered.has_value(); });
    CHECK(*bench.offered == first);
    // In between somebody else cancelled it.
    bench.state.closed_orders.push_back({.number = "40017"});
    bench.decided(interlock::Repeated{});
    bench.until([&] { return bench.answered("000001.monday.accepted.csv").has_value(); });
    CHECK(bench.answered("000001.monday.accepted.csv")->ends_with("2,order 40017 is cancelled\r\n"));
}

TEST_CASE("a file that is sent again after the folder was cleared is a new file") {
    Bench bench;
    bench.state.order_file = interlock::OrderFileSeen{1, "of these bytes"};
    bench.put("monday.csv", monday);
    bench.start();
    bench.until([&] { return bench.offered.has_value(); });
    CHECK(bench.offered->number == 2);
}

TEST_CASE("a file that cannot be read as orders is told for the record and offered to nobody") {
    Bench bench;
    bench.put("monday.csv", "action,order\r\nadd,1\r\n");
    bench.start();
    bench.until([&] { return bench.misread.has_value(); });
    CHECK(bench.misread->source == "orders");
    CHECK(bench.misread->raw == "monday.csv");
    CHECK(bench.misread->why.find("the first in line 1: the column variant is missing") != std::string::npos);
    CHECK_FALSE(bench.offered.has_value());
}

TEST_CASE("a folder that is not there is told with a remedy, until it is there") {
    Bench bench;
    fs::remove_all(bench.folder());
    bench.start();
    bench.until([&] { return !bench.troubles.empty(); });
    CHECK(bench.troubles.front().find("create it for the service's user") != std::string::npos);
    fs::create_directories(bench.folder());
    bench.until([&] { return bench.troubles.empty(); });
}
