// The content of a frame, taken apart by its form, and what stands at a place in it. Internal to this folder.
// Pure; a view of the content that it was given.
#pragma once

#include <cstdint>
#include <expected>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "protocol/field_number.hpp"
#include "protocol/frame_profile.hpp"
#include "protocol/register_decode.hpp"

namespace tautgate::protocol {

// A value of a JSON object: its text, a number as it is written.
enum class JsonSort : std::uint8_t { text, number, truth, nothing, container };
struct JsonValue {
    JsonSort sort = JsonSort::nothing;
    std::string text;
};
// By JSON pointer. Keys that stand twice, more than one value, and what is deeper or longer than any tool's
// message are refused.
using JsonValues = std::map<std::string, JsonValue, std::less<>>;
[[nodiscard]] std::expected<JsonValues, DecodeFault> json_values(std::string_view text);

class FrameFields {
  public:
    // A fault: the content has not the profile's form.
    [[nodiscard]] static std::expected<FrameFields, DecodeFault> read(const FrameContent& content,
                                                                      std::string_view bytes);

    // `field` names it in a fault. Nothing: the tool sent nothing for it. A number in binary or JSON comes as
    // its decimal text, so that equal ones are equal.
    using Text = std::expected<std::optional<std::string>, DecodeFault>;
    [[nodiscard]] Text text(std::string_view field, const FramePlace& place) const;

    // A measured value.
    using Number = std::expected<std::optional<Scaled>, DecodeFault>;
    [[nodiscard]] Number number(std::string_view field, const FrameNumber& number) const;

    // A count; anything but a whole number is a fault.
    using Count = std::expected<std::optional<std::uint64_t>, DecodeFault>;
    [[nodiscard]] Count count(std::string_view field, const FramePlace& place) const;

    // How many separated values there are; of other forms 0.
    [[nodiscard]] std::size_t separated() const noexcept { return values_.size(); }

    // As it stands, for people: the text, or the bytes in hex.
    [[nodiscard]] std::string raw(const FramePlace& place) const;

  private:
    FrameFields(const FrameContent& content, std::string_view bytes) : content_(&content), bytes_(bytes) {}
    [[nodiscard]] std::optional<DecodeFault> take_pairs();

    [[nodiscard]] Text at(std::string_view field, const InColumns& place) const;
    [[nodiscard]] Text at(std::string_view field, const AtIndex& place) const;
    [[nodiscard]] Text at(std::string_view field, const UnderKey& place) const;
    [[nodiscard]] Text at(std::string_view field, const AtPointer& place) const;
    [[nodiscard]] Text at(std::string_view field, const NumberAt& place) const;
    [[nodiscard]] Text at(std::string_view field, const TextAt& place) const;
    [[nodiscard]] std::expected<std::uint64_t, DecodeFault> bits(std::string_view field,
                                                                 const NumberAt& place) const;

    const FrameContent* content_;
    std::string_view bytes_;
    std::vector<std::string_view> values_;                             // separated
    std::map<std::string_view, std::string_view, std::less<>> named_;  // named
    JsonValues json_;
};

// The first message that is recognised in it; nothing: none fits.
[[nodiscard]] const FrameMessage* message_of(const FrameProfile& profile, const FrameFields& fields);

}  // namespace tautgate::protocol
