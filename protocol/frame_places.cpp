#include "protocol/frame_places.hpp"

#include <algorithm>
#include <utility>

#include <boost/describe/enum_to_string.hpp>
#include <fmt/format.h>

#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

class PlaceList {
  public:
    explicit PlaceList(std::string in) : in_(std::move(in)) {}

    void number(const char* field, const FrameNumber& number, PlaceUse use, const char* below = "") {
        found_.push_back({fmt::format("{}/{}{}", in_, field, below), field, use, &number.place, &number});
    }
    void number(const char* field, const std::optional<FrameNumber>& number, PlaceUse use) {
        if (number)
            this->number(field, *number, use);
    }
    void place(const char* field, const FramePlace& place, PlaceUse use, const char* below = "") {
        found_.push_back({fmt::format("{}/{}{}", in_, field, below), field, use, &place, nullptr});
    }
    [[nodiscard]] std::vector<NamedPlace> take() { return std::move(found_); }

  private:
    std::string in_;
    std::vector<NamedPlace> found_;
};

std::string words_of(const InColumns& at) {
    return at.width == 1 ? fmt::format("column {}", at.column)
                         : fmt::format("column {} to {}", at.column, at.column + at.width - 1);
}
std::string words_of(const AtIndex& at) { return fmt::format("index {}", at.index); }
std::string words_of(const UnderKey& at) { return "key " + at.key; }
std::string words_of(const AtPointer& at) { return at.pointer; }
std::string words_of(const NumberAt& at) {
    if (at.one_byte)
        return fmt::format("byte {}, uint8", at.byte);
    std::string words =
        fmt::format("byte {}, {}", at.byte, boost::describe::enum_to_string(at.type, "number"));
    if (at.order)
        words += fmt::format(" {}", boost::describe::enum_to_string(*at.order, ""));
    return words;
}
std::string words_of(const TextAt& at) {
    return fmt::format("byte {} to {}, text", at.byte, at.byte + at.length - 1);
}

ContentForm has_form(const InColumns&) { return ContentForm::columns; }
ContentForm has_form(const AtIndex&) { return ContentForm::separated; }
ContentForm has_form(const UnderKey&) { return ContentForm::named; }
ContentForm has_form(const AtPointer&) { return ContentForm::json; }
ContentForm has_form(const NumberAt&) { return ContentForm::binary; }
ContentForm has_form(const TextAt&) { return ContentForm::binary; }

Extent extent(const InColumns& at) { return {at.column, at.width}; }
Extent extent(const AtIndex&) { return {}; }
Extent extent(const UnderKey&) { return {}; }
Extent extent(const AtPointer&) { return {}; }
Extent extent(const NumberAt& at) {
    return {at.byte, at.one_byte ? std::size_t{1} : std::size_t{2} * width(at.type)};
}
Extent extent(const TextAt& at) { return {at.byte, at.length}; }

}  // namespace

std::vector<NamedPlace> places_in(const ResultMessage& message) {
    PlaceList list("/result");
    if (message.counter)
        list.number("counter", message.counter->field, PlaceUse::count, "/field");
    if (message.epoch)
        list.place("epoch", *message.epoch, PlaceUse::text);
    if (message.program)
        list.place("program", message.program->place, PlaceUse::text, "/place");
    if (message.torque) {
        list.number("torque", message.torque->field, PlaceUse::measure, "/field");
        if (message.torque->unit_at)
            list.place("torque", *message.torque->unit_at, PlaceUse::code, "/unit_at");
    }
    list.number("angle", message.angle, PlaceUse::measure);
    if (message.direction)
        list.place("direction", message.direction->place, PlaceUse::code, "/place");
    if (message.verdict)
        list.place("verdict", message.verdict->place, PlaceUse::code, "/place");
    list.number("limits/torque_min", message.limits.torque_min, PlaceUse::measure);
    list.number("limits/torque_max", message.limits.torque_max, PlaceUse::measure);
    list.number("limits/angle_min", message.limits.angle_min, PlaceUse::measure);
    list.number("limits/angle_max", message.limits.angle_max, PlaceUse::measure);
    if (message.stamp)
        list.place("stamp", message.stamp->place, PlaceUse::instant, "/place");
    list.number("position", message.position, PlaceUse::count);
    return list.take();
}

std::vector<NamedPlace> places_in(const StatusMessage& message) {
    PlaceList list("/status");
    list.number("newest", message.newest, PlaceUse::count);
    if (message.epoch)
        list.place("epoch", *message.epoch, PlaceUse::text);
    if (message.enabled)
        list.place("enabled", message.enabled->place, PlaceUse::code, "/place");
    if (message.program)
        list.place("program", message.program->place, PlaceUse::text, "/place");
    return list.take();
}

std::vector<NamedPlace> places_in(const TraceMessage& message) {
    PlaceList list("/trace");
    list.number("belongs_to", message.belongs_to, PlaceUse::count);
    return list.take();
}

std::vector<NamedPlace> places_in(const OtherMessage& /*message*/) { return {}; }

std::vector<NamedPlace> places_in(const FrameMessage& message) {
    return std::visit([](const auto& what) { return places_in(what); }, message.what);
}

std::size_t named_values(const FrameMessage& message) {
    std::size_t most = 0;
    const auto take = [&](const FramePlace& place) {
        if (const auto* at = std::get_if<AtIndex>(&place))
            most = std::max<std::size_t>(most, at->index + std::size_t{1});
    };
    for (const FrameMatch& match : message.when)
        take(match.place);
    for (const NamedPlace& named : places_in(message))
        take(*named.place);
    return most;
}

bool may_stand_in_a_number(const std::string& separator) noexcept {
    return separator == "," || separator == ".";
}

std::optional<std::size_t> most_values(const FrameContent& content, const FrameMessage& message) {
    const auto* result = std::get_if<ResultMessage>(&message.what);
    if (result == nullptr || content.form != ContentForm::separated)
        return std::nullopt;
    if (result->fields)
        return *result->fields;
    return may_stand_in_a_number(content.separator) ? std::optional(named_values(message)) : std::nullopt;
}

std::string place_text(const FramePlace& place) {
    return std::visit([](const auto& at) { return words_of(at); }, place);
}

ContentForm form_of(const FramePlace& place) noexcept {
    return std::visit([](const auto& at) { return has_form(at); }, place);
}

Extent extent_of(const FramePlace& place) noexcept {
    return std::visit([](const auto& at) { return extent(at); }, place);
}

}  // namespace tautgate::protocol
