// Who waits for an event is woken when it is durable, and not before.
#include <catch2/catch.hpp>

#include <thread>

#include <poll.h>

#include "service/links/durable_mark.hpp"

using namespace tautgate;
using namespace tautgate::links;

namespace {

bool woken(const Waker& waker) {
    pollfd handle{waker.handle(), POLLIN, 0};
    const bool yes = poll(&handle, 1, 0) == 1;
    waker.clear();
    return yes;
}

}  // namespace

TEST_CASE("a wait ends with its event, once, and with none before") {
    DurableMark mark;
    const Waker waker;
    DurableMark::Wait wait(mark, waker);
    mark.advance({3});
    CHECK_FALSE(woken(waker));
    wait.until({5});
    mark.advance({4});
    CHECK_FALSE(woken(waker));
    mark.advance({6});
    CHECK(woken(waker));
    mark.advance({7});
    CHECK_FALSE(woken(waker));
    CHECK(mark.up_to() == domain::EventNumber{7});
}

TEST_CASE("a wait for what is durable already ends at once, one that was given up never") {
    DurableMark mark;
    const Waker waker;
    DurableMark::Wait wait(mark, waker);
    mark.advance({5});
    wait.until({5});
    CHECK(woken(waker));
    wait.until({8});
    wait.for_nothing();
    mark.advance({9});
    CHECK_FALSE(woken(waker));
}

TEST_CASE("each of several waits is woken for its own event") {
    DurableMark mark;
    const Waker first_waker;
    const Waker second_waker;
    DurableMark::Wait first(mark, first_waker);
    {
        const Waker gone_waker;
        DurableMark::Wait gone(mark, gone_waker);
        gone.until({1});
    }
    DurableMark::Wait second(mark, second_waker);
    first.until({2});
    second.until({3});
    mark.advance({2});
    CHECK(woken(first_waker));
    CHECK_FALSE(woken(second_waker));
    mark.advance({3});
    CHECK(woken(second_waker));
}

TEST_CASE("no event that two threads pass to and fro is waited for in vain") {
    constexpr std::uint64_t events = 20000;
    DurableMark mark;
    const Waker waker;
    DurableMark::Wait wait(mark, waker);
    std::atomic<std::uint64_t> wanted{0};
    std::thread journal([&] {
        for (std::uint64_t event = 1; event <= events; ++event) {
            while (wanted.load() < event)
                std::this_thread::yield();
            mark.advance({event});
        }
    });
    std::uint64_t in_vain = 0;
    for (std::uint64_t event = 1; event <= events; ++event) {
        wanted = event;
        wait.until({event});
        pollfd handle{waker.handle(), POLLIN, 0};
        in_vain += poll(&handle, 1, 5000) == 1 ? 0 : 1;
        waker.clear();
        while (mark.up_to().value < event)
            std::this_thread::yield();
    }
    journal.join();
    CHECK(in_vain == 0);
}
