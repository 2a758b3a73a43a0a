#include <catch2/catch.hpp>

#include <algorithm>

#include "tests/end_to_end/reason_stand.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;

TEST_CASE("reasons about joints hold, are explained and clear") { each_held_and_explained(joint_cases()); }

TEST_CASE("reasons about joints that are done in another way hold, are explained and clear") {
    each_held_and_explained(bypass_cases());
}

TEST_CASE("a curve that is still to come holds, is explained, and is waited for no more after a loosening") {
    each_held_and_explained(curve_cases(), limiting_curves(std::chrono::minutes(10)));
}

TEST_CASE("a joint that relaxes before its check holds, is explained, and waits no more after a loosening") {
    each_held_and_explained(check_cases(), checking_later(std::chrono::seconds(60)));
}

TEST_CASE("every reason of the table has a case") {
    const std::vector<const std::vector<ReasonCase>*> all{
        &unit_cases(),   &order_cases(),       &equipment_cases(), &move_cases(),
        &tool_cases(),   &joint_cases(),       &curve_cases(),     &check_cases(),
        &record_cases(), &calibration_cases(), &bypass_cases()};
    for (const auto& text : interlock::reason_table()) {
        INFO("reason " << static_cast<int>(text.code) << ": " << text.sentence);
        CHECK(std::ranges::any_of(all, [&](const std::vector<ReasonCase>* cases) {
            return std::ranges::find(*cases, text.code, &ReasonCase::code) != cases->end();
        }));
    }
}
