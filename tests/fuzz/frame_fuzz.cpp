// Frames of tools: how they are cut out of a stream, and what they say. The first byte of an input chooses
// the profile.
#include <string>
#include <vector>

#include "protocol/frame_compose.hpp"
#include "protocol/frame_decode.hpp"
#include "protocol/frame_splitter.hpp"
#include "protocol/text.hpp"
#include "tests/fuzz/entry.hpp"
#include "tests/unit/protocol/frame_profiles.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

const std::vector<FrameProfile>& profiles() {
    static const auto all = testing::every_profile();
    return all;
}

struct Found {
    std::vector<std::string> contents;
    std::size_t bytes = 0;
};

void check_frame(const FrameProfile& profile, const WholeFrame& frame) {
    promise(!frame.content.empty() && frame.raw.size() <= frame_limit, "a frame has content and a limit");
    const auto again = frame_around(profile, frame.content);
    promise(again.has_value(), "what came in a frame can be sent in one");
    FrameSplitter splitter(profile);
    const auto cuts = splitter.take(*again);
    promise(cuts.size() == 1 && std::holds_alternative<WholeFrame>(cuts[0]) &&
                std::get<WholeFrame>(cuts[0]).content == frame.content,
            "what is sent comes back the same");
    const auto heard = decode(profile, frame);
    const auto explained = explain(profile, frame);
    if (!heard) {
        promise(!heard.error().what.empty() && !heard.error().remedy.empty(),
                "a fault says what and what to do");
        promise(is_utf8(heard.error().what), "a fault can be written into a record");
        promise(!explained.why.empty(), "what is not understood is explained");
        return;
    }
    promise(explained.why.empty(), "what is understood is explained without a fault");
    if (const auto* result = std::get_if<FrameResult>(&*heard)) {
        promise(is_utf8(result->reading.program) && is_utf8(result->reading.tool_reason),
                "names can be shown");
        promise(result->reading.received.raw == frame.raw, "the bytes are kept");
        if (const auto* torque = std::get_if<Torque>(&result->reading.torque))
            promise(torque->micro_nm >= 0 && *torque <= profile.range.torque_max, "a torque is in the range");
    }
}

Found take_all(const FrameProfile& profile, std::string_view bytes, std::size_t step, bool look) {
    Found found;
    const auto see = [&](const std::vector<Cut>& cuts) {
        for (const Cut& cut : cuts) {
            if (const auto* frame = std::get_if<WholeFrame>(&cut)) {
                found.contents.push_back(frame->content);
                found.bytes += frame->raw.size();
                if (look)
                    check_frame(profile, *frame);
                continue;
            }
            const auto& garbage = std::get<Garbage>(cut);
            found.bytes += garbage.bytes;
            promise(garbage.bytes > 0 && garbage.raw.size() <= garbage.bytes && garbage.raw.size() <= 256,
                    "garbage is bounded");
            promise(!garbage.why.empty() && !garbage.remedy.empty(), "garbage says why");
        }
    };
    FrameSplitter splitter(profile);
    for (std::size_t at = 0; at < bytes.size(); at += step)
        see(splitter.take(bytes.substr(at, step)));
    see(splitter.give_up());
    promise(!splitter.half(), "after a pause nothing is half");
    promise(found.bytes <= bytes.size(), "no byte is counted twice");
    return found;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view bytes = tautgate::fuzz::as_text(data, size);
    if (bytes.empty())
        return 0;
    const FrameProfile& profile = profiles()[data[0] % profiles().size()];
    const auto whole = take_all(profile, bytes.substr(1), bytes.size(), true);
    const auto by_byte = take_all(profile, bytes.substr(1), 1, false);
    promise(whole.contents == by_byte.contents && whole.bytes == by_byte.bytes, "cuts do not matter");
    return 0;
}
