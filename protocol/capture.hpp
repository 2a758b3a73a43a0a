// A capture: what went over the wire between the station and one tool, byte for byte, with the time of each
// part. CAPTURE.md beside this file says how the file is written; it is plain text, one JSON object a line,
// so that a file that was cut off is readable up to its last whole line. Pure; any thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

inline constexpr std::int64_t capture_version = 1;

// Stored by name; never rename one.
enum class CaptureWire : std::uint8_t { modbus_tcp, modbus_serial, lines, frames };
TAUTGATE_ENUM(CaptureWire, modbus_tcp, modbus_serial, lines, frames);

struct CaptureHead {
    CaptureWire wire = CaptureWire::modbus_tcp;
    std::string tool;            // its id
    std::string connection;      // in words: "127.0.0.1:8464, unit 1"
    std::string profile;         // id; empty with lines
    std::string profile_digest;  // SHA-256 of profile_text (profile_text.hpp), in hex; empty with lines
    std::string began;           // UTC, RFC 3339
    bool operator==(const CaptureHead&) const = default;
};
TAUTGATE_FIELDS(CaptureHead, wire, tool, connection, profile, profile_digest, began);

enum class CaptureSide : std::uint8_t { station, tool };
TAUTGATE_ENUM(CaptureSide, station, tool);

struct CapturedBytes {
    CaptureSide from = CaptureSide::station;
    std::int64_t at_us = 0;  // since the beginning
    std::string bytes;
    bool operator==(const CapturedBytes&) const = default;
};
TAUTGATE_FIELDS(CapturedBytes, from, at_us, bytes);

struct Capture {
    CaptureHead head;
    std::vector<CapturedBytes> parts;
    bool cut = false;  // the last line was not whole, and left out
    bool operator==(const Capture&) const = default;
};
TAUTGATE_FIELDS(Capture, head, parts, cut);

// Whole lines with their newline.
[[nodiscard]] std::string to_line(const CaptureHead& head);
[[nodiscard]] std::string to_line(const CapturedBytes& part);

// One mistake: in which line, what, and what to do.
struct CaptureFault {
    std::size_t line = 0;  // from 1
    std::string what;
    std::string remedy;
    bool operator==(const CaptureFault&) const = default;
};
TAUTGATE_FIELDS(CaptureFault, line, what, remedy);

// Unknown keys are left alone, so that a later version can be read; another version, a missing or wrong value
// is a fault. Only a last line without its newline may be anything.
[[nodiscard]] std::expected<Capture, CaptureFault> read_capture(std::string_view text);

// What the tool sent to one request of the station, or nothing where no answer came.
struct Exchange {
    std::int64_t at_us = 0;  // of the request
    std::string request;
    std::string answer;
    bool operator==(const Exchange&) const = default;
};
TAUTGATE_FIELDS(Exchange, at_us, request, answer);
// Of the two wires on which the station asks and the tool answers.
[[nodiscard]] std::vector<Exchange> exchanges_in(const Capture& capture);

}  // namespace tautgate::protocol
