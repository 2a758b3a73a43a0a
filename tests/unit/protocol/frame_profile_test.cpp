// Every mistake in a frame profile is found, once, at its place.
#include <functional>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <fmt/format.h>

#include "protocol/link_errors.hpp"
#include "tests/unit/protocol/frame_profiles.hpp"

using namespace tautgate::protocol;
using namespace tautgate::protocol::testing;

namespace {

using FrameChange = std::function<void(FrameProfile&)>;

std::vector<std::string> frame_faults_in(FrameProfile profile, const FrameChange& change) {
    change(profile);
    std::vector<std::string> found;
    for (const ProfileFault& fault : check(profile)) {
        CHECK_FALSE(fault.remedy.empty());
        found.push_back(fault.place + ": " + fault.finding);
    }
    return found;
}

ResultMessage& result_of_profile(FrameProfile& profile) {
    return std::get<ResultMessage>(profile.messages[0].what);
}
StatusMessage& status_of_profile(FrameProfile& profile) {
    return std::get<StatusMessage>(profile.messages[1].what);
}

struct FrameMistake {
    FrameProfile profile;
    FrameChange change;
    std::string found;
};

void each_frame_fault_is_found(const std::vector<FrameMistake>& mistakes) {
    for (const FrameMistake& mistake : mistakes) {
        CAPTURE(mistake.found);
        CHECK(frame_faults_in(mistake.profile, mistake.change) == std::vector{mistake.found});
    }
}

}  // namespace

TEST_CASE("profiles without a mistake have no fault") {
    for (const FrameProfile& profile : every_profile()) {
        CAPTURE(profile.name);
        CHECK(frame_faults_in(profile, [](FrameProfile&) {}).empty());
    }
}

TEST_CASE("framings by which no frame could be found are refused") {
    each_frame_fault_is_found({
        {named_lines(), [](FrameProfile& p) { p.framing = Delimited{""}; },
         "/framing/delimited/end: an end of 0 bytes"},
        {named_lines(), [](FrameProfile& p) { p.framing = Delimited{";"}; },
         "/framing/delimited/end: ';' can stand within a frame: it separates values of the content"},
        {named_lines(), [](FrameProfile& p) { p.framing = Delimited{"E"}; },
         "/framing/delimited/end: 'E' can stand within a frame: it stands in numbers and words"},
        {json_lines(), [](FrameProfile& p) { p.framing = Delimited{"}"}; },
         "/framing/delimited/end: '}' can stand within a frame: any printable character may stand in JSON"},
        {named_lines(), [](FrameProfile& p) { p.checksum->form = ChecksumForm::high_first; },
         "/checksum/form: a checksum in bytes can be the very byte that ends a frame"},
        {named_lines(), [](FrameProfile& p) { p.checksum->covers_start = true; },
         "/checksum/covers_start: the frames have no start"},
        {named_lines(), [](FrameProfile& p) { p.checksum->before = "123456789"; },
         "/checksum/before: 9 bytes"},
        {rows_between(),
         [](FrameProfile& p) { p.framing = StartStop{.start = 2, .stop = 2, .escape = 0x10}; },
         "/framing/start_stop/stop: start and stop are the same byte"},
        {rows_between(), [](FrameProfile& p) { p.framing = StartStop{.start = 2, .stop = 3, .escape = 3}; },
         "/framing/start_stop/escape: the escape is start or stop itself"},
        {rows_between(), [](FrameProfile& p) { p.framing = StartStop{.start = 2, .stop = 3, .escape = {}}; },
         "/checksum/form: a checksum in bytes can be the very byte that begins or ends a frame"},
        {rows_between(),
         [](FrameProfile& p) {
             p.framing = StartStop{.start = 2, .stop = '|', .escape = {}};
             p.checksum->form = ChecksumForm::hex;
         },
         "/framing/start_stop/stop: byte 7C can stand within a frame: it separates values of the content"},
        {rows_between(),
         [](FrameProfile& p) {
             p.framing = StartStop{.start = 2, .stop = 3, .escape = {}, .checksum_after_stop = true};
             p.checksum.reset();
         },
         "/framing/start_stop/checksum_after_stop: there is no checksum"},
        {rows_between(),
         [](FrameProfile& p) {
             std::get<StartStop>(p.framing).checksum_after_stop = true;
             p.checksum->before = "*";
         },
         "/checksum/before: what stands before a checksum behind the stop byte is that byte"},
        {binary_by_length(),
         [](FrameProfile& p) { std::get<LengthPrefixed>(p.framing).type = FieldType::int16; },
         "/framing/length_prefixed/type: a length is a number of 8, 16 or 32 bits without a sign"},
        {binary_by_length(),
         [](FrameProfile& p) { std::get<LengthPrefixed>(p.framing).order = WordOrder::cdab; },
         "/framing/length_prefixed/order: the bytes of a length come highest or lowest first"},
        {binary_by_length(), [](FrameProfile& p) { std::get<LengthPrefixed>(p.framing).longest = 65537; },
         "/framing/length_prefixed/longest: a longest frame of 65537 bytes"},
        {binary_by_length(), [](FrameProfile& p) { std::get<LengthPrefixed>(p.framing).besides = -70000; },
         "/framing/length_prefixed/besides: -70000 bytes besides the length"},
        {binary_by_length(), [](FrameProfile& p) { std::get<LengthPrefixed>(p.framing).besides = -65530; },
         "/framing/length_prefixed/besides: no length leaves room for content"},
        {binary_by_length(), [](FrameProfile& p) { p.checksum->form = ChecksumForm::hex; },
         "/checksum/form: hexadecimal digits in a binary frame"},
        {columns(), [](FrameProfile& p) { p.framing = FixedLength{.start = "", .length = 31}; },
         "/framing/fixed/start: without a start nobody knows where a frame begins once a byte was lost"},
        {columns(), [](FrameProfile& p) { std::get<FixedLength>(p.framing).length = 70000; },
         "/framing/fixed/length: frames of 70000 bytes"},
        {named_lines(), [](FrameProfile& p) { p.pause = std::chrono::milliseconds(0); },
         "/pause_ms: a pause of 0 ms"},
    });
}

TEST_CASE("content whose values cannot be told apart is refused") {
    each_frame_fault_is_found({
        {named_lines(), [](FrameProfile& p) { p.content.separator = ""; }, "/content/separator: missing"},
        {named_lines(), [](FrameProfile& p) { p.content.separator = ";;"; },
         "/content/separator: ';;' is no single character"},
        {named_lines(), [](FrameProfile& p) { p.content.separator = "-"; },
         "/content/separator: '-' stands in numbers and words"},
        {named_lines(), [](FrameProfile& p) { p.content.separator = ","; },
         "/content/separator: ',' stands in numbers too"},
        {named_lines(), [](FrameProfile& p) { p.content.separator = "="; },
         "/content/equals: it is the separator as well"},
        {json_lines(), [](FrameProfile& p) { p.content.decimal = ","; }, "/content/decimal: ',' in numbers"},
        {json_lines(), [](FrameProfile& p) { p.content.separator = ";"; },
         "/content/separator: content of this form has none"},
    });
}

TEST_CASE("messages that are never reached, or are not one result, are refused") {
    each_frame_fault_is_found({
        {columns(), [](FrameProfile& p) { p.messages[0].when.clear(); },
         "/messages/1/when: the message before it, 'result', takes every frame"},
        {named_lines(), [](FrameProfile& p) { p.messages[2].when = p.messages[0].when; },
         "/messages/2/when: every such frame is 'result' already"},
        {named_lines(),
         [](FrameProfile& p) {
             p.messages[2].when.push_back(p.messages[1].when[0]);
             p.messages[2].when.push_back({UnderKey{"A"}, "b"});
         },
         "/messages/2/when: every such frame is 'state' already"},
        {named_lines(), [](FrameProfile& p) { p.messages[2].name = "state"; },
         "/messages/2/name: 'state' is the name of an earlier message"},
        {named_lines(), [](FrameProfile& p) { p.messages[2].name = ""; },
         "/messages/2/name: the message has no name"},
        {named_lines(), [](FrameProfile& p) { p.messages[2].what = p.messages[0].what; },
         "/messages: 2 of the messages are results"},
        {named_lines(), [](FrameProfile& p) { p.messages[2].when[0].is = " A"; },
         "/messages/2/when/0/is: ' A' can never stand there"},
        {columns(), [](FrameProfile& p) { p.messages[0].when[0].is = "RS"; },
         "/messages/0/when/0/is: 'RS' is longer than its place, which has 1 bytes"},
        {binary_by_length(), [](FrameProfile& p) { p.messages[0].when[0].is = "R"; },
         "/messages/0/when/0/is: 'R' is no number without a sign"},
        {named_lines(), [](FrameProfile& p) { p.messages[2].what = StatusMessage{}; },
         "/messages/2/status: the status says nothing"},
        {named_lines(), [](FrameProfile& p) { status_of_profile(p).enabled->yes.clear(); },
         "/messages/1/status/enabled/yes: no code means that the tool may run"},
    });
}

TEST_CASE("places that cannot be, or that two values share, are refused") {
    const auto number = [](std::uint32_t byte, FieldType type) {
        return NumberAt{byte, type, false, WordOrder::dcba, {}};
    };
    each_frame_fault_is_found({
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).fields = 5; },
         "/messages/0/result/fields: only separated values are counted"},
        {rows_between(), [](FrameProfile& p) { result_of_profile(p).fields = 4; },
         "/messages/0/result/fields: 4 values, and one at index 4 is named"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).angle->place = AtIndex{3}; },
         "/messages/0/result/angle: index 3 is no place in content that is named"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).angle->place = UnderKey{"TQ"}; },
         "/messages/0/result/angle: overlaps torque"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).angle->place = UnderKey{"A;B"}; },
         "/messages/0/result/angle/key: no value can stand under 'A;B'"},
        {json_lines(), [](FrameProfile& p) { result_of_profile(p).angle->place = AtPointer{"angle"}; },
         "/messages/0/result/angle/pointer: 'angle' is no JSON pointer"},
        {columns(),
         [](FrameProfile& p) {
             result_of_profile(p).angle->place = InColumns{6, 7};
         },
         "/messages/0/result/angle: overlaps torque"},
        {columns(),
         [](FrameProfile& p) {
             result_of_profile(p).stamp->place = InColumns{16, 14};
         },
         "/messages/0/result/stamp/place: column 16 to 29 lies beyond the end of the content, which has 29 "
         "bytes"},
        {columns(),
         [](FrameProfile& p) {
             result_of_profile(p).verdict->place = InColumns{13, 0};
         },
         "/messages/0/result/verdict/place/width: a width of 0"},
        {binary_by_length(),
         [&](FrameProfile& p) { result_of_profile(p).angle->place = number(8, FieldType::uint16); },
         "/messages/0/result/angle: overlaps torque"},
        {binary_by_length(),
         [](FrameProfile& p) { std::get<NumberAt>(result_of_profile(p).angle->place).order.reset(); },
         "/messages/0/result/angle/order: missing"},
        {binary_by_length(),
         [](FrameProfile& p) {
             std::get<NumberAt>(result_of_profile(p).verdict->place).bits = BitRange{7, 2};
         },
         "/messages/0/result/verdict/place/bits: 2 bits from bit 7 on"},
        {binary_by_length(),
         [](FrameProfile& p) {
             std::get<NumberAt>(result_of_profile(p).torque->field.place).bits = BitRange{0, 2};
         },
         "/messages/0/result/torque/field/bits: only an unsigned number can be taken apart"},
        {binary_by_length(),
         [](FrameProfile& p) {
             std::get<NumberAt>(result_of_profile(p).counter->field.place).type = FieldType::float32;
             result_of_profile(p).counter->highest = 9;
             p.detects.clear();
         },
         "/messages/0/result/counter/field/type: a fraction cannot count, and is no code"},
        {binary_by_length(),
         [](FrameProfile& p) {
             std::get<NumberAt>(result_of_profile(p).counter->field.place).type = FieldType::int32;
             result_of_profile(p).counter->highest = 9;
             p.detects.clear();
         },
         "/messages/0/result/counter/field/type: a count cannot be negative"},
        {binary_by_length(),
         [](FrameProfile& p) {
             result_of_profile(p).program->place = TextAt{13, 0};
         },
         "/messages/0/result/program/place/length: a text of 0 bytes"},
        {binary_by_length(),
         [](FrameProfile& p) {
             result_of_profile(p).direction =
                 FrameDirection{result_of_profile(p).verdict->place, {"1"}, {"2"}};
             std::get<NumberAt>(result_of_profile(p).direction->place).bits = BitRange{1, 2};
         },
         "/messages/0/result/verdict/place: overlaps direction"},
    });
    // Other bits of the same number, or the same code for both, are no overlap.
    CHECK(frame_faults_in(binary_by_length(), [](FrameProfile& p) {
              result_of_profile(p).direction =
                  FrameDirection{result_of_profile(p).verdict->place, {"1"}, {"2"}};
              std::get<NumberAt>(result_of_profile(p).direction->place).bits = BitRange{2, 2};
          }).empty());
    CHECK(frame_faults_in(named_lines(), [](FrameProfile& p) {
              result_of_profile(p).direction->place = UnderKey{"ST"};
          }).empty());
}

TEST_CASE("values that could not be read as they are meant are refused") {
    each_frame_fault_is_found({
        {named_lines(),
         [](FrameProfile& p) {
             result_of_profile(p).angle->scale = {0, 0};
         },
         "/messages/0/result/angle/scale: a scale of 0 makes every value 0"},
        {named_lines(),
         [](FrameProfile& p) {
             result_of_profile(p).angle->offset = {1, 10};
         },
         "/messages/0/result/angle/offset: 1e10 has too many digits"},
        {named_lines(),
         [](FrameProfile& p) {
             result_of_profile(p).position->scale = {2, 0};
         },
         "/messages/0/result/position/scale: this number is not a measurement and cannot be scaled"},
        {binary_by_length(),
         [](FrameProfile& p) {
             result_of_profile(p).torque->field.offset = {1, 0};
         },
         "/messages/0/result/torque/field/offset: a fraction takes no offset"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).torque->unit = TorqueUnit::newton_metre; },
         "/messages/0/result/torque/unit_at: the unit is fixed, and stands in the frame as well"},
        {columns(), [](FrameProfile& p) { result_of_profile(p).torque->unit.reset(); },
         "/messages/0/result/torque/unit: missing"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).torque->units.clear(); },
         "/messages/0/result/torque/units: no code means a unit"},
        {columns(),
         [](FrameProfile& p) {
             result_of_profile(p).torque->units = {{"Nm", TorqueUnit::newton_metre}};
         },
         "/messages/0/result/torque/units: codes of a unit that stands nowhere"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).direction->loosen = {"R"}; },
         "/messages/0/result/direction/loosen: code 'R' is listed twice"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).direction->loosen.clear(); },
         "/messages/0/result/direction/loosen: no code means loosening"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).verdict->ok.clear(); },
         "/messages/0/result/verdict/ok: no code means OK"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).verdict->not_ok = {"0"}; },
         "/messages/0/result/verdict/not_ok: code '0' is listed twice"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).verdict->reasons[0].text.clear(); },
         "/messages/0/result/verdict/reasons/0: code '1' has an empty text"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).stamp->pattern = "YYYY-MM-DD hh:mm"; },
         "/messages/0/result/stamp/pattern: 'YYYY-MM-DD hh:mm' has not each of YYYY, MM, DD, hh, mm and ss "
         "once"},
        {columns(), [](FrameProfile& p) { result_of_profile(p).stamp->pattern = "YYYY-MM-DDhhmmss"; },
         "/messages/0/result/stamp/pattern: 'YYYY-MM-DDhhmmss' is longer than its place, which has 14 bytes"},
        {named_lines(),
         [](FrameProfile& p) { result_of_profile(p).stamp->kind = FrameStampKind::unix_seconds; },
         "/messages/0/result/stamp/pattern: a stamp that is one number has no pattern"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).stamp->utc_offset_minutes = 1440; },
         "/messages/0/result/stamp/utc_offset_minutes: 1440 minutes"},
        {named_lines(), [](FrameProfile& p) { p.range.torque_resolution = {0}; },
         "/range/torque_resolution: missing or not positive"},
        {named_lines(), [](FrameProfile& p) { p.name.clear(); }, "/name: the profile has no name"},
        {columns(),
         [](FrameProfile& p) {
             result_of_profile(p).torque.reset();
             result_of_profile(p).limits.torque_min = FrameNumber{.place = InColumns{1, 6}};
         },
         "/messages/0/result/limits/torque_min: a limit of a value that the profile does not name"},
    });
}

TEST_CASE("exactly one thing shows that a result is new") {
    each_frame_fault_is_found({
        {columns(), [](FrameProfile& p) { result_of_profile(p).stamp->marks_result = false; },
         "/messages/0/result/counter: missing"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).stamp->marks_result = true; },
         "/messages/0/result/stamp/marks_result: new results are recognised in two ways"},
        {columns(),
         [](FrameProfile& p) {
             result_of_profile(p).epoch = InColumns{7, 6};
             result_of_profile(p).angle.reset();
         },
         "/messages/0/result/epoch: it tells of restarts of a counter, and the profile has none"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).counter->lowest = 2; },
         "/messages/0/result/counter/lowest: a counter that starts again at 2"},
        {named_lines(), [](FrameProfile& p) { result_of_profile(p).counter->highest = 1; },
         "/messages/0/result/counter/highest: 1 does not fit the counter"},
        {binary_by_length(), [](FrameProfile& p) { result_of_profile(p).counter->highest = 4294967296; },
         "/messages/0/result/counter/highest: 4294967296 does not fit the counter"},
    });
}

TEST_CASE("what the station could not send, or what would mean nothing, is refused") {
    each_frame_fault_is_found({
        {named_lines(), [](FrameProfile& p) { p.on_connect = {{}}; }, "/on_connect/0: the frame is empty"},
        {named_lines(), [](FrameProfile& p) { p.on_connect = {words("A\r\nB")}; },
         R"(/on_connect/0: it cannot be sent: the content 'A\x0d\x0aB' holds the end of a frame)"},
        {named_lines(), [](FrameProfile& p) { p.keep_alive->frame.emplace_back(DigitsPart{}); },
         "/keep_alive/frame: there is no number that could stand in it"},
        {named_lines(), [](FrameProfile& p) { p.keep_alive->every = std::chrono::milliseconds(10); },
         "/keep_alive/every_ms: every 10 ms"},
        {named_lines(),
         [](FrameProfile& p) {
             p.acknowledge = FrameToSend{LiteralPart{"A"}, DigitsPart{3}};
         },
         "/acknowledge: it cannot be sent: 9999 has more than 3 digits"},
        {named_lines(),
         [](FrameProfile& p) {
             p.acknowledge = FrameToSend{LiteralPart{"A"}, NumberPart{FieldType::float32}};
         },
         "/acknowledge/1/number/type: a count is a whole number without a sign"},
        {columns(), [](FrameProfile& p) { p.acknowledge = words(std::string(29, 'A')); },
         "/acknowledge: without a counter nobody knows which result is meant"},
        {named_lines(), [](FrameProfile& p) { p.control->disable = p.control->enable; },
         "/control/disable: it also lets the tool run"},
        {named_lines(), [](FrameProfile& p) { status_of_profile(p).enabled.reset(); },
         "/control: no status says whether the tool may run"},
        {named_lines(),
         [](FrameProfile& p) {
             status_of_profile(p).newest.reset();
             p.detects.clear();
         },
         "/control: no status tells the newest result, so that nobody knows what the tool made before it was "
         "stopped"},
        {named_lines(), [](FrameProfile& p) { status_of_profile(p).program.reset(); },
         "/control/program: no status says which program is set"},
        {named_lines(), [](FrameProfile& p) { p.control->programs.clear(); },
         "/control/programs: no program has a number"},
        {named_lines(), [](FrameProfile& p) { p.control->program.reset(); },
         "/control/program: programs that nothing chooses"},
        {named_lines(), [](FrameProfile& p) { p.control->programs[1].number = 1; },
         "/control/programs/1: program 1, 'M12-snug', is listed twice"},
        {named_lines(), [](FrameProfile& p) { p.control->program = words("MSG=PRG"); },
         "/control/program: the number of the program does not stand in it"},
    });
}

TEST_CASE("a profile detects what follows from it, and may state no more") {
    using enum LinkError;
    each_frame_fault_is_found({
        {named_lines(), [](FrameProfile& p) { p.checksum->kind = ChecksumKind::sum8; },
         "/detects/0: corruption is not detected: a checksum of 8 bits lets one disturbed frame in 256 "
         "through"},
        {named_lines(), [](FrameProfile& p) { p.checksum.reset(); },
         "/detects/0: corruption is not detected: no checksum guards the frames"},
        {json_lines(), [](FrameProfile& p) { p.detects = {loss}; },
         "/detects/0: loss is not detected: a lost result shows only when the next one comes"},
        {named_lines(), [](FrameProfile& p) { status_of_profile(p).epoch.reset(); },
         "/detects/2: loss is not detected: a status that tells the newest count without its epoch hides "
         "what was lost over a restart"},
        {columns(), [](FrameProfile& p) { p.detects = {repetition}; },
         "/detects/0: repetition is not detected: without a count a result that came before, or between, "
         "looks like a new one"},
        {named_lines(), [](FrameProfile& p) { p.detects = {delay}; },
         "/detects/0: delay is not detected: silence shows, and a lag that grows little by little does not: "
         "nothing that the tool says is tied to when it was asked for"},
        {named_lines(), [](FrameProfile& p) { p.detects = {masquerade}; },
         "/detects/0: masquerade is not detected: nothing in a frame proves who sent it and for whom"},
        {json_lines(),
         [](FrameProfile& p) {
             p.detects = {repetition, repetition};
         },
         "/detects/1: repetition is listed twice"},
    });
    CHECK(detected(named_lines()) == named_lines().detects);
    CHECK(detected(columns()).empty());
}

TEST_CASE(
    "a code that the number at its place can never be, and a place beyond the longest frame, are refused") {
    const auto code_found = [](const char* code) {
        return frame_faults_in(binary_by_length(),
                               [code](FrameProfile& p) { result_of_profile(p).verdict->ok.push_back(code); });
    };
    const std::string digits = "the number there is compared in decimal digits, without zeros before it";
    for (const std::string code : {"OK", "01", "", "1.0", "+1", "-1"})
        CHECK(code_found(code.c_str()) ==
              std::vector{fmt::format("/messages/0/result/verdict/ok: code '{}' can never stand there: {}",
                                      code, digits)});
    each_frame_fault_is_found({
        {binary_by_length(),
         [](FrameProfile& p) {
             NumberAt one_byte;
             one_byte.byte = 20;
             one_byte.one_byte = true;
             result_of_profile(p).verdict->place = one_byte;
             result_of_profile(p).verdict->ok.emplace_back("256");
         },
         "/messages/0/result/verdict/ok: code '256' can never stand there: the number there is 255 at most"},
        {binary_by_length(),
         [](FrameProfile& p) {
             std::get<LengthPrefixed>(p.framing).longest = 64;
             std::get<NumberAt>(result_of_profile(p).angle->place).byte = 5000;
         },
         "/messages/0/result/angle: byte 5000, uint16 dcba lies beyond the end of the content, which has 58 "
         "bytes at most"},
    });
}

TEST_CASE("numbers that cannot tell what the sensor does, or name a count in another order, are refused") {
    const auto whole = [](FrameProfile& p, FieldType type, Decimal scale) {
        auto& torque = *result_of_profile(p).torque;
        std::get<NumberAt>(torque.field.place).type = type;
        torque.field.scale = scale;
    };
    each_frame_fault_is_found({
        {binary_by_length(),
         [&](FrameProfile& p) {
             whole(p, FieldType::uint16, {1, -3});
         },
         "/messages/0/result/torque/field/scale: the highest count, 65535, is 65.535 N·m, less than the "
         "torque_max of 250 N·m"},
        {binary_by_length(),
         [&](FrameProfile& p) {
             whole(p, FieldType::int16, {5, -3});
         },
         "/messages/0/result/torque/field/scale: the highest count, 32767, is 163.835 N·m, less than the "
         "torque_max of 250 N·m"},
        {binary_by_length(),
         [&](FrameProfile& p) {
             whole(p, FieldType::uint16, {5, 0});
         },
         "/messages/0/result/torque/field/scale: one count is 5 N·m, more than the torque_resolution of 0.1 "
         "N·m"},
        {binary_by_length(),
         [](FrameProfile& p) {
             std::get<NumberAt>(std::get<StatusMessage>(p.messages.at(2).what).newest->place).order =
                 WordOrder::abcd;
         },
         "/messages/2/status/newest/order: the counter of the results, which it names, has another order"},
        {binary_by_length(),
         [](FrameProfile& p) {
             std::get<NumberAt>(std::get<TraceMessage>(p.messages.at(1).what).belongs_to.place).order =
                 WordOrder::abcd;
         },
         "/messages/1/trace/belongs_to/order: the counter of the results, which it names, has another order"},
    });
    auto good = binary_by_length();
    whole(good, FieldType::uint16, {1, -1});
    CHECK(check(good).empty());
}

TEST_CASE("a count that comes round before 255 results detects no repetition and no loss") {
    using enum LinkError;
    FrameProfile profile = named_lines();  // counts from 1
    result_of_profile(profile).counter->highest = 255;
    CHECK(detected(profile) == profile.detects);
    CHECK(check(profile).empty());
    result_of_profile(profile).counter->highest = 254;
    CHECK(detected(profile) == std::vector{corruption});
    const auto claims = [&](LinkError error) {
        return frame_faults_in(profile, [error](FrameProfile& p) {
            result_of_profile(p).counter->highest = 2;
            p.detects = {error};
        });
    };
    for (const LinkError error : {repetition, loss, wrong_sequence, insertion})
        CHECK(claims(error) ==
              std::vector{
                  fmt::format("/detects/0: {} is not detected: the count goes from 1 to 2 and then round "
                              "again, so that an old frame can pass for the next result",
                              link_error_text(error))});
    RegisterProfile polled;
    polled.counter = CounterField{.field = {}, .lowest = 0, .highest = 254};
    CHECK(detects(detected(polled, false), loss));
    polled.counter->highest = 253;
    CHECK_FALSE(detects(detected(polled, false), loss));
    CHECK(detects(detected(polled, false), repetition));  // an answer belongs to its request
}

TEST_CASE("what a polled link and one of lines detect") {
    using enum LinkError;
    RegisterProfile polled;
    polled.counter = CounterField{};
    polled.second_read = SecondRead::counter;
    CHECK(detected(polled, false) == std::vector{repetition, loss, wrong_sequence, insertion, delay});
    CHECK(detected(polled, true) == std::vector{corruption, repetition, loss, insertion, delay});
    polled.second_read = SecondRead::block;
    CHECK(detected(polled, false).size() == 8);
    CHECK(detected_by_lines(false) == std::vector{repetition, loss, wrong_sequence, insertion, delay});
    CHECK(detected_by_lines(true).size() == 8);
}
