// The order folder's own thread: what it finds reaches the loop, and the loop's answer reaches the folder.
#include <thread>

#include <catch2/catch.hpp>

#include "service/links/order_watch.hpp"
#include "tests/unit/links/order_stand.hpp"
#include "tests/unit/links/ports.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;

namespace {

struct WatchBench {
    explicit WatchBench(std::chrono::milliseconds look_interval = std::chrono::milliseconds(20))
        : watch(
              loop, stand.order_folder(),
              [this](OrderNotice notice) { notices.push_back(std::move(notice)); }, look_interval) {}

    template <class Kind>
    [[nodiscard]] std::vector<Kind> told() const {
        return all_of<Kind>(notices);
    }

    OrderStand stand;
    boost::asio::io_context loop;
    std::vector<OrderNotice> notices;
    OrderWatch watch;
};

}  // namespace

TEST_CASE("a file is offered on the loop, and its answer is written when the loop gives it") {
    WatchBench bench;
    bench.watch.start();
    bench.stand.put("monday.csv");
    REQUIRE(run_until(bench.loop, [&] { return !bench.told<OrdersOffered>().empty(); }));
    const OrdersOffered file = bench.told<OrdersOffered>().front();
    CHECK(file.file.name == "monday.csv");
    CHECK(bench.stand.files() == std::set<std::string>{"taken/000001.monday.csv"});
    bench.watch.answer(file.number, protocol::OrdersAccepted{file.orders});
    CHECK(run_until(bench.loop,
                    [&] { return bench.stand.files().contains("answers/000001.monday.accepted.csv"); }));
    CHECK(bench.notices.size() == 1);
}

TEST_CASE("a file that is no order file is told, and answered without the loop") {
    WatchBench bench;
    bench.watch.start();
    bench.stand.put("monday.csv", "nonsense");
    CHECK(run_until(bench.loop,
                    [&] { return bench.stand.files().contains("answers/000001.monday.rejected.csv"); }));
    CHECK(run_until(bench.loop, [&] { return bench.told<OrdersMisread>().size() == 1; }));
}

TEST_CASE("neither an answer nor the file behind one that is no order file waits for the next look") {
    WatchBench bench(std::chrono::hours(1));
    std::filesystem::create_directory(bench.stand.folder / "taken");
    bench.stand.put("taken/000001.nonsense.csv", "nonsense");
    bench.stand.put("taken/000002.monday.csv");
    bench.stand.put("taken/000003.tuesday.csv");
    bench.watch.start();
    REQUIRE(run_until(bench.loop, [&] { return bench.told<OrdersOffered>().size() == 1; }));
    CHECK(bench.told<OrdersMisread>().size() == 1);
    bench.watch.answer(2, protocol::OrdersRejected{});
    REQUIRE(run_until(bench.loop, [&] { return bench.told<OrdersOffered>().size() == 2; }));
    CHECK(bench.stand.files().contains("answers/000002.monday.rejected.csv"));
}

TEST_CASE("a trouble is told when it begins and when it is over") {
    WatchBench bench;
    const auto away = bench.stand.folder.string() + ".away";
    std::filesystem::rename(bench.stand.folder, away);
    bench.watch.start();
    REQUIRE(run_until(bench.loop, [&] { return bench.told<OrderFolderTroubles>().size() == 1; }));
    CHECK(bench.told<OrderFolderTroubles>().front().sentences.size() == 1);
    std::filesystem::rename(away, bench.stand.folder);
    REQUIRE(run_until(bench.loop, [&] { return bench.told<OrderFolderTroubles>().size() == 2; }));
    CHECK(bench.told<OrderFolderTroubles>().back().sentences.empty());
}

TEST_CASE("nothing is told after the stop, and what was offered is offered again by the next start") {
    WatchBench bench;
    bench.watch.start();
    bench.stand.put("monday.csv");
    REQUIRE(run_until(bench.loop, [&] { return bench.told<OrdersOffered>().size() == 1; }));
    bench.stand.put("nonsense.csv", "nonsense");
    bench.watch.answer(1, protocol::OrdersRejected{});
    // The thread has found the second file; the loop has not run since.
    const auto end = std::chrono::steady_clock::now() + deadline;
    while (!bench.stand.files().contains("answers/000002.nonsense.rejected.csv")) {
        REQUIRE(std::chrono::steady_clock::now() < end);
        std::this_thread::yield();
    }
    bench.watch.stop();
    bench.watch.stop();
    bench.loop.restart();
    bench.loop.run();
    CHECK(bench.notices.size() == 1);

    bench.stand.put("taken/000003.tuesday.csv");
    for (int start = 0; start < 2; ++start) {
        std::vector<OrderNotice> heard;
        OrderWatch next(bench.loop, bench.stand.order_folder(),
                        [&](OrderNotice notice) { heard.push_back(std::move(notice)); });
        next.start();
        REQUIRE(run_until(bench.loop, [&] { return heard.size() == 1; }));
        CHECK(std::get<OrdersOffered>(heard.front()).number == 3);
    }
}
