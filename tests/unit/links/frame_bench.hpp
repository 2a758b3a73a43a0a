// Two invented tools that send frames: one that counts, obeys and waits for acknowledgements, and one that
// only stamps its results.
#pragma once

#include <chrono>
#include <string>

#include "config/station.hpp"
#include "protocol/frame_compose.hpp"
#include "protocol/frame_profile.hpp"

namespace tautgate::links::testing {

// "R;count;program;torque;angle;verdict" and "A;newest;enabled;program", each with "*" and its checksum.
inline protocol::FrameProfile counting_profile() {
    using namespace protocol;
    const auto text = [](std::string bytes) { return FrameToSend{LiteralPart{std::move(bytes)}}; };
    ResultMessage result;
    result.counter = FrameCounter{{.place = AtIndex{1}}, 0, 0xFFFF};
    result.program = FrameProgram{AtIndex{2}, {}};
    result.torque = FrameTorque{{.place = AtIndex{3}}, TorqueUnit::newton_metre, {}, {}};
    result.angle = FrameNumber{.place = AtIndex{4}};
    result.verdict = FrameVerdict{AtIndex{5}, {"1"}, {"0"}, {}, {}};
    StatusMessage status;
    status.newest = FrameNumber{.place = AtIndex{1}};
    status.enabled = FrameEnabled{AtIndex{2}, {"1"}};
    status.program = FrameProgram{AtIndex{3}, {}};
    FrameProfile profile;
    profile.name = "counts";
    profile.framing = Delimited{"\n"};
    profile.checksum = FrameChecksum{ChecksumKind::xor8, ChecksumForm::hex, false, "*"};
    profile.content = {ContentForm::separated, ";", "", "."};
    profile.messages = {{"result", {{AtIndex{0}, "R"}}, result}, {"alive", {{AtIndex{0}, "A"}}, status}};
    profile.pause = std::chrono::milliseconds(100);
    profile.on_connect = {text("HELLO")};
    profile.keep_alive = KeepAlive{std::chrono::milliseconds(50), text("?")};
    profile.acknowledge = FrameToSend{LiteralPart{"K;"}, DigitsPart{}};
    profile.control = FrameControl{text("ENABLE"),
                                   text("DISABLE"),
                                   FrameToSend{LiteralPart{"P;"}, DigitsPart{}},
                                   {{3, "small"}, {7, "large"}}};
    profile.range = {Torque{100'000}, Angle{100'000}, Torque{500'000'000}};
    return profile;
}

// "stamp;torque;verdict" and nothing else: every frame is a result.
inline protocol::FrameProfile stamping_profile() {
    using namespace protocol;
    ResultMessage result;
    result.stamp = FrameStamp{AtIndex{0}, FrameStampKind::unix_seconds, "", 0, true};
    result.torque = FrameTorque{{.place = AtIndex{1}}, TorqueUnit::newton_metre, {}, {}};
    result.verdict = FrameVerdict{AtIndex{2}, {"1"}, {"0"}, {}, {}};
    FrameProfile profile;
    profile.name = "stamps";
    profile.framing = Delimited{"\n"};
    profile.content = {ContentForm::separated, ";", "", "."};
    profile.messages = {{"result", {}, result}};
    profile.range = {Torque{100'000}, Angle{100'000}, Torque{500'000'000}};
    return profile;
}

inline config::Tool framed_tool() {
    config::Tool tool;
    tool.id = "NR-9";
    tool.torque_max = {500'000'000};
    tool.torque_resolution = {100'000};
    tool.angle_resolution = {100'000};
    tool.silence_limit = std::chrono::milliseconds(300);
    tool.settling = std::chrono::milliseconds(100);
    tool.longest_run = std::chrono::milliseconds(1000);
    return tool;
}

}  // namespace tautgate::links::testing
