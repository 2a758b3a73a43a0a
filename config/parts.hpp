// Descriptions of the parts of a station that have a file of their own or that more than one file of the
// reader needs: quantities with their units, limits of curves, serial lines, scanners, I/O modules, the
// profiles of registers and of frames, and the rules of labels. Used by the reader only.
#pragma once

#include <string>

#include "config/shape.hpp"
#include "config/station.hpp"
#include "protocol/frame_profile.hpp"
#include "protocol/register_profile.hpp"
#include "protocol/ticket_rule.hpp"

namespace tautgate::config {

// { "value": 402.5, "unit": "N.m" }. The unit is never defaulted.
struct RawQuantity {
    std::string value;  // digits of the file
    protocol::TorqueUnit unit = protocol::TorqueUnit::newton_metre;
};

[[nodiscard]] OneOf<protocol::TorqueUnit> torque_unit_word();
// Angles come in degrees; the word still has to stand there.
struct DegreeWord {};
[[nodiscard]] OneOf<DegreeWord> degree_word();

// One number of the file as torque or angle, kept to the micro unit; errors as of any value.
void read_torque(Errors& errors, const Node& node, const std::string& pointer, const std::string& digits,
                 protocol::TorqueUnit unit, protocol::Torque& out);
void read_angle(Errors& errors, const Node& node, const std::string& pointer, const std::string& digits,
                protocol::Angle& out);

// Readers of one quantity.
struct TorqueQuantity {
    void read(Errors& errors, const Node& node, const std::string& pointer, protocol::Torque& out) const;
    void list(const std::string& path, std::vector<KnownKey>& keys) const;
};
struct AngleQuantity {
    void read(Errors& errors, const Node& node, const std::string& pointer, protocol::Angle& out) const;
    void list(const std::string& path, std::vector<KnownKey>& keys) const;
};

// What the curves of a pass have to show.
[[nodiscard]] Shape<CurveWindow> curve_window_shape();

[[nodiscard]] Shape<protocol::RegisterProfile> register_profile_shape();
[[nodiscard]] Shape<protocol::FrameProfile> frame_profile_shape();
// Of both.
[[nodiscard]] OneOf<protocol::FieldType> field_type();
[[nodiscard]] OneOf<protocol::WordOrder> word_order();
[[nodiscard]] Shape<protocol::BitRange> bits_shape();
[[nodiscard]] Shape<protocol::MeasuringRange> measuring_range_shape();

// Reader of the way to a tool that sends frames, which is exactly one of call, listen and serial.
struct FrameLinkObject {
    void read(Errors& errors, const Node& node, const std::string& pointer, FrameLink& out) const;
    void list(const std::string& path, std::vector<KnownKey>& keys) const;
};

// Reader of one kind of build ticket, whose labels are described by exactly one of pattern, fixed and
// envelope.
struct TicketRuleObject {
    void read(Errors& errors, const Node& node, const std::string& pointer, protocol::TicketRule& out) const;
    void list(const std::string& path, std::vector<KnownKey>& keys) const;
};

[[nodiscard]] OneOf<protocol::RegisterTable> register_table();
[[nodiscard]] Shape<SerialLine> serial_line_shape();

// Reader of the link to one controller, which has either both addresses or coils.
struct ControllerObject {
    void read(Errors& errors, const Node& node, const std::string& pointer, ControllerLink& out) const;
    void list(const std::string& path, std::vector<KnownKey>& keys) const;
};

// Reader of one further controller of a bay, which has registers.
struct FurtherControllerObject {
    void read(Errors& errors, const Node& node, const std::string& pointer, FurtherController& out) const;
    void list(const std::string& path, std::vector<KnownKey>& keys) const;
};

// Reader of one scanner, which has exactly one of peer and serial.
struct ScannerObject {
    void read(Errors& errors, const Node& node, const std::string& pointer, Scanner& out) const;
    void list(const std::string& path, std::vector<KnownKey>& keys) const;
};

// Reader of one I/O module, which has exactly one of host and serial.
struct IoModuleObject {
    void read(Errors& errors, const Node& node, const std::string& pointer, IoModule& out) const;
    void list(const std::string& path, std::vector<KnownKey>& keys) const;
};

}  // namespace tautgate::config
