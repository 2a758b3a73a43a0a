#include <cmath>
#include <limits>
#include <string>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/quantity.hpp"

using namespace tautgate::protocol;

namespace {

constexpr Torque tenth{100'000};
constexpr Torque hundredth{10'000};

std::expected<Torque, Unusable> newton_metres(std::string_view text, Torque resolution) {
    return torque_from_text(text, TorqueUnit::newton_metre, resolution);
}

}  // namespace

TEST_CASE("a half step rounds away from zero, also where binary fractions would fall below it") {
    struct Row {
        const char* text;
        Torque resolution;
        std::int64_t micro_nm;
    };
    for (const Row& row :
         {Row{"0.35", tenth, 400'000}, Row{"0.349999", tenth, 300'000}, Row{"0.05", tenth, 100'000},
          Row{"0.04999999999999999999", tenth, 0}, Row{"2.675", hundredth, 2'680'000},
          Row{"1.005", hundredth, 1'010'000}, Row{"402.5", Torque{1'000'000}, 403'000'000},
          Row{"402.5", Torque{5'000'000}, 405'000'000}, Row{"402.4999999", Torque{5'000'000}, 400'000'000},
          Row{"3.5e-1", tenth, 400'000}, Row{"35E-2", tenth, 400'000},
          Row{"1.5", Torque{3'000'000}, 3'000'000}, Row{"1.4999999", Torque{3'000'000}, 0},
          Row{"0.0000005", Torque{1}, 1}, Row{"0.00000049", Torque{1}, 0}}) {
        CAPTURE(row.text, row.resolution.micro_nm);
        CHECK(newton_metres(row.text, row.resolution) == Torque{row.micro_nm});
    }
}

TEST_CASE("a number as text, as a double and as a decimal gives the same torque") {
    CHECK(rc::check("text, double and decimal agree", [] {
        const auto hundredths = *rc::gen::inRange(0, 100'000'000);
        const auto unit = *rc::gen::element(TorqueUnit::newton_metre, TorqueUnit::centinewton_metre,
                                            TorqueUnit::pound_force_foot, TorqueUnit::pound_force_inch,
                                            TorqueUnit::kilogram_force_metre);
        const auto resolution =
            *rc::gen::element(Torque{1}, Torque{50'000}, tenth, hundredth, Torque{1'000'000});
        const std::string text = to_text(Decimal{hundredths, -2});
        const auto wanted = torque_from_text(text, unit, resolution);
        RC_ASSERT((torque_from(Decimal{hundredths, -2}, unit, resolution) == wanted));
        RC_ASSERT((torque_from(std::stod(text), unit, resolution) == wanted));
        RC_ASSERT((wanted->micro_nm % resolution.micro_nm == 0));
    }));
}

TEST_CASE("rounding never moves a value by more than half a step") {
    CHECK(rc::check("at most half a step", [] {
        const auto thousandths = *rc::gen::inRange<std::int64_t>(0, 2'000'000);
        const auto resolution = *rc::gen::inRange<std::int64_t>(1, 5'000'000);
        const auto torque =
            torque_from(Decimal{thousandths, -3}, TorqueUnit::newton_metre, Torque{resolution});
        const std::int64_t off = torque->micro_nm - thousandths * 1000;
        RC_ASSERT((2 * off <= resolution));
        RC_ASSERT((-2 * off < resolution));
    }));
}

TEST_CASE("what is no measurement is refused by its own name") {
    struct Row {
        const char* text;
        Unusable why;
    };
    for (const Row& row : {Row{"NaN", Unusable::not_a_number},        Row{"-nan", Unusable::not_a_number},
                           Row{"Infinity", Unusable::infinite},       Row{"-inf", Unusable::infinite},
                           Row{"-0.1", Unusable::negative},           Row{"-1e-300", Unusable::negative},
                           Row{"1000000000.1", Unusable::too_large},  Row{"1e400", Unusable::too_large},
                           Row{"1e99999999999", Unusable::too_large}, Row{"", Unusable::unreadable},
                           Row{"12,5", Unusable::unreadable},         Row{"+1", Unusable::unreadable},
                           Row{"012", Unusable::unreadable},          Row{".5", Unusable::unreadable},
                           Row{"5.", Unusable::unreadable},           Row{"1e", Unusable::unreadable},
                           Row{"0x10", Unusable::unreadable},         Row{" 1", Unusable::unreadable},
                           Row{"1 ", Unusable::unreadable},           Row{"-", Unusable::unreadable},
                           Row{"--1", Unusable::unreadable}}) {
        CAPTURE(row.text);
        CHECK(newton_metres(row.text, tenth) == std::unexpected(row.why));
        CHECK(angle_from_text(row.text, Angle{1}) == std::unexpected(row.why));
    }
    CHECK(newton_metres(std::string(65, '1'), tenth) == std::unexpected(Unusable::unreadable));
    CHECK(torque_from(std::nan(""), TorqueUnit::newton_metre, tenth) ==
          std::unexpected(Unusable::not_a_number));
    CHECK(torque_from(-HUGE_VAL, TorqueUnit::newton_metre, tenth) == std::unexpected(Unusable::infinite));
    CHECK(torque_from(-1.0, TorqueUnit::newton_metre, tenth) == std::unexpected(Unusable::negative));
    CHECK(angle_from(1e300, Angle{1}) == std::unexpected(Unusable::too_large));
}

TEST_CASE("the limits of what is accepted are themselves accepted") {
    CHECK(newton_metres("1000000000", tenth) == Torque{1'000'000'000'000'000});
    CHECK(newton_metres("1000000000.0000000000000000000001", tenth) == std::unexpected(Unusable::too_large));
    CHECK(newton_metres("-0", tenth) == Torque{0});
    CHECK(newton_metres("0e400", tenth) == Torque{0});
    CHECK(newton_metres("1e-400", tenth) == Torque{0});
    CHECK(torque_from(-0.0, TorqueUnit::newton_metre, tenth) == Torque{0});
    CHECK(torque_from(Decimal{std::numeric_limits<std::int64_t>::min(), 0}, TorqueUnit::newton_metre,
                      tenth) == std::unexpected(Unusable::negative));
}

TEST_CASE("more digits than are kept still decide on the right side of a half step") {
    CHECK(newton_metres("0.3499999999999999999999999999", tenth) == Torque{300'000});
    CHECK(newton_metres("0.3500000000000000000000000001", tenth) == Torque{400'000});
    CHECK(newton_metres("0.3500000000000000000000000000", tenth) == Torque{400'000});
    CHECK(newton_metres("123456789.05000000000000000000", tenth) == Torque{123'456'789'100'000});
}

TEST_CASE("a decimal is read exactly, without trailing zeros, or not at all") {
    CHECK(decimal_from_text("0.350") == Decimal{35, -2});
    CHECK(decimal_from_text("-1200") == Decimal{-12, 2});
    CHECK(decimal_from_text("4.5e2") == Decimal{45, 1});
    CHECK(decimal_from_text("0.000") == Decimal{0, 0});
    CHECK(decimal_from_text("999999999999999999") == Decimal{999'999'999'999'999'999, 0});
    CHECK_FALSE(decimal_from_text("1234567890123456789"));
    CHECK_FALSE(decimal_from_text("1e500"));
    CHECK_FALSE(decimal_from_text("one"));
    CHECK(shortest_decimal(0.1) == Decimal{1, -1});
    CHECK(shortest_decimal(12.35F) == Decimal{1235, -2});
    CHECK_FALSE(shortest_decimal(HUGE_VAL));
}

TEST_CASE("quantities are shown with as few decimals as hold the value") {
    CHECK(to_text(Torque{182'500'000}) == "182.5 N·m");
    CHECK(to_text(Torque{1}) == "0.000001 N·m");
    CHECK(to_text(Torque{-1'500'000}) == "-1.5 N·m");
    CHECK(to_text(Torque{10'000'000}) == "10 N·m");
    CHECK(to_text(Angle{34'000'000}) == "34 deg");
    CHECK(to_text(Decimal{35, -2}) == "0.35");
    CHECK(to_text(Decimal{-12, 2}) == "-1200");
    CHECK(to_text(Decimal{1, 30}) == "1e30");
    CHECK(to_text(Decimal{23875, -45}) == "2.3875e-41");
    CHECK(to_text(Decimal{-23912346, -37}) == "-2.3912346e-30");
    CHECK(to_text(Decimal{-7, -40}) == "-7e-40");
    CHECK(in_newton_metres(Torque{182'500'000}) == 182.5);
    CHECK(in_degrees(Angle{250'000}) == 0.25);
}

TEST_CASE("an unknown unit is no unit") {
    CHECK_FALSE(torque_unit("Nm"));
    CHECK_FALSE(torque_unit("n.m"));
    CHECK_FALSE(torque_unit(""));
}
