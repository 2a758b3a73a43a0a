// A JSON object as a tool sends it, value by value, each number as it is written: it never passes through a
// binary fraction.
#include <array>
#include <cstddef>
#include <utility>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/frame_fields.hpp"
#include "protocol/json_events.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::size_t json_depth = 16;
constexpr std::size_t json_key_limit = 100;
constexpr std::size_t json_values_limit = 4096;

// Takes the events of the JSON reader; returning false ends it. The member functions are those that
// nlohmann's sax interface asks for.
class ValueHandler : public JsonEvents {
  public:
    bool null() { return value({JsonSort::nothing, {}}); }
    bool boolean(bool truth) { return value({JsonSort::truth, truth ? "true" : "false"}); }
    bool number_integer(number_integer_t number) {
        // Only "-0" comes here without being negative.
        return value({JsonSort::number, number == 0 ? "-0" : std::to_string(number)});
    }
    bool number_unsigned(number_unsigned_t number) {
        return value({JsonSort::number, std::to_string(number)});
    }
    bool number_float(number_float_t, const string_t& text) { return value({JsonSort::number, text}); }
    bool string(string_t& text) { return value({JsonSort::text, std::move(text)}); }
    bool binary(binary_t&) { return fail("the frame holds binary data", "have the tool send JSON text"); }

    bool start_object(std::size_t) { return open(false); }
    bool end_object() { return close(); }
    bool start_array(std::size_t) { return open(true); }
    bool end_array() { return close(); }
    bool key(string_t& name) {
        if (name.size() > json_key_limit)
            return fail(fmt::format("the key {} is longer than {} bytes", shown(name), json_key_limit),
                        "have the tool send shorter keys");
        pointer_.resize(open_.back().pointer);
        pointer_ += '/';
        for (const char c : name)
            pointer_ += c == '~' ? "~0" : c == '/' ? "~1" : std::string(1, c);
        return true;
    }
    bool parse_error(std::size_t position, const std::string&, const nlohmann::json::exception&) {
        return fail(fmt::format("it is not JSON from byte {} on", position),
                    "have the tool send one JSON object a frame, in UTF-8");
    }

    [[nodiscard]] DecodeFault& fault() { return fault_; }
    [[nodiscard]] JsonValues& values() { return values_; }

  private:
    // An object or list that is open: how long the pointer to it is, and which of its items comes next.
    struct Level {
        std::size_t pointer = 0;
        bool is_list = false;
        std::size_t next = 0;
    };

    bool fail(std::string what, std::string remedy) {
        fault_ = {"", std::move(what), std::move(remedy), std::nullopt};
        return false;
    }
    void to_next_item() {
        if (open_.empty() || !open_.back().is_list)
            return;
        pointer_.resize(open_.back().pointer);
        pointer_ += fmt::format("/{}", open_.back().next++);
    }
    bool add(JsonValue one) {
        if (values_.size() == json_values_limit)
            return fail(fmt::format("the object holds more than {} values", json_values_limit),
                        "have the tool send fewer");
        if (!values_.emplace(pointer_, std::move(one)).second)
            return fail(fmt::format("the key {} stands twice", shown(pointer_)),
                        "have the tool send each key once");
        return true;
    }
    bool value(JsonValue one) {
        if (open_.empty())
            return fail("it is no JSON object", "have the tool send one JSON object a frame");
        to_next_item();
        return add(std::move(one));
    }
    bool open(bool is_list) {
        if (open_.empty() && is_list)
            return fail("it is no JSON object", "have the tool send one JSON object a frame");
        if (open_.size() == json_depth)
            return fail(fmt::format("objects and lists stand more than {} deep", json_depth),
                        "have the tool send them less deep");
        to_next_item();
        if (!add({JsonSort::container, {}}))
            return false;
        open_.push_back({pointer_.size(), is_list, 0});
        return true;
    }
    bool close() {
        open_.pop_back();
        return true;
    }

    std::string pointer_;
    std::vector<Level> open_;
    JsonValues values_;
    DecodeFault fault_;
};

}  // namespace

std::expected<JsonValues, DecodeFault> json_values(std::string_view text) {
    ValueHandler handler;
    if (!is_utf8(text) || text.find('\0') != std::string_view::npos)
        return std::unexpected(DecodeFault{"", "it is no text in UTF-8",
                                           "have the tool send one JSON object a frame, in UTF-8",
                                           std::nullopt});
    if (!nlohmann::json::sax_parse(text.begin(), text.end(), &handler))
        return std::unexpected(std::move(handler.fault()));
    return std::move(handler.values());
}

}  // namespace tautgate::protocol
