#include "service/station/durable_notice.hpp"

#include <thread>
#include <vector>

#include <catch2/catch.hpp>

using tautgate::domain::EventNumber;
using tautgate::station::DurableNotice;

namespace {

struct Loop {
    boost::asio::io_context context{1};
    std::vector<std::uint64_t> taken;
    DurableNotice notice{context, [this](EventNumber up_to) {
                             taken.push_back(up_to.value);
                             if (up_to.value == last)
                                 context.stop();
                         }};
    std::uint64_t last = 0;
};

}  // namespace

TEST_CASE("the newest number that another thread tells reaches the loop, none twice and none backwards") {
    Loop loop;
    loop.last = 10'000;
    std::thread journal([&] {
        for (std::uint64_t number = 1; number <= loop.last; ++number)
            loop.notice.tell({number});
    });
    loop.context.run();
    journal.join();
    REQUIRE(!loop.taken.empty());
    CHECK(loop.taken.back() == loop.last);
    for (std::size_t i = 1; i < loop.taken.size(); ++i)
        CHECK(loop.taken[i - 1] < loop.taken[i]);
}

TEST_CASE("what was told is taken by a look, and not again by the loop") {
    Loop loop;
    loop.notice.tell({7});
    loop.notice.look();
    loop.notice.look();
    CHECK(loop.taken == std::vector<std::uint64_t>{7});
    loop.context.poll();
    CHECK(loop.taken == std::vector<std::uint64_t>{7});
    loop.notice.tell({8});
    loop.last = 8;
    loop.context.run();
    CHECK(loop.taken == std::vector<std::uint64_t>{7, 8});
}
