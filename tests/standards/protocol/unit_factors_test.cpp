// Factors of NIST SP 811 (2008), appendix B.8. The exact factors are recomputed from the definitions
// 1 lb = 0.45359237 kg, g_n = 9.80665 m/s^2, 1 in = 0.0254 m, 1 ft = 0.3048 m and agree with the GNU units
// database to 15 digits; the printed seven-digit factors were verified against two public transcriptions.
#include <cmath>

#include <catch2/catch.hpp>

#include "protocol/quantity.hpp"

using namespace tautgate::protocol;

namespace {

struct FactorRow {
    TorqueUnit unit;
    const char* symbol;
    std::int64_t micro_nm_of_1e8;  // of 100 million units, from the exact factor, rounded to 1 uN.m
    double printed;                // SP 811; 0: not in its table
};

constexpr FactorRow factor_rows[] = {
    {TorqueUnit::pound_force_foot, "lbf.ft", 135'581'794'833'140, 1.355818},
    {TorqueUnit::pound_force_inch, "lbf.in", 11'298'482'902'762, 0.1129848},
    {TorqueUnit::kilogram_force_metre, "kgf.m", 980'665'000'000'000, 9.80665},
    {TorqueUnit::centinewton_metre, "cN.m", 1'000'000'000'000, 0},
    {TorqueUnit::newton_metre, "N.m", 100'000'000'000'000, 0},
};

}  // namespace

TEST_CASE("torque units convert with the exact factors of their definitions") {
    for (const FactorRow& row : factor_rows) {
        CAPTURE(row.symbol);
        CHECK(torque_unit(row.symbol) == row.unit);
        CHECK(symbol(row.unit) == row.symbol);
        CHECK(torque_from_text("100000000", row.unit, Torque{1}) == Torque{row.micro_nm_of_1e8});
        CHECK(torque_from(1e8, row.unit, Torque{1}) == Torque{row.micro_nm_of_1e8});
    }
}

TEST_CASE("the factors agree with the seven digits that SP 811 prints") {
    for (const FactorRow& row : factor_rows) {
        if (row.printed == 0)
            continue;
        CAPTURE(row.symbol);
        const double factor = static_cast<double>(row.micro_nm_of_1e8) / 1e14;
        const auto converted = torque_from(1e8, row.unit, Torque{1});
        REQUIRE(converted);
        CHECK(std::abs(factor - row.printed) / row.printed <= 5e-7);
        CHECK(std::abs(in_newton_metres(*converted) / 1e8 - row.printed) / row.printed <= 5e-7);
    }
}
