#include <algorithm>
#include <cstdlib>
#include <limits>
#include <string_view>

#include <boost/describe/enum_to_string.hpp>
#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/frame_check.hpp"
#include "protocol/frame_places.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::size_t most_messages = 16;
constexpr std::size_t longest_text = 256;

std::string_view form_word(ContentForm form) { return boost::describe::enum_to_string(form, "other"); }

// Which key a place of this form has.
std::string_view key_for(ContentForm form) {
    switch (form) {
    case ContentForm::columns: return "column and width";
    case ContentForm::separated: return "index";
    case ContentForm::named: return "key";
    case ContentForm::json: return "pointer";
    case ContentForm::binary: return "byte, with type or length";
    }
    return "";
}

// One place in one message: that it can stand there, and serves its use.
class PlaceChecker {
  public:
    PlaceChecker(FrameFaults& faults, const FrameProfile& profile, std::string pointer, PlaceUse use)
        : faults_(faults), profile_(profile), pointer_(std::move(pointer)), use_(use) {}

    void run(const FramePlace& place) {
        if (form_of(place) != profile_.content.form) {
            faults_.add(pointer_,
                        fmt::format("{} is no place in content that is {}", place_text(place),
                                    form_word(profile_.content.form)),
                        fmt::format("give {}", key_for(profile_.content.form)));
            return;
        }
        std::visit([this](const auto& at) { check(at); }, place);
        const auto length = longest_content(profile_);
        const auto [first, count] = extent_of(place);
        if (first + count > length)
            faults_.add(pointer_,
                        fmt::format("{} lies beyond the end of the content, which has {} bytes{}",
                                    place_text(place), length, content_length(profile_) ? "" : " at most"),
                        "correct it, or the length of the frame");
    }

  private:
    void check(const InColumns& at) {
        if (at.width == 0 || at.width > longest_text)
            faults_.add(pointer_ + "/width", fmt::format("a width of {}", at.width),
                        fmt::format("give 1 to {}", longest_text));
    }
    void check(const AtIndex& /*at*/) {}
    void check(const UnderKey& at) {
        const auto holds = [&at](const std::string& sign) {
            return !sign.empty() && at.key.find(sign) != std::string::npos;
        };
        const bool ambiguous = holds(profile_.content.separator) || holds(profile_.content.equals);
        if (at.key.empty() || at.key.starts_with(' ') || at.key.ends_with(' ') || ambiguous)
            faults_.add(pointer_ + "/key", fmt::format("no value can stand under {}", shown(at.key)),
                        "give the key without separators and spaces around it");
    }
    void check(const AtPointer& at) {
        if (!at.pointer.starts_with('/'))
            faults_.add(pointer_ + "/pointer", fmt::format("{} is no JSON pointer", shown(at.pointer)),
                        "begin it with /, as in /result/torque");
    }
    void check(const NumberAt& at) {
        if (at.type == FieldType::bit)
            faults_.add(pointer_ + "/type", "a byte is not one bit", "use uint8, with bits to take one out");
        if (at.one_byte && at.type != FieldType::uint16)
            faults_.add(pointer_ + "/type", "a number of one byte has no sign and no fraction", "use uint8");
        if (!at.one_byte && !at.order)
            faults_.add(pointer_ + "/order", "missing",
                        "spell out the order of the bytes: abcd, cdab, badc or dcba");
        check_bits(at);
        if (use_ == PlaceUse::measure)
            return;
        if (is_fraction(at.type))
            faults_.add(pointer_ + "/type", "a fraction cannot count, and is no code",
                        "use a whole number type");
        if (use_ == PlaceUse::count && is_signed(at.type))
            faults_.add(pointer_ + "/type", "a count cannot be negative", "use a type without a sign");
    }
    void check_bits(const NumberAt& at) {
        if (!at.bits)
            return;
        const int most = at.one_byte ? 8 : 16 * width(at.type);
        if (is_fraction(at.type) || is_bcd(at.type) || is_signed(at.type))
            faults_.add(pointer_ + "/bits", "only an unsigned number can be taken apart",
                        "use uint8, uint16, uint32 or uint64");
        else if (at.bits->count == 0 || at.bits->first + at.bits->count > most)
            faults_.add(pointer_ + "/bits",
                        fmt::format("{} bits from bit {} on", at.bits->count, at.bits->first),
                        fmt::format("use at least one of the bits 0 to {}", most - 1));
    }
    void check(const TextAt& at) {
        if (at.length == 0 || at.length > longest_text)
            faults_.add(pointer_ + "/length", fmt::format("a text of {} bytes", at.length),
                        fmt::format("give 1 to {}", longest_text));
    }

    FrameFaults& faults_;
    const FrameProfile& profile_;
    std::string pointer_;
    PlaceUse use_;
};

void check_factors(FrameFaults& faults, const FrameNumber& number, PlaceUse use, const std::string& pointer) {
    if (use == PlaceUse::count) {
        if (number.scale != Decimal{1, 0})
            faults.add(pointer + "/scale", "this number is not a measurement and cannot be scaled",
                       "remove scale");
        if (number.offset.mantissa != 0)
            faults.add(pointer + "/offset", "this number is not a measurement and cannot be shifted",
                       "remove offset");
        return;
    }
    if (number.scale.mantissa == 0)
        faults.add(pointer + "/scale", "a scale of 0 makes every value 0",
                   "give the worth of one count, such as 0.1");
    for (const auto& [key, value] : {std::pair{"/scale", number.scale}, std::pair{"/offset", number.offset}})
        if (!has_few_digits(value))
            faults.add(pointer + key, to_text(value) + " has too many digits",
                       "use at most 9 digits and at most 9 decimals");
    const auto* binary = std::get_if<NumberAt>(&number.place);
    if (binary == nullptr)
        return;
    if (is_fraction(binary->type) && number.offset.mantissa != 0)
        faults.add(pointer + "/offset", "a fraction takes no offset", "remove offset");
    // Its 17 digits and those of a scale are more than a decimal holds.
    if (binary->type == FieldType::float64 && std::abs(number.scale.mantissa) > 1)
        faults.add(pointer + "/scale", to_text(number.scale) + " for a float64",
                   "use a power of ten, such as 0.001, and name the unit that the tool sends");
}

// Whether each means only some of the bits of the same number, or both are codes at one place.
bool may_share(const NamedPlace& one, const NamedPlace& other) {
    const auto* first = std::get_if<NumberAt>(one.place);
    const auto* second = std::get_if<NumberAt>(other.place);
    if (first != nullptr && second != nullptr && first->bits && second->bits) {
        const auto [lower, upper] = std::minmax(
            *first->bits, *second->bits, [](const auto& a, const auto& b) { return a.first < b.first; });
        NumberAt alike = *second;
        alike.bits = first->bits;
        if (alike == *first && lower.first + lower.count <= upper.first)
            return true;
    }
    return one.use == PlaceUse::code && other.use == PlaceUse::code && *one.place == *other.place;
}

bool overlap(const FramePlace& one, const FramePlace& other) {
    const auto [first, count] = extent_of(one);
    const auto [second, width] = extent_of(other);
    if (count == 0 || width == 0)
        return one == other;
    return first < second + width && second < first + count;
}

void check_apart(FrameFaults& faults, const std::vector<NamedPlace>& places, const std::string& pointer) {
    for (std::size_t i = 0; i < places.size(); ++i)
        for (std::size_t j = 0; j < i; ++j)
            if (overlap(*places[i].place, *places[j].place) && !may_share(places[i], places[j]))
                faults.add(pointer + places[i].pointer, fmt::format("overlaps {}", places[j].field),
                           "give each value a place of its own");
}

// A number that names a result is written as that names itself.
void check_order(FrameFaults& faults, const ResultMessage* result, const FrameNumber& names,
                 const std::string& pointer) {
    const auto* number = std::get_if<NumberAt>(&names.place);
    const auto* counter =
        result != nullptr && result->counter ? std::get_if<NumberAt>(&result->counter->field.place) : nullptr;
    if (number == nullptr || counter == nullptr || number->type != counter->type)
        return;
    if (number->order && counter->order && *number->order != *counter->order)
        faults.add(pointer + "/order", "the counter of the results, which it names, has another order",
                   "give both the order in which the tool writes its count");
}

void check_status(FrameFaults& faults, const FrameProfile& profile, const StatusMessage& status,
                  const std::string& pointer) {
    if (!status.newest && !status.epoch && !status.enabled && !status.program)
        faults.add(pointer + "/status", "the status says nothing", "name a value, or make it other");
    const ResultMessage* result = result_of(profile);
    if (status.newest && result != nullptr && !result->counter)
        faults.add(pointer + "/status/newest", "the count of the newest result, and the results have none",
                   "name the counter of a result, or remove this");
    if (status.newest)
        check_order(faults, result, *status.newest, pointer + "/status/newest");
    if (status.enabled && status.enabled->yes.empty())
        faults.add(pointer + "/status/enabled/yes", "no code means that the tool may run",
                   "list at least one");
}

void check_fields(FrameFaults& faults, const FrameProfile& profile, const FrameMessage& message,
                  const std::string& pointer) {
    const auto* result = std::get_if<ResultMessage>(&message.what);
    if (result == nullptr || !result->fields)
        return;
    if (profile.content.form != ContentForm::separated)
        return faults.add(pointer + "/result/fields", "only separated values are counted", "remove fields");
    if (*result->fields < named_values(message))
        faults.add(pointer + "/result/fields",
                   fmt::format("{} values, and one at index {} is named", *result->fields,
                               named_values(message) - 1),
                   "give the number of values that the tool sends");
}

void check_trace(FrameFaults& faults, const FrameProfile& profile, const TraceMessage& trace,
                 const std::string& pointer) {
    if (profile.content.form != ContentForm::binary)
        faults.add(pointer + "/trace", "curves are read from binary frames only",
                   "make it other; the results are read without their curves");
    if (auto fault = fault_of(trace.layout))
        faults.add(pointer + "/trace/layout", std::move(*fault), "correct the layout");
    const ResultMessage* result = result_of(profile);
    if (result != nullptr && !result->counter)
        faults.add(pointer + "/trace/belongs_to", "the count of a result, and the results have none",
                   "name the counter of a result, or make the message other");
    check_order(faults, result, trace.belongs_to, pointer + "/trace/belongs_to");
}

class MessageChecker {
  public:
    MessageChecker(FrameFaults& faults, const FrameProfile& profile) : faults_(faults), profile_(profile) {}

    void run() {
        if (profile_.messages.empty() || profile_.messages.size() > most_messages)
            faults_.add("/messages", fmt::format("{} messages", profile_.messages.size()),
                        fmt::format("describe 1 to {}", most_messages));
        const auto results = std::ranges::count_if(profile_.messages, [](const FrameMessage& message) {
            return std::holds_alternative<ResultMessage>(message.what);
        });
        if (results != 1)
            faults_.add("/messages", fmt::format("{} of the messages are results", results),
                        "describe exactly one as the result");
        for (std::size_t i = 0; i < profile_.messages.size(); ++i) {
            check(profile_.messages[i], fmt::format("/messages/{}", i));
            check_reached(i);
        }
    }

  private:
    void check(const FrameMessage& message, const std::string& pointer) {
        if (message.name.empty())
            faults_.add(pointer + "/name", "the message has no name", "name it for people");
        for (std::size_t i = 0; i < message.when.size(); ++i) {
            const auto here = fmt::format("{}/when/{}", pointer, i);
            PlaceChecker(faults_, profile_, here + "/place", PlaceUse::code).run(message.when[i].place);
            check_can_be(message.when[i], here);
        }
        const auto places = places_in(message);
        for (const NamedPlace& at : places) {
            PlaceChecker(faults_, profile_, pointer + at.pointer, at.use).run(*at.place);
            if (at.number != nullptr)
                check_factors(faults_, *at.number, at.use, pointer + at.pointer);
        }
        check_apart(faults_, places, pointer);
        check_fields(faults_, profile_, message, pointer);
        if (const auto* result = std::get_if<ResultMessage>(&message.what))
            check_result(faults_, profile_, *result, pointer + "/result");
        else if (const auto* status = std::get_if<StatusMessage>(&message.what))
            check_status(faults_, profile_, *status, pointer);
        else if (const auto* trace = std::get_if<TraceMessage>(&message.what))
            check_trace(faults_, profile_, *trace, pointer);
    }

    // Spaces around a value are dropped, so that it can never have some.
    void check_can_be(const FrameMatch& match, const std::string& pointer) {
        const std::size_t room = extent_of(match.place).count;
        const bool text = !std::holds_alternative<NumberAt>(match.place);
        if (match.is.empty() || match.is.starts_with(' ') || match.is.ends_with(' '))
            faults_.add(pointer + "/is", fmt::format("{} can never stand there", shown(match.is)),
                        "give the value without spaces around it");
        else if (text && room != 0 && match.is.size() > room)
            faults_.add(pointer + "/is",
                        fmt::format("{} is longer than its place, which has {} bytes", shown(match.is), room),
                        "correct the place or the value");
        else if (!text && !whole_from_text(match.is, std::numeric_limits<std::uint64_t>::max()))
            faults_.add(pointer + "/is", fmt::format("{} is no number without a sign", shown(match.is)),
                        "give the number in decimal digits");
    }

    // Whatever this one is recognised by, an earlier one takes it.
    void check_reached(std::size_t index) {
        const FrameMessage& message = profile_.messages[index];
        for (std::size_t early = 0; early < index; ++early) {
            const FrameMessage& other = profile_.messages[early];
            const bool takes_all = std::ranges::all_of(other.when, [&](const FrameMatch& match) {
                return std::ranges::find(message.when, match) != message.when.end();
            });
            if (other.name == message.name)
                faults_.add(fmt::format("/messages/{}/name", index),
                            fmt::format("{} is the name of an earlier message", shown(message.name)),
                            "give each its own");
            if (!takes_all)
                continue;
            faults_.add(fmt::format("/messages/{}/when", index),
                        other.when.empty()
                            ? fmt::format("the message before it, {}, takes every frame", shown(other.name))
                            : fmt::format("every such frame is {} already", shown(other.name)),
                        "say by what they differ, and put the more special one first");
            return;
        }
    }

    FrameFaults& faults_;
    const FrameProfile& profile_;
};

}  // namespace

void check_messages(FrameFaults& faults, const FrameProfile& profile) {
    MessageChecker(faults, profile).run();
}

}  // namespace tautgate::protocol
