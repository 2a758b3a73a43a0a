// Every file below bad/ is named for its fault and must be refused with exactly these words: place, finding,
// remedy. One mistake gives one message.
#include <algorithm>
#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "config/reader.hpp"

namespace {

namespace fs = std::filesystem;

const fs::path folder = fs::path(TAUTGATE_SOURCE_DIR) / "tests/unit/config/bad";

// The messages, without the file name with which each begins.
// clang-format off
const std::map<std::string, std::vector<std::string>> expected{
    {"meaning/api-beyond-loopback.json",
     {R"(:6: /api/address: 192.0.2.7 can be reached from other machines, and the API carries credentials in clear; give 127.0.0.1)"}},
    {"meaning/bad-ticket-pattern.json",
     {R"(:21: /tickets/0/pattern: missing ): M (?P<order>[0-9]+) (?P<type>[a-z]+) (?P<serial>[0-9]+; write a regular expression in RE2 syntax)"}},
    {"meaning/check-characters-of-message.json",
     {R"(:24: /tickets/0/check/over: a message has no check characters of its own; check the serial number instead)"}},
    {"meaning/check-digit-of-vin-over-nine-characters.json",
     {R"(:26: /tickets/0/check/system: 9 characters are checked, but the VIN check digit of 49 CFR 565 needs 17; choose another system, or correct the columns)"}},
    {"meaning/class-a-override-by-one.json",
     {R"(:52: /people/overrides/0/people: class A needs the consent of 2, not of 1; give at least 2)"}},
    {"meaning/class-a-without-angle.json",
     {R"(:35: /joints/0/passes/0/window: a class A joint needs torque and angle, and this window has no angle; add "angle" with its limits and origin)"}},
    {"meaning/control-that-frames-have-not.json",
     {R"(:16: /tools/0/control: the profile of tool "T1" does not say how it is let run; add "control" to the profile, or leave it out here)"}},
    {"meaning/date-for-serial-number.json",
     {R"(:23: /tickets/0/envelope/serial/identifier: '16D' names a date, which many units have in common; give the identifier of a serial number, such as "S")"}},
    {"meaning/echo-timeout-below-three-beats.json",
     {R"(:10: /bays/0/controller/echo_timeout_ms: 500 ms is less than 3 beats of 200 ms, so one late answer would withhold; give at least 600)"}},
    {"meaning/elements-without-symbology-identifier.json",
     {R"(:22: /tickets/0/envelope/format: without an envelope, a label of GS1 begins like many another; list the symbology identifiers that the scanner puts before it, such as "]d2")"}},
    {"meaning/frame-message-never-reached.json",
     {R"(:33: /profiles/0/frames/messages/1/when: the message before it, 'result', takes every frame; say by what they differ, and put the more special one first)"}},
    {"meaning/frames-detect-too-much.json",
     {R"(:37: /profiles/0/frames/detects/0: corruption is not detected: a checksum of 8 bits lets one disturbed frame in 256 through; have the tool send a CRC of 16 bits and describe it under checksum, or leave it out here)"}},
    {"meaning/frames-for-polled-tool.json",
     {R"(:16: /tools/0/link/registers/profile: the profile "rows" describes frames, and the tool is polled; name a profile of the other kind, or reach the tool the other way)"}},
    {"meaning/frames-on-a-shared-line.json",
     {R"(:16: /tools/0/link/frames/serial/device: /dev/ttyS1 is taken already, by module "IO"; give the tool a line of its own)"}},
    {"meaning/frames-on-the-tool-port.json",
     {R"(:16: /tools/0/link/frames/listen/port: port 8481 is taken already, at /tool_port/port; give another port)"}},
    {"meaning/frames-without-sign-of-life.json",
     {R"(:16: /tools/0/link/frames/profile: by the profile tool "T1" sends nothing but results, so that a quiet one cannot be told from a dead one; describe its sign of life or its answer to keep_alive as a message, status or other)"}},
    {"meaning/joint-twice-in-plan.json",
     {R"(:46: /plans/0/stages/1/steps/1/tighten: the plan has the joint "flange" already; keep one of the two steps)"}},
    {"meaning/keep-alive-beyond-silence.json",
     {R"(:16: /tools/0/silence_limit_ms: 2000 ms is no more than the 3000 ms from one keep-alive to the next, so a quiet tool would count as lost; give more than 3000, best three times as much)"}},
    {"meaning/label-columns-beyond-length.json",
     {R"(:25: /tickets/0/fixed/serial: columns 14 to 23 go beyond the 22 columns of the label; correct the columns, or the length of the label)"}},
    {"meaning/label-columns-overlap.json",
     {R"(:24: /tickets/0/fixed/type: columns 8 to 15 overlap columns 14 to 22 of serial; give each its own columns)"}},
    {"meaning/label-without-order.json",
     {R"(:25: /pair/ticket_kinds/0: a label of kind "M" states no order, but the pair must be of one order; add "order" to each rule for its labels, in a pattern as (?P<order>...))"}},
    {"meaning/limit-off-resolution.json",
     {R"(:36: /joints/0/passes/0/window/torque/max: 75.25 N·m is no multiple of 0.1 N·m, the resolution of tool "T1"; give 75.2 N·m or 75.3 N·m)"}},
    {"meaning/no-symbology-identifier.json",
     {R"(:26: /tickets/0/symbology_identifiers/1: 'd1' is no symbology identifier; give ']', a letter and a letter or digit, such as "]d1" of Data Matrix)"}},
    {"meaning/no-way-out-incomplete.json",
     {R"(:48: /plans/0/leaving_incomplete: a unit that cannot be proven has no way out; name a leaving permissive, or describe a way that no permissive guards in "unguarded_way")"}},
    {"meaning/nobody-may-decide.json",
     {R"(:55: /people/decisions: nobody could ever answer what the station asks; list at least one role)"}},
    {"meaning/nobody-may-try-the-wiring.json",
     {R"(:58: /wiring_tests/roles: nobody could ever try the wiring; list at least one role)"}},
    {"meaning/nobody-may-order.json",
     {R"(:8: /orders/entitled: nobody could ever change orders; list at least one role)"}},
    {"meaning/orders-but-label-without.json",
     {R"(:8: /orders: a label of kind "M" states no order, but a unit is built for an order that the station knows; add "order" to each rule for its labels, in a pattern as (?P<order>...))"}},
    {"meaning/operator-approves.json",
     {R"(:52: /people/overrides/0/roles/0: an operator may not approve an override; name a role that does not work at the joint)"}},
    {"meaning/poll-too-slow-for-pulse.json",
     {R"(:23: /io/0/inputs/0: looked at every 50 ms, a pulse of 40 ms could pass between two looks; poll every 20 ms or more often, or let the module count the pulses itself)"}},
    {"meaning/port-used-twice.json",
     {R"(:7: /tool_port/port: port 8480 is taken already, at /api/port; give another port)"}},
    {"meaning/register-blocks-overlap.json",
     {R"(:10: /bays/0/controller/feedback_address: registers 10 to 25 overlap registers 0 to 11 of /bays/0/controller/permissive_address; give addresses that leave room for one block per permissive)"}},
    {"meaning/scan-outside-pair.json",
     {R"(:46: /plans/0/stages/0/steps/1/scan: "Q" is no ticket of the pair, so its scan would never be taken; add it to the pair's ticket_kinds, or remove the step)"}},
    {"meaning/shifts-overlap.json",
     {R"(:62: /calendar/shifts/1: the shift "late" overlaps the shift "day"; let one end where the other begins)"}},
    {"meaning/substitute-could-be-data.json",
     {R"(:24: /tickets/0/envelope/substitutes/gs: 'G' cannot be told from the data of a label; give 1 to 8 printable ASCII characters that begin with no letter or digit)"}},
    {"meaning/target-outside-window.json",
     {R"(:36: /joints/0/passes/0/window/torque/target: 76 N·m is outside the window (67 N·m to 75 N·m); give a target within min and max)"}},
    {"meaning/threshold-missing.json",
     {R"(:37: /joints/0/passes/0/window/angle: the angle is counted from a threshold torque, but there is no threshold; add "threshold" with value and unit)"}},
    {"meaning/ticket-never-scanned.json",
     {R"(:44: /plans/0/stages: no step scans the ticket "M" of the pair; add a scan step before the first joint)"}},
    {"meaning/torque-max-below-min.json",
     {R"(:36: /joints/0/passes/0/window/torque/max: 41 N·m is below min (67 N·m); give a max of at least the min)"}},
    {"meaning/two-labels-alike.json",
     {R"(:26: /tickets/1: one label can fit both this rule and the rule of kind 'M' at place 0; tell them apart by a prefix, a suffix, the length or the symbology identifier)"}},
    {"meaning/unknown-application-identifier.json",
     {R"(:23: /tickets/0/envelope/type/identifier: '05' is no application identifier of GS1; give two to four digits, such as "21" (GS1 General Specifications))"}},
    {"meaning/unknown-data-identifier.json",
     {R"(:23: /tickets/0/envelope/order/identifier: 'SK' is no data identifier of format 06; give up to three digits and a capital letter, such as "S" or "1T" (ANSI MH10.8.2))"}},
    {"meaning/unknown-joint-in-plan.json",
     {R"(:46: /plans/0/stages/1/steps/0/tighten: there is no joint "flage"; give one of flange)"}},
    {"meaning/unknown-tool.json",
     {R"(:28: /joints/0/tools/0: there is no tool "T2"; give one of T1)"}},
    {"meaning/unknown-zone.json",
     {R"(:59: /calendar/zone: the system knows no time zone "Europe/Larkmoor"; give an IANA name such as Europe/London, and see that the package tzdata is installed)"}},
    {"meaning/window-outside-tool-range.json",
     {R"(:36: /joints/0/passes/0/window/torque/max: 75 N·m is above the range of tool "T1" (20 N·m to 70 N·m); narrow the window or choose a tool that covers it)"}},
    {"structure/column-zero.json",
     {R"(:23: /tickets/0/fixed/order/start: 0 is out of range; give a whole number from 1 to 256)"}},
    {"structure/control-character-in-name.json",
     {R"(:3: /name: "Small?station" has a control character in it, shown as ?; give a text of 1 to 200 characters on one line)"}},
    {"structure/empty-list.json",
     {R"(:44: /plans/0/stages: the list has 0 values; give a list of 1 to 256 values)"}},
    {"structure/frame-bytes-not-hexadecimal.json",
     {R"(:23: /profiles/0/frames/framing/delimited/end/hex: "0d0" is no row of bytes in hexadecimal; give 1 to 4 bytes, two digits each, such as "0d0a")"}},
    {"structure/frame-message-without-kind.json",
     {R"(:34: /profiles/0/frames/messages/1: the message has 0 of the keys result, status, trace and other; give exactly one of them)"}},
    {"structure/frame-number-without-byte.json",
     {R"(:31: /profiles/0/frames/messages/0/result/angle/order: there is no type to which it belongs; add "type" or remove it)"}},
    {"structure/frame-part-of-two-kinds.json",
     {R"(:36: /profiles/0/frames/keep_alive/frame/0: the part has 2 of the keys text, hex, digits and number; give exactly one of them)"}},
    {"structure/frame-place-of-two-kinds.json",
     {R"(:31: /profiles/0/frames/messages/0/result/angle: the place has 2 of the keys column, index, key, pointer and byte; give exactly one of them)"}},
    {"structure/frames-link-without-a-way.json",
     {R"(:16: /tools/0/link/frames: the link has 0 of the keys call, listen and serial; give exactly one of them)"}},
    {"structure/frames-peer-by-name.json",
     {R"(:16: /tools/0/link/frames/listen/peer: "tool.invalid" is not allowed here; give an IPv4 or IPv6 address in numbers, such as 127.0.0.1)"}},
    {"structure/frames-without-detects.json",
     {R"(:21: /profiles/0/frames: the key "detects" is missing; add it)"}},
    {"structure/framing-of-two-kinds.json",
     {R"(:23: /profiles/0/frames/framing: the framing has 2 of the keys delimited, start_stop, length_prefixed and fixed; give exactly one of them)"}},
    {"structure/host-name-for-peer.json",
     {R"(:16: /tools/0/link/line/peer: "tool-1" is not allowed here; give an IPv4 or IPv6 address in numbers, such as 127.0.0.1)"}},
    {"structure/id-with-blank.json",
     {R"(:16: /tools/0/id: "T 1" is not allowed here; give 1 to 64 letters, digits, '.', '_' or '-', beginning with a letter or digit)"}},
    {"structure/input-of-two-uses.json",
     {R"(:23: /io/0/inputs/0: the input has 2 of the keys pulse, count, button, present and moved; give exactly one of them: what the input is for)"}},
    {"structure/link-without-kind.json",
     {R"(:16: /tools/0/link: the link has 0 of the keys line, registers, pulse and frames; give exactly one of them)"}},
    {"structure/many-mistakes.json",
     {R"(:7: /tool_port/port: 84810 is out of range; give a whole number from 0 to 65535)",
      R"(:9: /bays/0: the key "id" is missing; add it)",
      R"(:13: /permissives/0/leavng: unknown key "leavng"; did you mean "leaving"?)",
      R"(:36: /joints/0/passes/0/window/torque/min: "67" is of the wrong kind; give a number)",
      R"(:40: /joints/0/audit/max: 80 N·m is below min (82 N·m); give a max of at least the min)",
      R"(:59: /calendar/zone: 7 is of the wrong kind; give a text of 1 to 200 characters on one line)"}},
    {"structure/missing-key.json",
     {R"(:28: /joints/0: the key "id" is missing; add it)"}},
    {"structure/misspelt-key.json",
     {R"(:13: /permissives/0/leavng: unknown key "leavng"; did you mean "leaving"?)"}},
    {"structure/misspelt-required-key.json",
     {R"(:10: /bays/0/contoller: unknown key "contoller"; did you mean "controller"?)"}},
    {"structure/negative-limit.json",
     {R"(:36: /joints/0/passes/0/window/torque/min: -67 is negative; give a number from 0 to 1000000000 with at most 18 digits)"}},
    {"structure/no-origin-of-angle.json",
     {R"(:37: /joints/0/passes/0/window/angle: the key "origin" is missing; add it)"}},
    {"structure/no-time-of-day.json",
     {R"(:61: /calendar/shifts/0/end: "24:00" is no time of day; give a time from "00:00" to "23:59")"}},
    {"structure/number-far-too-large.json",
     {R"(:7: /tool_port/port: 99999999999999999999999 is out of range; give a whole number from 0 to 65535)"}},
    {"structure/number-not-whole.json",
     {R"(:9: /bays/0/number: 1.5 is not whole; give a whole number from 1 to 65535)"}},
    {"structure/number-out-of-range.json",
     {R"(:7: /tool_port/port: 84810 is out of range; give a whole number from 0 to 65535)"}},
    {"structure/one-letter-class.json",
     {R"(:28: /joints/0/risk_class: "D" is not known here; give one of A, B, C)"}},
    {"structure/order-columns-mapped.json",
     {R"(:8: /orders/columns: unknown key "columns"; known here: folder, separator, still_for_ms, entitled)"}},
    {"structure/order-separator-guessed.json",
     {R"(:8: /orders/separator: "auto" is not known here; give one of comma, semicolon)"}},
    {"structure/order-separator-missing.json",
     {R"(:8: /orders: the key "separator" is missing; add it)"}},
    {"structure/profile-without-kind.json",
     {R"(:20: /profiles/0: the profile has 0 of the keys layout and frames; give layout of a tool that is polled, or frames of one that sends its results)"}},
    {"structure/scanner-without-a-way.json",
     {R"(:21: /scanners/0: the scanner has neither peer nor serial; give peer if it calls over the network, serial if it hangs on a line of its own)"}},
    {"structure/step-of-two-kinds.json",
     {R"(:46: /plans/0/stages/1/steps/0: the step has 2 of the keys scan, tighten and confirm; give exactly one of them)"}},
    {"structure/text-for-min-below-threshold.json",
     {R"(:36: /joints/0/passes/0/window/torque/min: "67" is of the wrong kind; give a number)"}},
    {"structure/text-for-number.json",
     {R"(:36: /joints/0/passes/0/window/torque/min: "67" is of the wrong kind; give a number)"}},
    {"structure/ticket-of-two-contents.json",
     {R"(:21: /tickets/0: the ticket has 2 of the keys pattern, fixed and envelope; give exactly one of them)"}},
    {"structure/ticket-without-content.json",
     {R"(:21: /tickets/0: the ticket has 0 of the keys pattern, fixed and envelope; give exactly one of them)"}},
    {"structure/unit-missing.json",
     {R"(:36: /joints/0/passes/0/window/torque: the key "unit" is missing; add it)"}},
    {"structure/unknown-check-system.json",
     {R"(:21: /tickets/0/check/system: "mod_37_63" is not known here; did you mean "mod_37_36"? give one of mod_11_2, mod_37_2, mod_97_10, mod_661_26, mod_1271_36, mod_11_10, mod_27_26, mod_37_36, gs1_mod_10, vin)"}},
    {"structure/unknown-day.json",
     {R"(:61: /calendar/shifts/0/days/1: "tusday" is not known here; did you mean "tuesday"? give one of monday, tuesday, wednesday, thursday, friday, saturday, sunday)"}},
    {"structure/unknown-message-format.json",
     {R"(:22: /tickets/0/envelope/format: "07" is not known here; did you mean "05"? give one of 05, 06, gs1)"}},
    {"structure/unknown-unit.json",
     {R"(:36: /joints/0/passes/0/window/torque/unit: "Nm" is not known here; did you mean "N.m"? give one of N.m, cN.m, lbf.ft, lbf.in, kgf.m)"}},
    {"structure/unknown-word.json",
     {R"(:52: /people/overrides/0/roles/1: "quality_enginer" is not known here; did you mean "quality_engineer"? give one of line_operator, production_supervisor, quality_engineer, manufacturing_engineer, maintenance, administrator)"}},
    {"text/binary.json",
     {R"(:1:1: this is no JSON: this is no text file in UTF-8, a byte 0 is in it; mend the text at or just before this place)"}},
    {"text/comma-missing.json",
     {R"(:6:9: this is no JSON: while parsing object - unexpected string literal; expected '}'; mend the text at or just before this place)"}},
    {"text/comment-never-closed.json",
     {R"(:8:5: this is no JSON: the comment that begins in line 8 is never closed, add */ at its end; mend the text at or just before this place)"}},
    {"text/cut-off.json",
     {R"(:13:109: this is no JSON: while parsing value - invalid literal; last read: '"leaving": tr'; mend the text at or just before this place)"}},
    {"text/duplicate-key.json",
     {R"(:6: /site: the key "site" stands twice, first in line 4; remove one of them)"}},
    {"text/empty.json",
     {R"(:1:1: this is no JSON: the file is empty; write a station description, or start from config/larkmoor.json)"}},
    {"text/number-beyond-everything.json",
     {R"(:7:32: this is no JSON: the number '1e400' is too large for anything here; mend the text at or just before this place)"}},
    {"text/not-utf-8.json",
     {R"(:9:46: this is no JSON: while parsing value - invalid string: ill-formed UTF-8 byte; last read: '"B?y'; mend the text at or just before this place)"}},
};
// clang-format on

std::vector<std::string> messages(const std::string& name) {
    std::vector<std::string> out;
    const auto path = (folder / name).string();
    for (const auto& finding : tautgate::config::load_station_file(path).findings) {
        const auto text = to_text(finding);
        REQUIRE(text.starts_with(path));
        out.push_back(text.substr(path.size()));
    }
    return out;
}

}  // namespace

TEST_CASE("each bad file is refused with the words that name its fault") {
    for (const auto& [name, words] : expected) {
        INFO(name);
        CHECK(messages(name) == words);
        CHECK_FALSE(tautgate::config::load_station_file(folder / name).station.has_value());
    }
}

TEST_CASE("every file below bad/ has its words pinned") {
    std::size_t files = 0;
    for (const auto& entry : fs::recursive_directory_iterator(folder)) {
        if (entry.is_regular_file()) {
            ++files;
            INFO(entry.path());
            CHECK(expected.contains(fs::relative(entry.path(), folder).string()));
        }
    }
    CHECK(files == expected.size());
}
