// Every place that a message of a frame profile names, in the order of the profile, with what it is used for:
// what checking, explaining and comparing of frames share. Internal to this folder. Pure; the places point
// into the message that they were made of.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "protocol/frame_profile.hpp"

namespace tautgate::protocol {

enum class PlaceUse : std::uint8_t {
    count,    // a whole number from 0 on
    measure,  // a measured value or a limit
    code,     // is compared with codes
    text,     // a name
    instant   // the tool's own time
};

struct NamedPlace {
    std::string pointer;  // within the message: "/result/torque"
    std::string field;    // "torque", "limits/torque_min"
    PlaceUse use = PlaceUse::code;
    const FramePlace* place = nullptr;
    const FrameNumber* number = nullptr;  // of counts and measures
};

// What recognises the message is not among them.
[[nodiscard]] std::vector<NamedPlace> places_in(const ResultMessage& message);
[[nodiscard]] std::vector<NamedPlace> places_in(const StatusMessage& message);
[[nodiscard]] std::vector<NamedPlace> places_in(const TraceMessage& message);
[[nodiscard]] std::vector<NamedPlace> places_in(const OtherMessage& message);
[[nodiscard]] std::vector<NamedPlace> places_in(const FrameMessage& message);

// A comma or a point: a number with a decimal sign would be two values.
[[nodiscard]] bool may_stand_in_a_number(const std::string& separator) noexcept;
// How many separated values such a message has at most; nothing: any number, or it is of another form. Where
// the separator may stand in a number, a value more says that it does.
[[nodiscard]] std::optional<std::size_t> most_values(const FrameContent& content,
                                                     const FrameMessage& message);
// As many as are named in it.
[[nodiscard]] std::size_t named_values(const FrameMessage& message);

// For people: "column 4 to 9", "index 3", "key TQ", "/torque", "byte 8, float32 dcba".
[[nodiscard]] std::string place_text(const FramePlace& place);
// Which form of content has such places.
[[nodiscard]] ContentForm form_of(const FramePlace& place) noexcept;
// Bytes or columns that it takes up; of the other forms 0.
struct Extent {
    std::size_t first = 0;
    std::size_t count = 0;
};
[[nodiscard]] Extent extent_of(const FramePlace& place) noexcept;

}  // namespace tautgate::protocol
