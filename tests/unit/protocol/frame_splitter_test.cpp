// Frames out of a stream of bytes, and back into it.
#include <algorithm>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/frame_compose.hpp"
#include "protocol/frame_guard.hpp"
#include "protocol/frame_splitter.hpp"
#include "protocol/stretch_sums.hpp"
#include "tests/unit/protocol/frame_profiles.hpp"

using namespace tautgate::protocol;
using namespace tautgate::protocol::testing;

namespace {

std::string framed(const FrameProfile& profile, std::string_view content) {
    const auto frame = frame_around(profile, content);
    REQUIRE(frame.has_value());
    return *frame;
}

std::vector<std::string> frame_contents(const std::vector<Cut>& cuts) {
    std::vector<std::string> found;
    for (const Cut& cut : cuts)
        if (const auto* frame = std::get_if<WholeFrame>(&cut))
            found.push_back(frame->content);
    return found;
}

std::vector<Garbage> garbage_in(const std::vector<Cut>& cuts) {
    std::vector<Garbage> found;
    for (const Cut& cut : cuts)
        if (const auto* garbage = std::get_if<Garbage>(&cut))
            found.push_back(*garbage);
    return found;
}

std::size_t cut_bytes_in(const std::vector<Cut>& cuts) {
    std::size_t bytes = 0;
    for (const Cut& cut : cuts)
        bytes += std::holds_alternative<Garbage>(cut) ? std::get<Garbage>(cut).bytes
                                                      : std::get<WholeFrame>(cut).raw.size();
    return bytes;
}

// A frame of nothing but its two ends is passed over, as is one with nothing but the checksum of nothing
// between them.
std::vector<std::string> empty_frames(const FrameProfile& profile) {
    if (const auto* lines = std::get_if<Delimited>(&profile.framing))
        return {lines->end};
    if (const auto* between = std::get_if<StartStop>(&profile.framing)) {
        const auto start = static_cast<char>(between->start);
        const auto stop = static_cast<char>(between->stop);
        const auto escape = static_cast<char>(between->escape.value_or(between->start));
        const std::string guard = guard_of(profile, "");
        return {{start, stop}, start + guard + stop, std::string{start, escape} + guard + stop};
    }
    return {};
}

std::size_t bytes_passed_over(const FrameProfile& profile, std::string_view bytes) {
    std::size_t found = 0;
    for (const std::string& empty : empty_frames(profile))
        for (std::size_t at = 0; (at = bytes.find(empty, at)) != std::string_view::npos; ++at)
            found += empty.size();
    return found;
}

void append_cuts(std::vector<Cut>& all, std::vector<Cut> more) {
    all.insert(all.end(), more.begin(), more.end());
}

// Content that the framing can carry: any bytes where they are escaped or counted, otherwise printable ones.
std::string any_content(const FrameProfile& profile) {
    if (const auto* fixed = std::get_if<FixedLength>(&profile.framing)) {
        const auto length = fixed->length - fixed->start.size() - 2;
        return *rc::gen::container<std::string>(length, rc::gen::inRange<char>(' ', '~'));
    }
    const bool any = std::holds_alternative<StartStop>(profile.framing) ||
                     std::holds_alternative<LengthPrefixed>(profile.framing);
    return any ? *rc::gen::nonEmpty(rc::gen::container<std::string>(rc::gen::arbitrary<char>()))
               : *rc::gen::nonEmpty(rc::gen::container<std::string>(rc::gen::inRange<char>(' ', '~')));
}

std::vector<Cut> taken_in_pieces(FrameSplitter& splitter, std::string_view stream) {
    std::vector<Cut> cuts;
    while (!stream.empty()) {
        const auto step = std::min(*rc::gen::inRange<std::size_t>(1, 12), stream.size());
        append_cuts(cuts, splitter.take(stream.substr(0, step)));
        stream.remove_prefix(step);
    }
    return cuts;
}

// Every start with which the profile's frames begin; text before the first is garbage.
const std::vector<std::string> line_noise{"x", "\x7F\x7F\x7F", "noise", "\xFF"};

}  // namespace

TEST_CASE("whatever content is put into frames comes out of them, wherever the bytes are cut") {
    const bool holds = rc::check("contents stay", [] {
        const auto profile = *rc::gen::elementOf(every_profile());
        const auto number = *rc::gen::inRange(1, 8);
        std::vector<std::string> sent;
        std::string stream;
        for (int i = 0; i < number; ++i) {
            sent.push_back(any_content(profile));
            stream += *frame_around(profile, sent.back());
        }
        FrameSplitter splitter(profile);
        const auto cuts = taken_in_pieces(splitter, stream);
        RC_ASSERT(frame_contents(cuts) == sent);
        RC_ASSERT(garbage_in(cuts).empty());
        RC_ASSERT(!splitter.half());
    });
    CHECK(holds);
}

TEST_CASE("whatever comes, each byte is in a frame or in garbage, and memory stays bounded") {
    const bool holds = rc::check("no byte is lost", [] {
        const auto profile = *rc::gen::elementOf(every_profile());
        const auto bytes = *rc::gen::container<std::string>(
            rc::gen::elementOf(std::string("\x02\x03\x10\r\n#*R0|;=\xAA\x55\x01\x00{}\"", 19)));
        FrameSplitter splitter(profile);
        auto cuts = taken_in_pieces(splitter, bytes);
        append_cuts(cuts, splitter.give_up());
        RC_ASSERT(!splitter.half());
        RC_ASSERT(cut_bytes_in(cuts) <= bytes.size());
        RC_ASSERT(cut_bytes_in(cuts) + bytes_passed_over(profile, bytes) >= bytes.size());
        for (const Garbage& garbage : garbage_in(cuts)) {
            RC_ASSERT(garbage.raw.size() == std::min<std::size_t>(garbage.bytes, 256));
            RC_ASSERT(!garbage.why.empty());
            RC_ASSERT(!garbage.remedy.empty());
        }
    });
    CHECK(holds);
}

TEST_CASE("noise before a frame is garbage, and the frame behind it is found") {
    for (const auto& profile : {rows_between(), binary_by_length(), columns()})
        for (const std::string& before : line_noise) {
            CAPTURE(profile.name, before);
            const std::string content = profile.name == "Columns" ? std::string(29, 'A') : "R|1|800|45|OK";
            FrameSplitter splitter(profile);
            const auto cuts = splitter.take(before + framed(profile, content));
            REQUIRE(cuts.size() == 2);
            REQUIRE(std::holds_alternative<Garbage>(cuts[0]));
            CHECK(std::get<Garbage>(cuts[0]).raw == before);
            CHECK(frame_contents(cuts) == std::vector{content});
        }
    // Of lines the noise spoils the one that it stands in; the next is whole again.
    const auto lines = named_lines();
    FrameSplitter splitter(lines);
    const auto cuts = splitter.take("noise" + framed(lines, "MSG=ALIVE") + framed(lines, "MSG=ASK"));
    REQUIRE(cuts.size() == 2);
    CHECK(std::get<Garbage>(cuts[0]).why.find("checksum") != std::string::npos);
    CHECK(frame_contents(cuts) == std::vector<std::string>{"MSG=ASK"});
}

TEST_CASE("a frame whose stop was lost ends where the next begins") {
    const auto profile = rows_between();
    const std::string whole = framed(profile, "R|2|800|45|OK");
    FrameSplitter splitter(profile);
    const auto cuts = splitter.take(whole.substr(0, whole.size() - 1) + whole);
    REQUIRE(cuts.size() == 2);
    CHECK(std::get<Garbage>(cuts[0]).bytes == whole.size() - 1);
    CHECK(frame_contents(cuts) == std::vector<std::string>{"R|2|800|45|OK"});
}

TEST_CASE("a length that was disturbed loses neither the frames behind it nor those that it covers") {
    const auto profile = binary_by_length();
    const std::string whole = framed(profile, "first");
    std::string longer = whole;
    longer[2] = '\x20';  // covers what follows
    FrameSplitter splitter(profile);
    auto cuts = splitter.take(longer + whole + whole);
    append_cuts(cuts, splitter.give_up());
    CHECK(frame_contents(cuts) == std::vector<std::string>{"first", "first"});
    std::string impossible = whole;
    impossible[3] = '\x7F';
    cuts = splitter.take(impossible + whole);
    CHECK(frame_contents(cuts) == std::vector<std::string>{"first"});
    REQUIRE(garbage_in(cuts).size() == 1);
    CHECK(garbage_in(cuts)[0].why == "a frame of 32523 bytes by its length");
}

TEST_CASE("without a start nothing is a frame after a fault before there was a pause") {
    auto profile = binary_by_length();
    std::get<LengthPrefixed>(profile.framing).start.clear();
    const std::string whole = framed(profile, "first");
    std::string wrong = whole;
    wrong.back() = static_cast<char>(wrong.back() ^ 1);
    FrameSplitter splitter(profile);
    auto cuts = splitter.take(wrong + whole);
    CHECK(frame_contents(cuts).empty());
    CHECK(splitter.half());
    append_cuts(cuts, splitter.give_up());
    CHECK(garbage_in(cuts).size() == 1);
    CHECK(cut_bytes_in(cuts) == 2 * whole.size());
    CHECK(frame_contents(splitter.take(whole)) == std::vector<std::string>{"first"});
}

TEST_CASE("a frame that does not go on is given up, and frames that stand whole behind its start are kept") {
    const auto profile = binary_by_length();
    const std::string whole = framed(profile, "first");
    std::string longer = whole;
    longer[2] = '\x60';
    FrameSplitter splitter(profile);
    CHECK(splitter.take(longer + whole).empty());
    CHECK(splitter.half());
    const auto cuts = splitter.give_up();
    CHECK(frame_contents(cuts) == std::vector<std::string>{"first"});
    CHECK_FALSE(splitter.half());
    const auto lines = named_lines();
    FrameSplitter of_lines(lines);
    CHECK(of_lines.take("MSG=RES;NO=1").empty());
    const auto given_up = of_lines.give_up();
    REQUIRE(given_up.size() == 1);
    CHECK(std::get<Garbage>(given_up[0]).why == "a frame that did not go on");
}

TEST_CASE("an empty frame is passed over, and one that is too long is garbage up to its end") {
    const auto lines = json_lines();
    FrameSplitter splitter(lines);
    CHECK(splitter.take("\n\n\n").empty());
    std::vector<Cut> cuts;
    for (int i = 0; i < 200; ++i)
        append_cuts(cuts, splitter.take(std::string(1000, 'x')));
    append_cuts(cuts, splitter.take("\n{}\n"));
    REQUIRE(cuts.size() == 2);
    CHECK(std::get<Garbage>(cuts[0]).bytes == 200'001);
    CHECK(std::get<Garbage>(cuts[0]).raw.size() == 256);
    CHECK(frame_contents(cuts) == std::vector<std::string>{"{}"});
    const auto between = rows_between();
    FrameSplitter rows(between);
    auto row_cuts = rows.take("\x02" + std::string(70'000, 'x') + "\x03");
    append_cuts(row_cuts, rows.take(framed(between, "R")));
    CHECK(frame_contents(row_cuts) == std::vector<std::string>{"R"});
}

TEST_CASE("garbage costs by its bytes, however long the frames are that might begin in it") {
    FrameProfile by_length = binary_by_length();
    std::get<LengthPrefixed>(by_length.framing) = {
        .start = "\xA6", .type = FieldType::uint16, .order = WordOrder::abcd, .besides = 0, .longest = 65536};
    by_length.checksum =
        FrameChecksum{.kind = ChecksumKind::crc16_modbus, .form = ChecksumForm::high_first, .before = {}};
    FrameProfile fixed = columns();
    std::get<FixedLength>(fixed.framing) = {.start = "R", .length = 65536};
    FrameProfile after_stop = rows_between();
    std::get<StartStop>(after_stop.framing).checksum_after_stop = true;
    after_stop.checksum->before.clear();
    struct Story {
        FrameProfile profile;
        std::string pattern;
    };
    const std::string nul(1, '\0');
    const std::vector<Story> stories{
        {rows_between(), "\x10\x02"}, {rows_between(), "\x02"},           {rows_between(), "\x02\x03"},
        {after_stop, "\x10\x02"},     {after_stop, "\x02\x03"},           {by_length, "\xA6"},
        {by_length, "\xA6\x0F"},      {by_length, "\xA6" + nul + "\x08"}, {fixed, "R"},
        {named_lines(), "\r"}};
    constexpr std::size_t times_each = 8;
    for (const auto& [profile, pattern] : stories) {
        std::string stream;
        while (stream.size() < 3 * frame_limit)
            stream += pattern;
        for (const std::size_t step : {std::size_t{1}, std::size_t{2048}, stream.size()}) {
            CAPTURE(profile.name, pattern, step);
            FrameSplitter splitter(profile);
            for (std::size_t at = 0; at < stream.size(); at += step)
                static_cast<void>(splitter.take(std::string_view(stream).substr(at, step)));
            static_cast<void>(splitter.give_up());
            CHECK_FALSE(splitter.half());
            CHECK(splitter.looked_at() >= stream.size() / 3);
            CHECK(splitter.looked_at() <= times_each * stream.size());
        }
    }
}

TEST_CASE("the checksum of a stretch is that of its bytes alone, whatever stands before it") {
    const bool holds = rc::check("stretches", [] {
        const auto kind = *rc::gen::elementOf(std::vector{
            ChecksumKind::sum8, ChecksumKind::lrc8, ChecksumKind::xor8, ChecksumKind::crc16_modbus,
            ChecksumKind::crc16_arc, ChecksumKind::crc16_xmodem, ChecksumKind::crc16_ccitt_false,
            ChecksumKind::crc16_kermit, ChecksumKind::crc16_x25});
        const auto bytes = *rc::gen::container<std::string>(rc::gen::arbitrary<char>());
        const auto dropped = *rc::gen::inRange<std::size_t>(0, bytes.size() + 1);
        const auto from = *rc::gen::inRange<std::size_t>(0, bytes.size() - dropped + 1);
        const auto to = *rc::gen::inRange<std::size_t>(from, bytes.size() - dropped + 1);
        StretchSums sums(kind);
        sums.append(std::string_view(bytes).substr(0, bytes.size() / 2));
        sums.append(std::string_view(bytes).substr(bytes.size() / 2));
        sums.drop(dropped);
        RC_ASSERT(sums.of(from, to) ==
                  checksum_of(kind, std::string_view(bytes).substr(dropped + from, to - from)));
    });
    CHECK(holds);
}

TEST_CASE("a long stretch has the checksum of its bytes too") {
    for (const ChecksumKind kind : {ChecksumKind::crc16_modbus, ChecksumKind::crc16_xmodem,
                                    ChecksumKind::crc16_ccitt_false, ChecksumKind::crc16_x25}) {
        std::string bytes;
        while (bytes.size() < frame_limit + 3)
            bytes += std::to_string(bytes.size());
        StretchSums sums(kind);
        sums.append(bytes);
        CHECK(sums.of(3, frame_limit + 3) ==
              checksum_of(kind, std::string_view(bytes).substr(3, frame_limit)));
    }
}

TEST_CASE("a checksum behind the stop byte may look like anything, the start of a frame included") {
    FrameProfile profile = rows_between();
    profile.framing = StartStop{.start = 0x02, .stop = 0x03, .escape = 0x10, .checksum_after_stop = true};
    profile.checksum =
        FrameChecksum{.kind = ChecksumKind::xor8, .form = ChecksumForm::high_first, .before = {}};
    // The XOR of this content and the stop byte is 02.
    const std::string content = "A@";
    const std::string whole = framed(profile, content);
    REQUIRE(whole.back() == '\x02');
    FrameSplitter splitter(profile);
    std::vector<Cut> cuts;
    for (const char byte : whole + whole)
        append_cuts(cuts, splitter.take(std::string(1, byte)));
    CHECK(frame_contents(cuts) == std::vector<std::string>{content, content});
    std::string wrong = whole;
    wrong.back() = '\x01';
    cuts = splitter.take(wrong + whole);
    CHECK(frame_contents(cuts) == std::vector<std::string>{content});
    CHECK(garbage_in(cuts).size() == 1);
}

TEST_CASE("every checksum finds every single bit that is turned over, in content and checksum") {
    for (const ChecksumKind kind :
         {ChecksumKind::sum8, ChecksumKind::lrc8, ChecksumKind::xor8, ChecksumKind::crc16_modbus,
          ChecksumKind::crc16_arc, ChecksumKind::crc16_xmodem, ChecksumKind::crc16_ccitt_false,
          ChecksumKind::crc16_kermit, ChecksumKind::crc16_x25})
        for (const ChecksumForm form : {ChecksumForm::high_first, ChecksumForm::low_first}) {
            FrameProfile profile = binary_by_length();
            profile.checksum = FrameChecksum{.kind = kind, .form = form, .covers_start = true, .before = {}};
            const std::string whole = framed(profile, "torque 82.5");
            for (std::size_t bit = 0; bit < 8 * whole.size(); ++bit) {
                std::string wrong = whole;
                wrong[bit / 8] = static_cast<char>(wrong[bit / 8] ^ (1 << (bit % 8)));
                FrameSplitter splitter(profile);
                auto cuts = splitter.take(wrong);
                append_cuts(cuts, splitter.give_up());
                CAPTURE(static_cast<int>(kind), bit);
                CHECK(frame_contents(cuts).empty());
            }
        }
}

TEST_CASE("a CRC finds every burst of up to 16 bits, a sum does not find bytes that changed places") {
    FrameProfile profile = binary_by_length();
    const std::string content = "torque 82.5";
    for (const ChecksumKind kind :
         {ChecksumKind::crc16_modbus, ChecksumKind::crc16_xmodem, ChecksumKind::crc16_x25})
        for (std::uint32_t burst = 1; burst < 0x10000; burst += 2) {
            std::string wrong = content;
            wrong[3] = static_cast<char>(wrong[3] ^ static_cast<char>(burst >> 8U));
            wrong[4] = static_cast<char>(wrong[4] ^ static_cast<char>(burst & 0xFFU));
            if (checksum_of(kind, wrong) == checksum_of(kind, content))
                FAIL("burst " << burst);
        }
    std::string swapped = content;
    std::swap(swapped[0], swapped[1]);
    for (const ChecksumKind kind : {ChecksumKind::sum8, ChecksumKind::lrc8, ChecksumKind::xor8}) {
        CHECK(checksum_of(kind, swapped) == checksum_of(kind, content));
        CHECK_FALSE(is_crc(kind));
    }
    CHECK(checksum_of(ChecksumKind::crc16_modbus, swapped) !=
          checksum_of(ChecksumKind::crc16_modbus, content));
}

TEST_CASE("hexadecimal digits of a checksum are taken in any case") {
    const auto profile = named_lines();
    std::string whole = framed(profile, "MSG=ALIVE");
    std::ranges::transform(whole, whole.begin(),
                           [](char c) { return c >= 'A' && c <= 'F' ? static_cast<char>(c + 32) : c; });
    FrameSplitter splitter(profile);
    const auto lower = whole.substr(whole.find('*'));
    const auto upper = framed(profile, "MSG=ALIVE");
    CHECK(frame_contents(splitter.take(upper.substr(0, upper.find('*')) + lower)).size() == 1);
}

TEST_CASE("what has no form in the framing is not sent") {
    const auto refused = [](const FrameProfile& profile, std::string_view content) {
        const auto frame = frame_around(profile, content);
        return frame ? std::string() : frame.error();
    };
    CHECK(refused(json_lines(), "{\n}") == R"(the content '{\x0a}' holds the end of a frame)");
    auto plain = rows_between();
    std::get<StartStop>(plain.framing).escape.reset();
    CHECK_FALSE(refused(plain, "a\x03").empty());
    CHECK(refused(binary_by_length(), std::string(300, 'x')) ==
          "a frame of 306 bytes, for which the length has no room");
    CHECK(refused(columns(), "R") == "a frame of 4 bytes, where each has 32");
    CHECK(refused(columns(), "") == "a frame without content");
    const auto lines = named_lines();
    CHECK(compose(lines, *lines.acknowledge, 7).value().starts_with("MSG=STORED;NO=0007*"));
    CHECK(compose(lines, *lines.acknowledge, 12345).error() == "12345 has more than 4 digits");
    const auto numbers = binary_by_length();
    CHECK(compose(numbers, *numbers.acknowledge, 0x01020304).value().substr(4, 5) == "\x06\x04\x03\x02\x01");
    CHECK_FALSE(compose(numbers, *numbers.acknowledge, 0x100000000).has_value());
}
