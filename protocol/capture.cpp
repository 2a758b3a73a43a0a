#include "protocol/capture.hpp"

#include <optional>
#include <utility>

#include <boost/describe/enum_from_string.hpp>
#include <boost/describe/enum_to_string.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/utc.hpp"

namespace tautgate::protocol {

namespace {

using nlohmann::json;
using nlohmann::ordered_json;

constexpr const char* version_key = "capture_version";

std::string hex_of(std::string_view bytes) {
    std::string hex;
    hex.reserve(bytes.size() * 2);
    for (const char byte : bytes)
        hex += fmt::format("{:02x}", static_cast<std::uint8_t>(byte));
    return hex;
}
std::optional<std::uint8_t> digit(char text) {
    if (text >= '0' && text <= '9')
        return static_cast<std::uint8_t>(text - '0');
    if (text >= 'a' && text <= 'f')
        return static_cast<std::uint8_t>(text - 'a' + 10);
    return std::nullopt;
}
std::optional<std::string> from_hex(std::string_view hex) {
    if (hex.size() % 2 != 0)
        return std::nullopt;
    std::string bytes;
    bytes.reserve(hex.size() / 2);
    for (std::size_t i = 0; i < hex.size(); i += 2) {
        const auto high = digit(hex[i]);
        const auto low = digit(hex[i + 1]);
        if (!high || !low)
            return std::nullopt;
        bytes += static_cast<char>(*high << 4U | *low);
    }
    return bytes;
}

// Bytes that are no UTF-8 become marks: a name is for people, the bytes that count are in hex.
std::string line_of(const ordered_json& object) {
    return object.dump(-1, ' ', true, ordered_json::error_handler_t::replace) + '\n';
}

// Reads the members of one line; the first that is missing or wrong ends it.
class CaptureLine {
  public:
    CaptureLine(std::size_t number, std::string_view text)
        : number_(number), object_(json::parse(text, nullptr, false)) {
        if (!object_.is_object())
            refuse("it is no JSON object");
    }
    [[nodiscard]] std::string text(const char* key) {
        const auto found = member(key);
        if (found && found->is_string())
            return found->get<std::string>();
        refuse(fmt::format("'{}' is missing or no text", key));
        return {};
    }
    [[nodiscard]] std::int64_t number(const char* key) {
        const auto found = member(key);
        if (found && found->is_number_integer() && found->get<std::int64_t>() >= 0)
            return found->get<std::int64_t>();
        refuse(fmt::format("'{}' is missing or no whole number from 0 on", key));
        return 0;
    }
    template <class Enum>
    [[nodiscard]] Enum one_of(const char* key) {
        Enum value{};
        if (const auto name = text(key); !boost::describe::enum_from_string(name.c_str(), value))
            refuse(fmt::format("'{}' has a value that this version does not know", key));
        return value;
    }
    [[nodiscard]] std::string bytes(const char* key) {
        auto found = from_hex(text(key));
        if (!found)
            refuse(fmt::format("'{}' is not made of pairs of the digits 0 to 9 and a to f", key));
        return std::move(found).value_or("");
    }
    void refuse(std::string what) {
        if (!fault_)
            fault_ =
                CaptureFault{number_, std::move(what), "use the file as it was recorded, or record anew"};
    }
    [[nodiscard]] const std::optional<CaptureFault>& fault() const noexcept { return fault_; }

  private:
    [[nodiscard]] const json* member(const char* key) const {
        const auto found = object_.is_object() ? object_.find(key) : object_.end();
        return object_.is_object() && found != object_.end() ? &*found : nullptr;
    }

    std::size_t number_;
    json object_;
    std::optional<CaptureFault> fault_;
};

CaptureHead head_in(CaptureLine& line) {
    if (const auto version = line.number(version_key); !line.fault() && version != capture_version)
        line.refuse(fmt::format("it is a capture of version {}, known here is {}", version, capture_version));
    CaptureHead head{.wire = line.one_of<CaptureWire>("wire"),
                     .tool = line.text("tool"),
                     .connection = line.text("connection"),
                     .profile = line.text("profile"),
                     .profile_digest = line.text("profile_sha256"),
                     .began = line.text("began")};
    if (!line.fault() && !parse_utc(head.began))
        line.refuse("'began' is no RFC 3339 time");
    return head;
}

CapturedBytes part_in(CaptureLine& line) {
    return {
        .from = line.one_of<CaptureSide>("from"), .at_us = line.number("at_us"), .bytes = line.bytes("hex")};
}

}  // namespace

std::string to_line(const CaptureHead& head) {
    return line_of({{version_key, capture_version},
                    {"wire", boost::describe::enum_to_string(head.wire, "")},
                    {"tool", head.tool},
                    {"connection", head.connection},
                    {"profile", head.profile},
                    {"profile_sha256", head.profile_digest},
                    {"began", head.began}});
}

std::string to_line(const CapturedBytes& part) {
    return line_of({{"at_us", part.at_us},
                    {"from", boost::describe::enum_to_string(part.from, "")},
                    {"hex", hex_of(part.bytes)}});
}

std::expected<Capture, CaptureFault> read_capture(std::string_view text) {
    Capture capture;
    std::size_t number = 0;
    while (!text.empty()) {
        const std::size_t end = text.find('\n');
        if (end == std::string_view::npos) {
            capture.cut = true;
            break;
        }
        CaptureLine line(++number, text.substr(0, end));
        text.remove_prefix(end + 1);
        if (number == 1)
            capture.head = head_in(line);
        else
            capture.parts.push_back(part_in(line));
        if (line.fault())
            return std::unexpected(*line.fault());
        if (capture.parts.size() > 1 && capture.parts.back().at_us < capture.parts.end()[-2].at_us)
            return std::unexpected(CaptureFault{number, "it is earlier than the line before",
                                                "use the file as it was recorded, or record anew"});
    }
    if (number == 0)
        return std::unexpected(CaptureFault{1, "there is no whole line", "record anew"});
    return capture;
}

std::vector<Exchange> exchanges_in(const Capture& capture) {
    std::vector<Exchange> exchanges;
    for (const CapturedBytes& part : capture.parts) {
        if (part.from == CaptureSide::station)
            exchanges.push_back({part.at_us, part.bytes, ""});
        else if (!exchanges.empty())
            exchanges.back().answer += part.bytes;
    }
    return exchanges;
}

}  // namespace tautgate::protocol
