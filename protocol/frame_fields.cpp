#include "protocol/frame_fields.hpp"

#include <algorithm>
#include <limits>

#include <fmt/format.h>

#include "protocol/frame_places.hpp"
#include "protocol/register_image.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

std::unexpected<DecodeFault> field_fault(std::string_view field, std::string what, std::string remedy) {
    return std::unexpected(DecodeFault{std::string(field), std::move(what), std::move(remedy), std::nullopt});
}

std::string_view trimmed(std::string_view text) {
    const auto first = text.find_first_not_of(' ');
    if (first == std::string_view::npos)
        return {};
    return text.substr(first, text.find_last_not_of(' ') - first + 1);
}

std::vector<std::string_view> values_between(std::string_view bytes, char separator) {
    std::vector<std::string_view> values;
    for (;;) {
        const auto end = bytes.find(separator);
        values.push_back(bytes.substr(0, end));
        if (end == std::string_view::npos)
            return values;
        bytes.remove_prefix(end + 1);
    }
}

// Of a number in text: with a point, without a plus sign and leading zeros, as devices write both.
std::string as_json_writes(std::string_view text, char decimal) {
    std::string out;
    if (text.starts_with('-'))
        out += '-';
    if (text.starts_with('-') || text.starts_with('+'))
        text.remove_prefix(1);
    while (text.size() > 1 && text[0] == '0' && text[1] >= '0' && text[1] <= '9')
        text.remove_prefix(1);
    const std::size_t whole = out.size();
    out += text;
    if (decimal != '.')
        for (std::size_t i = whole; i < out.size(); ++i)
            out[i] = out[i] == decimal ? '.' : out[i] == '.' ? '?' : out[i];  // a point is then no number
    return out;
}

Scaled number_in_text(std::string_view text, char decimal, const FrameNumber& number) {
    const std::string plain = as_json_writes(text, decimal);
    if (const auto raw = decimal_from_text(plain))
        return {std::string(text), scaled(*raw, number.scale, number.offset)};
    const auto why = angle_from_text(plain, Angle{1});
    return {std::string(text), std::unexpected(why ? Unusable::unreadable : why.error())};
}

FieldType kind_of(const NumberAt& place) { return place.one_byte ? FieldType::uint16 : place.type; }

}  // namespace

std::expected<FrameFields, DecodeFault> FrameFields::read(const FrameContent& content,
                                                          std::string_view bytes) {
    FrameFields fields(content, bytes);
    switch (content.form) {
    case ContentForm::columns:
    case ContentForm::binary: break;
    case ContentForm::separated: fields.values_ = values_between(bytes, content.separator.front()); break;
    case ContentForm::named:
        if (auto fault = fields.take_pairs())
            return std::unexpected(std::move(*fault));
        break;
    case ContentForm::json: {
        auto values = json_values(bytes);
        if (!values)
            return std::unexpected(std::move(values.error()));
        fields.json_ = std::move(*values);
        break;
    }
    }
    return fields;
}

std::optional<DecodeFault> FrameFields::take_pairs() {
    for (const auto pair : values_between(bytes_, content_->separator.front())) {
        const auto equals = std::min(pair.find(content_->equals.front()), pair.size());
        const auto key = trimmed(pair.substr(0, equals));
        if (key.empty() && equals == pair.size())
            continue;  // two separators in a row, or one at the end
        // Perhaps what is behind the decimal sign of the value before it, whose better half would be read.
        if (may_stand_in_a_number(content_->separator) && equals == pair.size() && key.front() >= '0' &&
            key.front() <= '9')
            return DecodeFault{
                "", fmt::format("{} stands between separators and is no value of a key", shown(key)),
                "if the tool writes numbers with the separator in them, set it to another "
                "separator or decimal sign",
                std::nullopt};
        const auto value = equals == pair.size() ? std::string_view() : pair.substr(equals + 1);
        if (!named_.emplace(key, value).second)
            return DecodeFault{"", fmt::format("the key {} stands twice", shown(key)),
                               "have the tool send each key once", std::nullopt};
    }
    return std::nullopt;
}

FrameFields::Text FrameFields::at(std::string_view field, const InColumns& place) const {
    if (place.column >= bytes_.size())
        return std::nullopt;
    if (bytes_.size() - place.column < place.width)
        return field_fault(field, fmt::format("the frame ends within it, after {} bytes", bytes_.size()),
                           "check column and width in the profile, and what the tool sends");
    return std::string(trimmed(bytes_.substr(place.column, place.width)));
}

FrameFields::Text FrameFields::at(std::string_view /*field*/, const AtIndex& place) const {
    if (place.index >= values_.size())
        return std::nullopt;
    return std::string(trimmed(values_[place.index]));
}

FrameFields::Text FrameFields::at(std::string_view /*field*/, const UnderKey& place) const {
    const auto found = named_.find(place.key);
    if (found == named_.end())
        return std::nullopt;
    return std::string(trimmed(found->second));
}

FrameFields::Text FrameFields::at(std::string_view field, const AtPointer& place) const {
    const auto found = json_.find(place.pointer);
    if (found == json_.end() || found->second.sort == JsonSort::nothing)
        return std::nullopt;
    switch (found->second.sort) {
    case JsonSort::number:
        if (const auto value = decimal_from_text(found->second.text))
            return to_text(*value);
        return found->second.text;
    case JsonSort::text: return std::string(trimmed(found->second.text));
    case JsonSort::truth: return found->second.text;
    case JsonSort::nothing:
    case JsonSort::container: break;
    }
    return field_fault(field, "an object or a list stands there",
                       "give the pointer of a text, a number or a truth value");
}

std::expected<std::uint64_t, DecodeFault> FrameFields::bits(std::string_view field,
                                                            const NumberAt& place) const {
    const auto found =
        place.one_byte ? (place.byte < bytes_.size()
                              ? std::optional<std::uint64_t>(static_cast<std::uint8_t>(bytes_[place.byte]))
                              : std::nullopt)
                       : bits_in(bytes_, place.byte, place.type, place.order.value_or(WordOrder::abcd));
    if (!found)
        return field_fault(field, fmt::format("the frame ends before it, after {} bytes", bytes_.size()),
                           "check byte and type in the profile, and what the tool sends");
    return taken_out(*found, place.bits);
}

FrameFields::Text FrameFields::at(std::string_view field, const NumberAt& place) const {
    const auto found = bits(field, place);
    if (!found)
        return std::unexpected(found.error());
    if (kind_of(place) == FieldType::uint64)
        return std::to_string(*found);
    return number_of(*found, {.type = kind_of(place)}).text;
}

FrameFields::Text FrameFields::at(std::string_view field, const TextAt& place) const {
    if (place.byte > bytes_.size() || bytes_.size() - place.byte < place.length)
        return field_fault(field, fmt::format("the frame ends before it, after {} bytes", bytes_.size()),
                           "check byte and length in the profile, and what the tool sends");
    const auto text = bytes_.substr(place.byte, place.length);
    return std::string(trimmed(text.substr(0, text.find('\0'))));
}

FrameFields::Text FrameFields::text(std::string_view field, const FramePlace& place) const {
    return std::visit([&](const auto& where) { return at(field, where); }, place);
}

FrameFields::Number FrameFields::number(std::string_view field, const FrameNumber& number) const {
    if (const auto* binary = std::get_if<NumberAt>(&number.place)) {
        const auto found = bits(field, *binary);
        if (!found)
            return std::unexpected(found.error());
        return number_of(*found, {.type = kind_of(*binary), .scale = number.scale, .offset = number.offset});
    }
    auto found = text(field, number.place);
    if (!found)
        return std::unexpected(std::move(found.error()));
    if (!*found)
        return std::nullopt;
    if (const auto* json = std::get_if<AtPointer>(&number.place))
        return number_in_text(json_.find(json->pointer)->second.text, '.', number);  // in its own digits
    return number_in_text(**found, content_->decimal.front(), number);
}

FrameFields::Count FrameFields::count(std::string_view field, const FramePlace& place) const {
    if (const auto* binary = std::get_if<NumberAt>(&place)) {
        const auto found = bits(field, *binary);
        if (!found)
            return std::unexpected(found.error());
        if (!is_bcd(kind_of(*binary)))
            return *found;
        if (const auto digits = from_bcd(*found))
            return *digits;
        return field_fault(field, fmt::format("{:X} has digits above 9", *found),
                           "check byte, type and order in the profile");
    }
    const auto found = text(field, place);
    if (!found)
        return std::unexpected(found.error());
    if (!*found)
        return std::nullopt;
    const auto digits = as_json_writes(**found, '.');
    const auto value = whole_from_text(digits, std::numeric_limits<std::uint64_t>::max() - 1);
    if (!value)
        return field_fault(field, fmt::format("{} is no count", shown(**found)),
                           "check the place in the profile, and what the tool sends");
    return *value;
}

std::string FrameFields::raw(const FramePlace& place) const {
    if (form_of(place) == ContentForm::binary) {
        const auto [first, count] = extent_of(place);
        std::string hex;
        for (std::size_t i = first; i < std::min(first + count, bytes_.size()); ++i)
            hex += fmt::format("{:02X}", static_cast<std::uint8_t>(bytes_[i]));
        return hex;
    }
    const auto found = text("", place);
    return found && *found ? **found : std::string();
}

}  // namespace tautgate::protocol
