// Labels of one connection, with a clock that the test owns.
#include <catch2/catch.hpp>

#include "service/links/quiet.hpp"
#include "service/links/scan_feed.hpp"
#include "tests/unit/links/ports.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;

namespace {

struct FeedBench {
    // What is read as soon as it comes.
    [[nodiscard]] std::size_t take(std::string_view bytes, SteadyTime at) { return feed.take(bytes, at, at); }
    [[nodiscard]] std::vector<std::string> serials() const {
        std::vector<std::string> all;
        for (const auto& scanned : heard.of<interlock::TicketScanned>())
            all.push_back(scanned.serial.text);
        return all;
    }
    [[nodiscard]] std::vector<std::string> misreads() const {
        std::vector<std::string> all;
        for (const auto& misread : heard.of<interlock::LabelMisread>())
            all.push_back(misread.raw);
        return all;
    }

    config::Scanner scanner{.id = "SC-1", .bay = "J1", .peer = "127.0.0.1", .serial = {}};
    protocol::LabelReader reader =
        protocol::LabelReader::compile({{"F", protocol::PatternLabel{"(?P<serial>[0-9]{4,12})"}}}).value();
    Heard heard;
    ScanFeed::Sink sink = [this](interlock::Payload event) { heard.events.push_back(std::move(event)); };
    ScanFeed feed{scanner, reader, sink};
    SteadyTime now{1h};
};

using Texts = std::vector<std::string>;

}  // namespace

TEST_CASE("the late end of a label whose beginning was given up is not taken for a shorter label") {
    FeedBench bench;
    CHECK(bench.take("4400", bench.now) == 0);
    bench.feed.give_up_half(bench.now += 300ms);
    CHECK(bench.take("71203\r\n", bench.now += 150ms) == 1);
    CHECK(bench.serials().empty());
    CHECK(bench.misreads() == Texts{"4400", "71203"});
    CHECK(bench.take("440071203\r\n", bench.now += 1s) == 1);
    CHECK(bench.serials() == Texts{"440071203"});
}

TEST_CASE("a label that is scanned long after a half was given up is whole") {
    FeedBench bench;
    CHECK(bench.take("4400", bench.now) == 0);
    bench.feed.give_up_half(bench.now += 300ms);
    CHECK(bench.take("440071203\r\n", bench.now += 5s) == 1);
    CHECK(bench.serials() == Texts{"440071203"});
}

TEST_CASE("a rest that begins in time and ends later is still a rest") {
    FeedBench bench;
    CHECK(bench.take("4400", bench.now) == 0);
    bench.feed.give_up_half(bench.now += 300ms);
    CHECK(bench.take("712", bench.now += 3900ms) == 0);
    CHECK(bench.take("03\r\n", bench.now += 200ms) == 1);
    CHECK(bench.serials().empty());
    CHECK(bench.misreads() == Texts{"4400", "71203"});
}

TEST_CASE("a half that was told as too long is given up when the last of it comes, not when it began") {
    FeedBench bench;
    CHECK(bench.take("4400", bench.now) == 0);
    bench.feed.give_up_half(bench.now += 300ms);
    CHECK(bench.take(std::string(300, '7'), bench.now += 3s) == 1);
    bench.feed.give_up_half(bench.now += 300ms);
    CHECK(bench.take("71203\r\n", bench.now += 1s) == 1);
    CHECK(bench.serials().empty());
    CHECK(bench.misreads().back() == "71203");
}

TEST_CASE("the rest of a half is no label on the next connection either, while it may come") {
    FeedBench bench;
    CHECK(bench.take("4400", bench.now) == 0);
    bench.feed.give_up_half(bench.now);
    REQUIRE(bench.feed.half_given_up() == bench.now);
    ScanFeed next{bench.scanner, bench.reader, bench.sink, bench.feed.half_given_up()};
    CHECK(next.take("71203\r\n", bench.now + 1s, bench.now + 1s) == 1);
    CHECK(bench.serials().empty());
    CHECK_FALSE(next.half_given_up());
    ScanFeed later{bench.scanner, bench.reader, bench.sink, bench.feed.half_given_up()};
    CHECK(later.take("440071203\r\n", bench.now + 5s, bench.now + 5s) == 1);
    CHECK(bench.serials() == Texts{"440071203"});
}

TEST_CASE("a label that may have waited for long counts for nothing, and is told with for how long") {
    FeedBench bench;
    const SteadyTime quiet = bench.now;
    CHECK(bench.feed.take("4401\r\n", quiet, quiet + 2s) == 1);
    CHECK(bench.serials() == Texts{"4401"});
    CHECK(bench.feed.take("4402\r\n4403\r\n", quiet, quiet + 2001ms) == 2);
    CHECK(bench.serials() == Texts{"4401"});
    CHECK(bench.misreads() == Texts{"4402", "4403"});
    CHECK_THAT(bench.heard.of<interlock::LabelMisread>().front().why,
               Catch::Contains("the label '4402' may have waited unread for 2.0 s") &&
                   Catch::EndsWith("; scan again"));
    CHECK(bench.feed.take("4404\r\n", quiet + 5s, quiet + 5s) == 1);
    CHECK(bench.serials() == Texts{"4401", "4404"});
}

TEST_CASE(
    "that nothing waits counts at once where nothing is read, and else once a second look has seen it") {
    const SteadyTime start{1h};
    Quiet quiet{start};
    CHECK(quiet.at() == start);
    quiet.look(true, start + 1s);
    CHECK(quiet.at() == start);
    quiet.look(true, start + 2s);
    CHECK(quiet.at() == start + 1s);
    quiet.look(false, start + 3s);
    quiet.look(true, start + 4s);
    quiet.ends();  // what was read already when it was looked is handed over now
    quiet.look(true, start + 5s);
    CHECK(quiet.at() == start + 1s);
    quiet.look(true, start + 6s);
    CHECK(quiet.at() == start + 5s);
    quiet.is(start + 7s);
    CHECK(quiet.at() == start + 7s);
}
