// The order folder's own thread: what it finds reaches the loop, and the loop's answer reaches the folder.
#include <condition_variable>
#include <mutex>
#include <thread>

#include <catch2/catch.hpp>

#include "service/links/order_watch.hpp"
#include "tests/unit/links/order_stand.hpp"
#include "tests/unit/links/ports.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;

namespace {

// A folder whose disk is gone until somebody lets it answer; nobody does for good in a test that fails.
class Gate {
  public:
    [[nodiscard]] OrError<OpenFile> open(const std::string& folder) {
        std::unique_lock lock{mutex_};
        waiting_ += 1;
        changed_.wait_for(lock, deadline, [this] { return is_open_; });
        waiting_ -= 1;
        return open_folder(folder);
    }
    void answer_again() {
        {
            const std::lock_guard lock{mutex_};
            is_open_ = true;
        }
        changed_.notify_all();
    }
    [[nodiscard]] int waiting() const {
        const std::lock_guard lock{mutex_};
        return waiting_;
    }

  private:
    mutable std::mutex mutex_;
    std::condition_variable changed_;
    int waiting_ = 0;
    bool is_open_ = false;
};

FolderAccess behind(std::shared_ptr<Gate> gate) {
    FolderAccess access;
    access.open = [gate = std::move(gate)](const std::string& folder) { return gate->open(folder); };
    return access;
}

template <class Holds>
[[nodiscard]] bool comes_true(Holds holds) {
    const auto end = std::chrono::steady_clock::now() + deadline;
    while (!holds() && std::chrono::steady_clock::now() < end)
        std::this_thread::yield();
    return holds();
}

struct WatchBench {
    explicit WatchBench(OrderWatchSettings settings = {.look_interval = std::chrono::milliseconds(20)},
                        FolderAccess access = {})
        : watch(
              loop, stand.order_folder(0, std::move(access)),
              [this](OrderNotice notice) { notices.push_back(std::move(notice)); }, turns, settings) {}
    // The thread is left alone by the watch, but the folder goes with the test.
    ~WatchBench() {
        watch.stop();
        CHECK(comes_true([this] { return turns->is_free(stand.folder); }));
    }
    WatchBench(const WatchBench&) = delete;
    WatchBench& operator=(const WatchBench&) = delete;
    WatchBench(WatchBench&&) = delete;
    WatchBench& operator=(WatchBench&&) = delete;

    template <class Kind>
    [[nodiscard]] std::vector<Kind> told() const {
        return all_of<Kind>(notices);
    }

    OrderStand stand;
    std::shared_ptr<OrderTurns> turns = std::make_shared<OrderTurns>();
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
    WatchBench bench({.look_interval = std::chrono::hours(1)});
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
    REQUIRE(comes_true([&] { return bench.stand.files().contains("answers/000002.nonsense.rejected.csv"); }));
    bench.watch.stop();
    bench.watch.stop();
    bench.loop.restart();
    bench.loop.run();
    CHECK(bench.notices.size() == 1);

    bench.stand.put("taken/000003.tuesday.csv");
    for (int start = 0; start < 2; ++start) {
        std::vector<OrderNotice> heard;
        OrderWatch next(
            bench.loop, bench.stand.order_folder(),
            [&](OrderNotice notice) { heard.push_back(std::move(notice)); }, bench.turns);
        next.start();
        REQUIRE(run_until(bench.loop, [&] { return heard.size() == 1; }));
        CHECK(std::get<OrdersOffered>(heard.front()).number == 3);
    }
}

TEST_CASE("a folder that does not answer holds up neither the stop nor the end of the loop") {
    const auto gate = std::make_shared<Gate>();
    const OrderStand stand;
    stand.put("monday.csv");
    const auto turns = std::make_shared<OrderTurns>();
    std::size_t notices = 0;
    {
        boost::asio::io_context loop;
        OrderWatch watch(
            loop, stand.order_folder(0, behind(gate)), [&](const OrderNotice&) { ++notices; }, turns);
        watch.start();
        REQUIRE(comes_true([&] { return gate->waiting() == 1; }));
        watch.stop();
        CHECK(gate->waiting() == 1);
    }
    // Loop and watch are gone, the look is not.
    CHECK(gate->waiting() == 1);
    gate->answer_again();
    REQUIRE(comes_true([&] { return turns->is_free(stand.folder); }));
    CHECK(notices == 0);
    CHECK(stand.files() == std::set<std::string>{"monday.csv"});
    CHECK_FALSE(std::filesystem::exists(stand.folder / "taken"));
}

TEST_CASE("a folder that does not answer is a trouble until it does") {
    const auto gate = std::make_shared<Gate>();
    WatchBench bench(
        {.look_interval = std::chrono::milliseconds(20), .silence_told = std::chrono::milliseconds(100)},
        behind(gate));
    bench.watch.start();
    REQUIRE(run_until(bench.loop, [&] { return bench.told<OrderFolderTroubles>().size() == 1; }));
    CHECK(bench.told<OrderFolderTroubles>().front().sentences ==
          std::vector<std::string>{"the order folder '" + bench.stand.folder.string() +
                                   "' does not answer, so that no order file is taken or answered; see "
                                   "whether its disk, or the computer that it lies on, is there"});
    gate->answer_again();
    REQUIRE(run_until(bench.loop, [&] { return bench.told<OrderFolderTroubles>().size() == 2; }));
    CHECK(bench.told<OrderFolderTroubles>().back().sentences.empty());
}

TEST_CASE("whoever watches a folder next waits for the look in hand, and those in between are left out") {
    const auto gate = std::make_shared<Gate>();
    WatchBench bench({.look_interval = std::chrono::milliseconds(20)}, behind(gate));
    bench.stand.put("monday.csv");
    bench.watch.start();
    REQUIRE(comes_true([&] { return gate->waiting() == 1; }));
    bench.watch.stop();
    const auto unheard = [](const OrderNotice&) { FAIL("of a watch that has stopped"); };
    {
        OrderWatch between(bench.loop, bench.stand.order_folder(), unheard, bench.turns);
        between.start();
    }
    std::vector<OrderNotice> heard;
    OrderWatch next(
        bench.loop, bench.stand.order_folder(),
        [&](OrderNotice notice) { heard.push_back(std::move(notice)); }, bench.turns,
        {.look_interval = std::chrono::milliseconds(20), .silence_told = std::chrono::milliseconds(100)});
    next.start();
    // It says so, too.
    REQUIRE(run_until(bench.loop, [&] { return !heard.empty(); }));
    CHECK(std::get<OrderFolderTroubles>(heard.front()).sentences.size() == 1);
    CHECK(gate->waiting() == 1);
    CHECK_FALSE(std::filesystem::exists(bench.stand.folder / "taken"));
    gate->answer_again();
    REQUIRE(run_until(bench.loop, [&] { return !all_of<OrdersOffered>(heard).empty(); }));
    CHECK(all_of<OrdersOffered>(heard).front().number == 1);
}

TEST_CASE("what should be known of the folder and is no trouble is told once") {
    FolderAccess access;
    access.writers = [](const OpenFile&) { return Writers::unknown; };
    WatchBench bench({.look_interval = std::chrono::milliseconds(20)}, access);
    bench.stand.put("monday.csv");
    bench.watch.start();
    REQUIRE(run_until(bench.loop, [&] { return !bench.told<OrdersOffered>().empty(); }));
    CHECK(bench.told<OrderFolderRemark>().size() == 1);
}
