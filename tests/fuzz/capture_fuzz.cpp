// Captures, and the frames in them: whatever a file holds is a capture or a fault with its line, and whatever
// bytes came for a request are its answer or a fault in words.
#include "protocol/capture.hpp"
#include "protocol/register_request.hpp"
#include "tests/fuzz/entry.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

void check_frames(const Capture& capture, ModbusWire wire) {
    for (const Exchange& exchange : exchanges_in(capture)) {
        const auto words = answer_to(wire, exchange.request, exchange.answer);
        if (!words)
            promise(!words.error().what.empty() && !words.error().remedy.empty(),
                    "a fault says what and what to do");
        else
            promise(words->size() <= 2048, "no answer holds more than a frame");
        const auto length = answer_length(wire, exchange.answer);
        promise(!length || *length <= 260, "no frame is longer than the protocol allows");
    }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const auto capture = read_capture(tautgate::fuzz::as_text(data, size));
    if (!capture) {
        promise(capture.error().line > 0 && !capture.error().what.empty(), "a fault has a line and words");
        return 0;
    }
    check_frames(*capture, ModbusWire::tcp);
    check_frames(*capture, ModbusWire::serial);
    std::string again = to_line(capture->head);
    for (const CapturedBytes& part : capture->parts)
        again += to_line(part);
    const auto second = read_capture(again);
    promise(second && second->parts == capture->parts, "a capture can be written again");
    return 0;
}
