// A journal with something in it.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>

#include <catch2/catch.hpp>

#include "tests/unit/journal/samples.hpp"
#include "tests/unit/journal/scratch.hpp"

namespace tautgate::scratch {

// A journal of `count` random events, closed in order.
inline void fill(const std::filesystem::path& path, std::uint64_t count, std::uint64_t seed = 21) {
    scratch::Reports reports;
    auto writer = journal::Writer::open(reports.options(path));
    REQUIRE(writer.has_value());
    samples::Chance chance(seed);
    for (std::uint64_t number = 1; number <= count; ++number)
        (*writer)->append(samples::entry(chance, number));
    REQUIRE(reports.settled(count));
    (*writer)->close();
    const auto failure = reports.failure();
    INFO((failure ? journal::to_text(*failure) : std::string()));
    REQUIRE_FALSE(failure.has_value());
}

}  // namespace tautgate::scratch
