// Curves as text for other programs.
#include <catch2/catch.hpp>

#include "protocol/csv.hpp"
#include "protocol/trace_text.hpp"

using namespace tautgate::protocol;

namespace {

const Trace timed{.times = SampleTimes{{0, 1250}},
                  .torque_unit = TorqueUnit::kilogram_force_metre,
                  .torque = {{-10, 400}, {1, -1}},
                  .angle = std::nullopt};

}  // namespace

TEST_CASE("values are in newton metres and degrees, whatever the tool sent") {
    // 1 kgf·m is 9.80665 N·m (NIST SP 811, appendix B.8).
    CHECK(trace_csv(timed) == "time (us),torque (N.m)\r\n0,-9.80665\r\n1250,392.266\r\n");
    CHECK(trace_json(timed) == R"({"torque_unit_received":"kgf.m","time_us":[0,1250],)"
                               R"("torque_nm":[-9.80665,392.266],"angle_deg":null})");
}

TEST_CASE("a curve over the angle has no column of time, and a strict reader takes it") {
    const Trace trace{
        .times = NoTimes{}, .torque = {{0, 1}, {125, -3}}, .angle = TraceColumn{{0, 3}, {1, -1}}};
    CHECK(trace_csv(trace) == "torque (N.m),angle (deg)\r\n0,0\r\n0.125,0.3\r\n");
    const CsvText read =
        read_csv(trace_csv(trace), Separator::comma,
                 {.bytes = 1000, .records = 10, .fields = 10, .field_bytes = 100, .faults = 10});
    CHECK(read.faults.empty());
    CHECK(read.records.size() == 3);
}
