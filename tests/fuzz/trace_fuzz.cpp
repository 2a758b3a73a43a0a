// Curves as bytes: the form in which they are kept, and samples in a frame by a layout that the bytes choose
// too.
#include <cstdint>
#include <string>
#include <string_view>

#include "protocol/trace.hpp"
#include "protocol/trace_layout.hpp"
#include "tests/fuzz/entry.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

constexpr MeasuringRange range{Torque{100'000}, Angle{100'000}, Torque{600'000'000}, Angle{720'000'000}};

void check_kept_form(std::string_view bytes) {
    const auto trace = decode_trace(bytes);
    if (!trace)
        return promise(!trace.error().empty(), "what is no curve is told");
    promise(!fault_of(*trace), "what is read can be kept");
    promise(encode_trace(*trace) == bytes, "only the bytes are taken that writing gives");
    const std::size_t last = trace->samples() - 1;
    promise(torque_at(*trace, last) == torque_at(*trace, last), "every sample has a value");
    static_cast<void>(angle_at(*trace, last));
    static_cast<void>(time_us_at(*trace, last));
}

// Takes the layout from the front of the bytes.
class Choice {
  public:
    explicit Choice(std::string_view bytes) : bytes_(bytes) {}
    std::uint8_t byte() {
        if (bytes_.empty())
            return 0;
        const auto next = static_cast<std::uint8_t>(bytes_.front());
        bytes_.remove_prefix(1);
        return next;
    }
    SampleField field() {
        SampleField field{.at = byte(), .apart = byte(), .type = FieldType(byte() % 11)};
        field.order = WordOrder(byte() % 4);
        field.scale = {byte() - 100, byte() % 14 - 10};
        field.offset = {byte() % 16, byte() % 14 - 10};
        return field;
    }
    [[nodiscard]] std::string_view rest() const { return bytes_; }

  private:
    std::string_view bytes_;
};

void check_layout(std::string_view bytes) {
    Choice choice(bytes);
    const std::uint8_t parts = choice.byte();
    TraceLayout layout{.samples = choice.byte(), .torque = choice.field()};
    layout.torque_unit = TorqueUnit(choice.byte() % 5);
    if ((parts & 1U) != 0)
        layout.count = choice.field();
    if ((parts & 2U) != 0)
        layout.interval_us = choice.byte();
    if ((parts & 4U) != 0)
        layout.interval = choice.field();
    if ((parts & 8U) != 0)
        layout.time = choice.field();
    if ((parts & 16U) != 0)
        layout.angle = choice.field();
    if (fault_of(layout))
        return;
    const auto trace = decode_samples(layout, choice.rest(), range);
    promise(trace || !trace.error().empty(), "what is no curve is told");
    promise(!trace || !fault_of(*trace, range), "what is taken is a curve within the range");
    if (trace)
        check_kept_form(encode_trace(*trace));
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view bytes = tautgate::fuzz::as_text(data, size);
    check_kept_form(bytes);
    check_layout(bytes);
    return 0;
}
