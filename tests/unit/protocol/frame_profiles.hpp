// Profiles of invented tools, one of each kind of framing and content, for the tests and the fuzzed readers.
#pragma once

#include <string>
#include <vector>

#include "protocol/frame_profile.hpp"

namespace tautgate::protocol::testing {

inline MeasuringRange hand_range() {
    return {.torque_resolution = {100'000},
            .angle_resolution = {100'000},
            .torque_max = {250'000'000},
            .angle_max = {3'600'000'000}};
}

inline FrameToSend words(std::string text) { return {LiteralPart{std::move(text)}}; }
inline FrameNumber at_key(std::string key) { return {.place = UnderKey{std::move(key)}}; }

// "MSG=RES;NO=12;TQ=82,5;...*1A2B\r\n", with everything that a profile can name.
inline FrameProfile named_lines() {
    ResultMessage result;
    result.counter = FrameCounter{.field = at_key("NO"), .lowest = 1, .highest = 9999};
    result.epoch = UnderKey{"UP"};
    result.program = FrameProgram{.place = UnderKey{"PRG"}, .names = {{"1", "M12-final"}}};
    result.torque =
        FrameTorque{.field = at_key("TQ"),
                    .unit = {},
                    .unit_at = UnderKey{"UNIT"},
                    .units = {{"Nm", TorqueUnit::newton_metre}, {"lbft", TorqueUnit::pound_force_foot}}};
    result.angle = at_key("ANG");
    result.direction = FrameDirection{.place = UnderKey{"DIR"}, .tighten = {"R"}, .loosen = {"L"}};
    result.verdict = FrameVerdict{.place = UnderKey{"ST"},
                                  .ok = {"0"},
                                  .not_ok = {"1"},
                                  .aborted = {"9"},
                                  .reasons = {{"1", "torque low"}}};
    result.limits = {at_key("TMIN"), at_key("TMAX"), at_key("AMIN"), at_key("AMAX")};
    result.stamp = FrameStamp{.place = UnderKey{"AT"},
                              .kind = FrameStampKind::text,
                              .pattern = "DD.MM.YYYY hh:mm:ss",
                              .utc_offset_minutes = 60};
    result.position = at_key("POS");
    StatusMessage status;
    status.newest = at_key("NO");
    status.epoch = UnderKey{"UP"};
    status.enabled = FrameEnabled{.place = UnderKey{"RUN"}, .yes = {"1"}};
    status.program = FrameProgram{.place = UnderKey{"PRG"}, .names = {{"1", "M12-final"}}};
    FrameProfile profile;
    profile.name = "Lines of keys and values";
    profile.framing = Delimited{"\r\n"};
    profile.checksum =
        FrameChecksum{.kind = ChecksumKind::crc16_xmodem, .form = ChecksumForm::hex, .before = "*"};
    profile.content = {.form = ContentForm::named, .separator = ";", .equals = "=", .decimal = ","};
    profile.messages = {{.name = "result", .when = {{UnderKey{"MSG"}, "RES"}}, .what = result},
                        {.name = "state", .when = {{UnderKey{"MSG"}, "STATE"}}, .what = status},
                        {.name = "alive", .when = {{UnderKey{"MSG"}, "ALIVE"}}, .what = OtherMessage{}}};
    profile.on_connect = {words("MSG=ASK")};
    profile.keep_alive = KeepAlive{.every = std::chrono::milliseconds(500), .frame = words("MSG=ASK")};
    profile.acknowledge = FrameToSend{LiteralPart{"MSG=STORED;NO="}, DigitsPart{4}};
    profile.control = FrameControl{.enable = words("MSG=RUN"),
                                   .disable = words("MSG=STOP"),
                                   .program = FrameToSend{LiteralPart{"MSG=PRG;PRG="}, DigitsPart{}},
                                   .programs = {{1, "M12-final"}, {2, "M12-snug"}}};
    profile.detects = {LinkError::corruption, LinkError::repetition, LinkError::loss,
                       LinkError::wrong_sequence, LinkError::insertion};
    profile.range = hand_range();
    return profile;
}

// STX, values between bars, LRC, ETX; whatever of the three stands within has DLE before it.
inline FrameProfile rows_between() {
    ResultMessage result;
    result.counter = FrameCounter{.field = {.place = AtIndex{1}}, .lowest = 0, .highest = 65535};
    result.torque = FrameTorque{.field = {.place = AtIndex{2}, .scale = {1, -1}},
                                .unit = TorqueUnit::newton_metre,
                                .unit_at = {},
                                .units = {}};
    result.angle = FrameNumber{.place = AtIndex{3}};
    result.verdict =
        FrameVerdict{.place = AtIndex{4}, .ok = {"OK"}, .not_ok = {}, .aborted = {}, .reasons = {}};
    FrameProfile profile;
    profile.name = "Rows of values";
    profile.framing = StartStop{.start = 0x02, .stop = 0x03, .escape = 0x10};
    profile.checksum =
        FrameChecksum{.kind = ChecksumKind::lrc8, .form = ChecksumForm::high_first, .before = {}};
    profile.content = {.form = ContentForm::separated, .separator = "|", .equals = {}, .decimal = "."};
    profile.messages = {{.name = "result", .when = {{AtIndex{0}, "R"}}, .what = result},
                        {.name = "alive", .what = OtherMessage{}}};
    profile.detects = {LinkError::repetition, LinkError::wrong_sequence, LinkError::insertion};
    profile.range = hand_range();
    return profile;
}

// AA 55, a length of two bytes, low one first, numbers, CRC; curves as well.
inline FrameProfile binary_by_length() {
    const auto number = [](std::uint32_t byte, FieldType type) {
        return NumberAt{.byte = byte, .type = type, .one_byte = false, .order = WordOrder::dcba, .bits = {}};
    };
    const auto kind =
        NumberAt{.byte = 0, .type = FieldType::uint16, .one_byte = true, .order = {}, .bits = {}};
    ResultMessage result;
    result.counter =
        FrameCounter{.field = {.place = number(2, FieldType::uint32)}, .lowest = 1, .highest = 4294967295};
    result.torque = FrameTorque{.field = {.place = number(6, FieldType::float32)},
                                .unit = TorqueUnit::newton_metre,
                                .unit_at = {},
                                .units = {}};
    result.angle = FrameNumber{.place = number(10, FieldType::uint16), .scale = {1, -1}};
    auto state = kind;
    state.byte = 12;
    state.bits = BitRange{0, 2};
    result.verdict = FrameVerdict{.place = state, .ok = {"1"}, .not_ok = {}, .aborted = {}, .reasons = {}};
    result.program = FrameProgram{.place = TextAt{13, 6}, .names = {}};
    TraceMessage trace;
    trace.belongs_to = {.place = number(2, FieldType::uint32)};
    trace.layout = {
        .samples = 4,
        .interval_us = 1000,
        .torque = {.at = 6, .type = FieldType::int16, .order = WordOrder::dcba, .scale = {1, -1}}};
    StatusMessage status;
    status.newest = FrameNumber{.place = number(2, FieldType::uint32)};
    FrameProfile profile;
    profile.name = "Numbers";
    profile.framing =
        LengthPrefixed{.start = "\xAA\x55", .order = WordOrder::dcba, .besides = 4, .longest = 300};
    profile.checksum = FrameChecksum{.kind = ChecksumKind::crc16_modbus,
                                     .form = ChecksumForm::low_first,
                                     .covers_start = true,
                                     .before = {}};
    profile.content = {.form = ContentForm::binary, .separator = {}, .equals = {}, .decimal = "."};
    profile.messages = {{.name = "result", .when = {{kind, "1"}}, .what = result},
                        {.name = "curve", .when = {{kind, "2"}}, .what = trace},
                        {.name = "state", .when = {{kind, "3"}}, .what = status}};
    profile.acknowledge =
        FrameToSend{LiteralPart{"\x06"}, NumberPart{FieldType::uint32, false, WordOrder::dcba}};
    profile.detects = {LinkError::corruption, LinkError::repetition, LinkError::loss,
                       LinkError::wrong_sequence, LinkError::insertion};
    profile.range = hand_range();
    return profile;
}

// "#R0082.500045.0OK20261126101500XX": always 32 bytes, known by their stamps.
inline FrameProfile columns() {
    ResultMessage result;
    result.torque = FrameTorque{
        .field = {.place = InColumns{1, 6}}, .unit = TorqueUnit::newton_metre, .unit_at = {}, .units = {}};
    result.angle = FrameNumber{.place = InColumns{7, 6}};
    result.verdict =
        FrameVerdict{.place = InColumns{13, 2}, .ok = {"OK"}, .not_ok = {}, .aborted = {}, .reasons = {}};
    result.stamp = FrameStamp{.place = InColumns{15, 14},
                              .kind = FrameStampKind::text,
                              .pattern = "YYYYMMDDhhmmss",
                              .marks_result = true};
    FrameProfile profile;
    profile.name = "Columns";
    profile.framing = FixedLength{.start = "#", .length = 32};
    profile.checksum = FrameChecksum{.kind = ChecksumKind::xor8, .form = ChecksumForm::hex, .before = {}};
    profile.content = {.form = ContentForm::columns, .separator = {}, .equals = {}, .decimal = "."};
    profile.messages = {{.name = "result", .when = {{InColumns{0, 1}, "R"}}, .what = result},
                        {.name = "alive", .what = OtherMessage{}}};
    profile.detects = {};
    profile.range = hand_range();
    return profile;
}

// One JSON object a line.
inline FrameProfile json_lines() {
    ResultMessage result;
    result.counter = FrameCounter{.field = {.place = AtPointer{"/result/number"}}};
    result.torque = FrameTorque{.field = {.place = AtPointer{"/result/torque"}},
                                .unit = TorqueUnit::newton_metre,
                                .unit_at = {},
                                .units = {}};
    result.angle = FrameNumber{.place = AtPointer{"/result/angle"}};
    result.verdict = FrameVerdict{
        .place = AtPointer{"/result/good"}, .ok = {"true"}, .not_ok = {}, .aborted = {}, .reasons = {}};
    FrameProfile profile;
    profile.name = "JSON";
    profile.framing = Delimited{"\n"};
    profile.content = {.form = ContentForm::json, .separator = {}, .equals = {}, .decimal = "."};
    profile.messages = {{.name = "result", .when = {{AtPointer{"/type"}, "result"}}, .what = result},
                        {.name = "alive", .what = OtherMessage{}}};
    profile.detects = {LinkError::repetition, LinkError::wrong_sequence, LinkError::insertion};
    profile.range = hand_range();
    return profile;
}

inline std::vector<FrameProfile> every_profile() {
    return {named_lines(), rows_between(), binary_by_length(), columns(), json_lines()};
}

}  // namespace tautgate::protocol::testing
