// The one main() of all test programs, compiled once because it is the slowest part of Catch2.
#define CATCH_CONFIG_MAIN
#include <catch2/catch.hpp>
