#include <algorithm>
#include <array>
#include <cstdlib>
#include <string_view>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/frame_check.hpp"
#include "protocol/frame_guard.hpp"
#include "protocol/frame_splitter.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::size_t longest_end = 4;
constexpr std::size_t longest_start = 16;
constexpr std::size_t longest_before = 8;

bool is_letter_or_digit(char c) {
    return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}
// A character of numbers and words.
bool stands_in_values(char c) { return is_letter_or_digit(c) || c == '+' || c == '-' || c == ' '; }

bool is_text(ContentForm form) { return form != ContentForm::binary; }

// Whether a byte that ends or begins a frame stands in content of this form as a matter of course.
std::string_view why_in_content(const FrameContent& content, char byte) {
    switch (content.form) {
    case ContentForm::binary: return "any byte may stand in binary content";
    case ContentForm::json:
        if (byte >= ' ')
            return "any printable character may stand in JSON";
        break;
    case ContentForm::columns:
    case ContentForm::separated:
    case ContentForm::named:
        if (stands_in_values(byte))
            return "it stands in numbers and words";
        break;
    }
    const std::string_view at(&byte, 1);
    if (at == content.separator || at == content.equals || at == content.decimal)
        return "it separates values of the content";
    return {};
}

class CuttingChecker {
  public:
    CuttingChecker(FrameFaults& faults, const FrameProfile& profile) : faults_(faults), profile_(profile) {}

    void run() {
        std::visit([this](const auto& framing) { check(framing); }, profile_.framing);
        if (profile_.checksum)
            check_checksum(*profile_.checksum);
        check_content(profile_.content);
    }

  private:
    void check(const Delimited& framing) {
        const std::string place = "/framing/delimited/end";
        if (framing.end.empty() || framing.end.size() > longest_end) {
            faults_.add(place, fmt::format("an end of {} bytes", framing.end.size()),
                        fmt::format("give the 1 to {} bytes that end each frame", longest_end));
            return;
        }
        const bool in_content = std::ranges::all_of(
            framing.end, [this](char byte) { return !why_in_content(profile_.content, byte).empty(); });
        if (in_content)
            faults_.add(place,
                        fmt::format("{} can stand within a frame: {}", shown(framing.end),
                                    why_in_content(profile_.content, framing.end.front())),
                        "give the end that the tool sends, or describe its frames by another framing");
        check_sum_as_text("ends", false);
    }

    // The bytes of a checksum may be those by which a frame ends.
    void check_sum_as_text(std::string_view does, bool escaped) {
        if (profile_.checksum && profile_.checksum->form != ChecksumForm::hex && !escaped)
            faults_.add("/checksum/form",
                        fmt::format("a checksum in bytes can be the very byte that {} a frame", does),
                        "use hex, as the tool has to, or another framing");
    }

    void check(const StartStop& framing) {
        const std::string place = "/framing/start_stop";
        if (framing.start == framing.stop)
            faults_.add(place + "/stop", "start and stop are the same byte",
                        "give two bytes, or describe the frames as delimited");
        if (framing.escape && (*framing.escape == framing.start || *framing.escape == framing.stop))
            faults_.add(place + "/escape", "the escape is start or stop itself", "give a byte of its own");
        for (const auto& [key, byte] :
             {std::pair{"/start", framing.start}, std::pair{"/stop", framing.stop}}) {
            const std::string_view why = why_in_content(profile_.content, static_cast<char>(byte));
            if (!framing.escape && !why.empty())
                faults_.add(place + key, fmt::format("byte {:02X} can stand within a frame: {}", byte, why),
                            "name the escape that the tool puts before it, or describe its frames by another "
                            "framing");
        }
        if (!framing.checksum_after_stop) {
            check_sum_as_text("begins or ends", framing.escape.has_value());
            return;
        }
        if (!profile_.checksum)
            faults_.add(place + "/checksum_after_stop", "there is no checksum",
                        "describe it, or remove this");
        else if (!profile_.checksum->before.empty())
            faults_.add("/checksum/before", "what stands before a checksum behind the stop byte is that byte",
                        "remove it");
    }

    void check(const LengthPrefixed& framing) {
        const std::string place = "/framing/length_prefixed";
        const bool counts = framing.type == FieldType::uint16 || framing.type == FieldType::uint32;
        if (!counts || (framing.one_byte && framing.type != FieldType::uint16))
            faults_.add(place + "/type", "a length is a number of 8, 16 or 32 bits without a sign",
                        "use uint8, uint16 or uint32");
        if (framing.order != WordOrder::abcd && framing.order != WordOrder::dcba)
            faults_.add(place + "/order", "the bytes of a length come highest or lowest first",
                        "use abcd or dcba");
        check_start(place, framing.start);
        const std::size_t besides = head_bytes(profile_) + guard_length(profile_);
        if (framing.longest > frame_limit || framing.longest <= besides)
            faults_.add(place + "/longest", fmt::format("a longest frame of {} bytes", framing.longest),
                        fmt::format("give {} to {}", besides + 1, frame_limit));
        if (std::abs(std::int64_t{framing.besides}) > static_cast<std::int64_t>(frame_limit))
            faults_.add(place + "/besides", fmt::format("{} bytes besides the length", framing.besides),
                        "give how many more bytes the whole frame has than its length says");
        else if (counts && highest() + framing.besides <= static_cast<std::int64_t>(besides))
            faults_.add(place + "/besides", "no length leaves room for content",
                        "give how many more bytes the whole frame has than its length says");
    }

    [[nodiscard]] std::int64_t highest() const {
        const auto& framing = std::get<LengthPrefixed>(profile_.framing);
        return framing.one_byte ? 0xFF : static_cast<std::int64_t>(highest_of(framing.type, std::nullopt));
    }

    void check(const FixedLength& framing) {
        const std::string place = "/framing/fixed";
        if (framing.start.empty())
            faults_.add(place + "/start",
                        "without a start nobody knows where a frame begins once a byte was lost",
                        "give the bytes with which each frame begins");
        check_start(place, framing.start);
        const std::size_t besides = framing.start.size() + guard_length(profile_);
        if (framing.length <= besides || framing.length > frame_limit)
            faults_.add(place + "/length", fmt::format("frames of {} bytes", framing.length),
                        fmt::format("give the whole length, {} to {}", besides + 1, frame_limit));
    }

    void check_start(const std::string& place, const std::string& start) {
        if (start.size() > longest_start)
            faults_.add(place + "/start", fmt::format("a start of {} bytes", start.size()),
                        fmt::format("give at most {}", longest_start));
    }

    void check_checksum(const FrameChecksum& checksum) {
        if (checksum.form == ChecksumForm::hex && !is_text(profile_.content.form))
            faults_.add("/checksum/form", "hexadecimal digits in a binary frame",
                        "use high_first or low_first");
        if (checksum.covers_start && head_bytes(profile_) == 0)
            faults_.add("/checksum/covers_start", "the frames have no start", "remove it");
        if (checksum.before.size() > longest_before)
            faults_.add("/checksum/before", fmt::format("{} bytes", checksum.before.size()),
                        fmt::format("give at most {}", longest_before));
    }

    void check_content(const FrameContent& content) {
        const bool separates = content.form == ContentForm::separated || content.form == ContentForm::named;
        check_character("/content/separator", content.separator, separates);
        check_character("/content/equals", content.equals, content.form == ContentForm::named);
        if (content.form == ContentForm::named && content.separator == content.equals)
            faults_.add("/content/equals", "it is the separator as well", "give the two that the tool uses");
        const bool may_be_comma = separates || content.form == ContentForm::columns;
        if (content.decimal != "." && !(content.decimal == "," && may_be_comma))
            faults_.add("/content/decimal", fmt::format("{} in numbers", shown(content.decimal)),
                        may_be_comma ? "use . or ," : "use ., as JSON does; a binary frame has none");
        for (const auto& [place, text] : {std::pair{"/content/separator", &content.separator},
                                          std::pair{"/content/equals", &content.equals}})
            if (!text->empty() && *text == content.decimal)
                faults_.add(place, fmt::format("{} stands in numbers too", shown(*text)),
                            "give the separator and the decimal sign that the tool uses");
    }

    void check_character(const std::string& place, const std::string& text, bool wanted) {
        if (!wanted && !text.empty())
            faults_.add(place, "content of this form has none", "remove it");
        else if (wanted && text.size() != 1)
            faults_.add(place,
                        text.empty() ? "missing" : fmt::format("{} is no single character", shown(text)),
                        "give the one character that the tool uses");
        else if (wanted && text != " " && stands_in_values(text.front()))
            faults_.add(place, fmt::format("{} stands in numbers and words", shown(text)),
                        "give the character that the tool uses");
    }

    FrameFaults& faults_;
    const FrameProfile& profile_;
};

}  // namespace

void check_cutting(FrameFaults& faults, const FrameProfile& profile) {
    CuttingChecker(faults, profile).run();
}

std::optional<std::size_t> content_length(const FrameProfile& profile) noexcept {
    const auto* fixed = std::get_if<FixedLength>(&profile.framing);
    if (fixed == nullptr)
        return std::nullopt;
    const std::size_t besides = fixed->start.size() + guard_length(profile);
    return fixed->length > besides ? fixed->length - besides : 0;
}

std::size_t longest_content(const FrameProfile& profile) noexcept {
    if (const auto always = content_length(profile))
        return *always;
    const std::size_t besides = head_bytes(profile) + guard_length(profile);
    const auto* counted = std::get_if<LengthPrefixed>(&profile.framing);
    const bool bounded = counted != nullptr && counted->longest > besides && counted->longest <= frame_limit;
    return (bounded ? counted->longest : frame_limit) - besides;
}

}  // namespace tautgate::protocol
