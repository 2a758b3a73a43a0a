#include "service/people/verifier.hpp"

#include <chrono>
#include <thread>

#include <boost/asio/io_context.hpp>

#include <catch2/catch.hpp>

using namespace tautgate::people;

namespace {

constexpr HashCost cheap{.passes = 1, .memory_kib = 8};

}  // namespace

TEST_CASE("the verifier hashes and verifies off the loop and answers on it") {
    boost::asio::io_context loop;
    Verifier verifier(loop);
    const auto loop_thread = std::this_thread::get_id();
    std::string stored;
    REQUIRE(verifier.hash(Secret("204816"), cheap, [&](auto hash) {
        CHECK(std::this_thread::get_id() == loop_thread);
        stored = hash.value();
    }));
    CHECK(stored.empty());  // nothing is answered but by the running loop
    loop.run_for(std::chrono::seconds(30));
    REQUIRE_FALSE(stored.empty());

    loop.restart();
    std::vector<Verification> answers;
    REQUIRE(verifier.verify(stored, Secret("204816"), [&](Verification v) { answers.push_back(v); }));
    REQUIRE(verifier.verify(stored, Secret("000000"), [&](Verification v) { answers.push_back(v); }));
    loop.run_for(std::chrono::seconds(30));
    CHECK(answers == std::vector{Verification::right, Verification::wrong});  // one at a time, in order
}

TEST_CASE("a full queue takes nothing more, and takes again once it is answered") {
    boost::asio::io_context loop;
    Verifier verifier(loop);
    std::size_t answered = 0;
    const auto ask = [&] { return verifier.hash(Secret("204816"), cheap, [&](const auto&) { ++answered; }); };
    for (std::size_t i = 0; i < Verifier::queue_limit; ++i)
        REQUIRE(ask());
    CHECK_FALSE(ask());
    loop.run_for(std::chrono::seconds(30));
    CHECK(answered == Verifier::queue_limit);
    CHECK(ask());
}

TEST_CASE("a verifier may end while jobs wait") {
    boost::asio::io_context loop;
    bool answered = false;
    {
        Verifier verifier(loop);
        for (std::size_t i = 0; i < Verifier::queue_limit; ++i)
            REQUIRE(verifier.hash(Secret("204816"), cheap, [&](const auto&) { answered = true; }));
    }
    CHECK_FALSE(answered);
}
