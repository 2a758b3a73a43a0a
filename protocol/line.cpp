#include "protocol/line.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <limits>
#include <utility>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/json_events.hpp"
#include "protocol/text.hpp"
#include "protocol/utc.hpp"

namespace tautgate::protocol {

namespace {

// ---- what may stand where -------------------------------------------------------------------------------

// The objects of a line; each occurs at most once.
enum class Place : std::uint8_t {
    nowhere,
    line,
    hello,
    result,
    beat,
    state,
    torque,
    angle,
    limits,
    torque_min,
    torque_max,
    angle_min,
    angle_max,
    trace,
    station_line,
    welcome,
    acknowledge,
    trace_stored,
    refused,
    enable,
    disable,
    challenge
};

enum class Key : std::uint8_t {
    object,  // opens the place named beside it
    trace,   // is read by itself (trace_line.hpp)
    tool,
    epoch,
    last,
    counter,
    program,
    direction,
    aborted,
    verdict,
    reason,
    position,
    stamp,
    value,
    unit,
    resend_from,
    why,
    remedy,
    order,
    enabled,
    nonce,
    number
};

struct Row {
    Place in;
    std::string_view name;
    Key key;
    Place opens = Place::nowhere;
};

constexpr std::array rows{
    Row{Place::line, "hello", Key::object, Place::hello},
    Row{Place::line, "result", Key::object, Place::result},
    Row{Place::line, "beat", Key::object, Place::beat},
    Row{Place::line, "trace", Key::trace, Place::trace},
    Row{Place::line, "state", Key::object, Place::state},
    Row{Place::hello, "tool", Key::tool},
    Row{Place::hello, "epoch", Key::epoch},
    Row{Place::hello, "last", Key::last},
    Row{Place::hello, "nonce", Key::nonce},
    Row{Place::result, "counter", Key::counter},
    Row{Place::result, "program", Key::program},
    Row{Place::result, "direction", Key::direction},
    Row{Place::result, "aborted", Key::aborted},
    Row{Place::result, "torque", Key::object, Place::torque},
    Row{Place::result, "angle", Key::object, Place::angle},
    Row{Place::result, "verdict", Key::verdict},
    Row{Place::result, "reason", Key::reason},
    Row{Place::result, "limits", Key::object, Place::limits},
    Row{Place::result, "position", Key::position},
    Row{Place::result, "stamp", Key::stamp},
    Row{Place::beat, "number", Key::number},
    Row{Place::state, "order", Key::order},
    Row{Place::state, "enabled", Key::enabled},
    Row{Place::state, "program", Key::program},
    Row{Place::state, "last", Key::last},
    Row{Place::torque, "value", Key::value},
    Row{Place::torque, "unit", Key::unit},
    Row{Place::angle, "value", Key::value},
    Row{Place::angle, "unit", Key::unit},
    Row{Place::limits, "torque_min", Key::object, Place::torque_min},
    Row{Place::limits, "torque_max", Key::object, Place::torque_max},
    Row{Place::limits, "angle_min", Key::object, Place::angle_min},
    Row{Place::limits, "angle_max", Key::object, Place::angle_max},
    Row{Place::torque_min, "value", Key::value},
    Row{Place::torque_min, "unit", Key::unit},
    Row{Place::torque_max, "value", Key::value},
    Row{Place::torque_max, "unit", Key::unit},
    Row{Place::angle_min, "value", Key::value},
    Row{Place::angle_min, "unit", Key::unit},
    Row{Place::angle_max, "value", Key::value},
    Row{Place::angle_max, "unit", Key::unit},
    Row{Place::station_line, "welcome", Key::object, Place::welcome},
    Row{Place::station_line, "acknowledge", Key::object, Place::acknowledge},
    Row{Place::station_line, "trace_stored", Key::object, Place::trace_stored},
    Row{Place::station_line, "refused", Key::object, Place::refused},
    Row{Place::station_line, "beat", Key::object, Place::beat},
    Row{Place::welcome, "resend_from", Key::resend_from},
    Row{Place::acknowledge, "counter", Key::counter},
    Row{Place::trace_stored, "counter", Key::counter},
    Row{Place::refused, "why", Key::why},
    Row{Place::refused, "remedy", Key::remedy},
    Row{Place::station_line, "enable", Key::object, Place::enable},
    Row{Place::station_line, "disable", Key::object, Place::disable},
    Row{Place::enable, "order", Key::order},
    Row{Place::enable, "program", Key::program},
    Row{Place::disable, "order", Key::order},
    Row{Place::station_line, "challenge", Key::object, Place::challenge},
    Row{Place::challenge, "nonce", Key::nonce},
};
static_assert(rows.size() <= 64);

std::string allowed_in(Place place) {
    std::string names;
    for (const Row& row : rows)
        if (row.in == place)
            names += fmt::format("{}{}", names.empty() ? "" : ", ", row.name);
    return names.empty() ? "nothing" : names;
}

// ---- what was found -------------------------------------------------------------------------------------

// A measured value or a limit as the line has it.
struct Found {
    bool present = false;
    bool is_number = false;
    std::string text;
    bool has_unit = false;
    std::string unit;
};

// Places torque, angle and the four limits, in the order of the enum.
constexpr std::size_t value_places = 7;
constexpr std::size_t index_of(Place place) {
    return static_cast<std::size_t>(place) - static_cast<std::size_t>(Place::torque);
}
static_assert(index_of(Place::angle_max) < value_places);

struct Content {
    std::string tool, epoch, program, direction, verdict, reason, stamp, why, remedy, nonce;
    std::optional<std::uint64_t> last, counter, resend_from, order, number;
    std::optional<std::uint32_t> position;
    bool aborted = false;
    std::optional<bool> enabled;
    std::array<Found, value_places> values;
};

struct Complaint {
    std::string what;
    std::string remedy;
};

enum class JsonKind : std::uint8_t { null, boolean, whole, number, text };

struct Token {
    JsonKind kind = JsonKind::null;
    std::string_view text;  // as written
    std::uint64_t whole = 0;
};

// ---- the reader -----------------------------------------------------------------------------------------

// Takes the events of the JSON reader; returning false ends it. The member functions are those that
// nlohmann's sax interface asks for.
class LineHandler : public JsonEvents {
  public:
    explicit LineHandler(Place root) : root_(root) {}

    bool null() { return scalar({JsonKind::null, "null"}); }
    bool boolean(bool value) {
        return scalar({JsonKind::boolean, value ? "true" : "false", value ? 1U : 0U});
    }
    bool number_integer(number_integer_t value) {
        // Only "-0" comes here without being negative; every other text is the number's own.
        return value == 0 ? scalar({JsonKind::number, "-0"})
                          : scalar({JsonKind::number, fmt::format_int(value).str()});
    }
    bool number_unsigned(number_unsigned_t value) {
        const fmt::format_int text(value);
        return scalar({JsonKind::whole, std::string_view(text.data(), text.size()), value});
    }
    bool number_float(number_float_t, const string_t& text) { return scalar({JsonKind::number, text}); }
    bool string(string_t& text) { return scalar({JsonKind::text, text}); }
    bool binary(binary_t&) { return fail("the line holds binary data", "send JSON text"); }

    bool start_object(std::size_t) {
        if (skipping_ > 0) {
            ++skipping_;
            return true;
        }
        if (depth_ == 0) {
            if (opened_root_)
                return fail("the line holds more than one object", "send one object a line");
            opened_root_ = true;
            path_[depth_++] = root_;
            return true;
        }
        if (row_->key == Key::value || row_->key == Key::trace)
            return skip();
        if (row_->key != Key::object)
            return wrong_type("text or a number");
        if (Found* found = value_at(row_->opens))
            found->present = true;
        path_[depth_++] = row_->opens;
        return true;
    }
    bool end_object() {
        if (skipping_ > 0) {
            --skipping_;
            return true;
        }
        --depth_;
        return true;
    }
    bool start_array(std::size_t) {
        if (skipping_ > 0) {
            ++skipping_;
            return true;
        }
        if (depth_ == 0)
            return fail("the line holds no object", "send one object a line");
        if (row_->key == Key::value)
            return skip();
        if (Found* found = value_at(row_->opens)) {
            found->present = true;
            return skip();
        }
        return wrong_type("an object, text or a number");
    }
    bool end_array() {
        --skipping_;
        return true;
    }
    bool key(string_t& name) {
        if (skipping_ > 0)
            return true;
        const Place in = path_[depth_ - 1];
        const auto found =
            std::ranges::find_if(rows, [&](const Row& row) { return row.in == in && row.name == name; });
        if (found == rows.end())
            return fail(fmt::format("unknown key {}", shown(name)),
                        fmt::format("allowed here: {}", allowed_in(in)));
        const auto bit = std::uint64_t{1} << static_cast<unsigned>(found - rows.begin());
        if ((seen_ & bit) != 0)
            return fail(fmt::format("the key {} stands twice", shown(name)), "send each key once");
        seen_ |= bit;
        row_ = &*found;
        return true;
    }
    bool parse_error(std::size_t position, const std::string&, const nlohmann::json::exception&) {
        not_json_ = true;
        return fail(fmt::format("the line is not JSON from byte {} on", position),
                    "send one JSON object a line, in UTF-8");
    }

    [[nodiscard]] bool has(std::string_view name, Place in) const {
        for (std::size_t i = 0; i < rows.size(); ++i)
            if (rows[i].in == in && rows[i].name == name)
                return (seen_ >> i & 1U) != 0;
        return false;
    }
    // Which of the root's messages the line holds; exactly one.
    [[nodiscard]] std::expected<Place, Complaint> message() const {
        std::optional<Place> found;
        for (std::size_t i = 0; i < rows.size(); ++i) {
            if (rows[i].in != root_ || (seen_ >> i & 1U) == 0)
                continue;
            if (found)
                return std::unexpected(Complaint{"the line holds two messages", "send one message a line"});
            found = rows[i].opens;
        }
        if (!found)
            return std::unexpected(
                Complaint{"the line holds no message", "send one of: " + allowed_in(root_)});
        return *found;
    }
    [[nodiscard]] bool not_json() const { return not_json_; }
    [[nodiscard]] Complaint& complaint() { return complaint_; }
    [[nodiscard]] Content& content() { return content_; }

  private:
    bool fail(std::string what, std::string remedy) {
        complaint_ = {std::move(what), std::move(remedy)};
        return false;
    }
    bool wrong_type(std::string_view wanted) {
        return fail(fmt::format("the key '{}' has a value of the wrong kind", row_->name),
                    fmt::format("send {}", wanted));
    }
    bool skip() {
        ++skipping_;
        return true;
    }
    Found* value_at(Place place) {
        if (place == Place::limits || place < Place::torque || place > Place::angle_max)
            return nullptr;
        return &content_.values[index_of(place)];
    }

    bool scalar(const Token& token) {
        if (skipping_ > 0)
            return true;
        if (depth_ == 0)
            return fail("the line holds no object", "send one object a line");
        switch (row_->key) {
        case Key::object: return instead_of_object(token);
        case Key::trace: return wrong_type("an object");
        case Key::tool: return take(token, content_.tool);
        case Key::epoch: return take(token, content_.epoch);
        case Key::program: return take(token, content_.program);
        case Key::direction: return take(token, content_.direction);
        case Key::verdict: return take(token, content_.verdict);
        case Key::reason: return take(token, content_.reason);
        case Key::stamp: return take(token, content_.stamp);
        case Key::why: return take(token, content_.why);
        case Key::remedy: return take(token, content_.remedy);
        case Key::last: return take(token, content_.last);
        case Key::counter: return take(token, content_.counter);
        case Key::resend_from: return take(token, content_.resend_from);
        case Key::nonce: return take(token, content_.nonce);
        case Key::order: return take(token, content_.order);
        case Key::number: return take(token, content_.number);
        case Key::enabled:
            if (token.kind != JsonKind::boolean)
                return wrong_type("true or false");
            content_.enabled = token.whole == 1;
            return true;
        case Key::position: return take_position(token);
        case Key::aborted:
            if (token.kind != JsonKind::boolean)
                return wrong_type("true or false");
            content_.aborted = token.whole == 1;
            return true;
        case Key::value: return take_value(token);
        case Key::unit: return take_unit(token);
        }
        std::unreachable();
    }

    // "torque": null says the same as no torque at all; "torque": 402.5 is a number without a unit.
    bool instead_of_object(const Token& token) {
        Found* const found = value_at(row_->opens);
        if (found == nullptr)
            return wrong_type("an object");
        if (token.kind == JsonKind::null)
            return true;
        found->present = true;
        found->text = token.text;
        found->is_number = token.kind == JsonKind::whole || token.kind == JsonKind::number;
        return true;
    }
    bool take(const Token& token, std::string& into) {
        if (token.kind != JsonKind::text)
            return wrong_type("text");
        into = token.text;
        return true;
    }
    bool take(const Token& token, std::optional<std::uint64_t>& into) {
        // The highest of all is kept for "one after it".
        constexpr std::uint64_t highest = std::numeric_limits<std::uint64_t>::max() - 1;
        if (token.kind == JsonKind::whole && token.whole <= highest) {
            into = token.whole;
            return true;
        }
        const auto value = token.kind == JsonKind::text ? whole_from_text(token.text, highest) : std::nullopt;
        if (!value)
            return wrong_type("a whole number from 0 to 18446744073709551614, as text");
        into = value;
        return true;
    }
    bool take_position(const Token& token) {
        if (token.kind != JsonKind::whole || token.whole == 0 ||
            token.whole > std::numeric_limits<std::uint32_t>::max())
            return wrong_type("the fastener's number, 1 and up, or leave the key out");
        content_.position = static_cast<std::uint32_t>(token.whole);
        return true;
    }
    bool take_value(const Token& token) {
        Found& found = *value_at(path_[depth_ - 1]);
        found.text = token.text;
        found.is_number = token.kind == JsonKind::whole || token.kind == JsonKind::number;
        return true;
    }
    bool take_unit(const Token& token) {
        Found& found = *value_at(path_[depth_ - 1]);
        found.has_unit = token.kind == JsonKind::text;
        found.unit = found.has_unit ? token.text : std::string_view();
        return true;
    }

    // line > result > limits > torque_min
    static constexpr std::size_t deepest = 4;

    Place root_;
    std::array<Place, deepest> path_{};
    std::size_t depth_ = 0;
    std::size_t skipping_ = 0;  // depth inside something that is kept as unreadable
    bool opened_root_ = false;
    bool not_json_ = false;
    const Row* row_ = rows.data();  // of the last key
    std::uint64_t seen_ = 0;
    Content content_;
    Complaint complaint_;
};

// JSON has no NaN and no infinity, and the reader no numbers beyond a double. A tool that sends one all the
// same has one bad value, not a bad line: such words are put in quotes, as texts, and judged where they
// stand.
std::string with_bare_words_quoted(std::string_view line) {
    const auto is_word = [](char c) {
        return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '+' ||
               c == '-' || c == '.';
    };
    const auto is_fine = [](std::string_view word) {
        if (word == "true" || word == "false" || word == "null")
            return true;
        const auto value = decimal_from_text(word);
        return value && value->exponent < 280;
    };
    std::string out;
    bool in_text = false;
    for (std::size_t i = 0; i < line.size(); ++i) {
        const char c = line[i];
        if (in_text || !is_word(c)) {
            out += c;
            if (in_text && c == '\\' && i + 1 < line.size())
                out += line[++i];
            else if (c == '"')
                in_text = !in_text;
            continue;
        }
        const auto end = std::find_if_not(line.begin() + static_cast<std::ptrdiff_t>(i), line.end(), is_word);
        const std::string_view word(line.data() + i, static_cast<std::size_t>(end - line.begin()) - i);
        out += is_fine(word) ? std::string(word) : fmt::format("\"{}\"", word);
        i += word.size() - 1;
    }
    return out;
}

// Reads a line into a handler that then holds its content, or says what is wrong. `mended`: what was read in
// the place of a line with bare words.
std::expected<LineHandler, Complaint> read(std::string_view line, Place root, std::string& mended) {
    if (line.size() > line_limit)
        return std::unexpected(
            Complaint{fmt::format("the line is longer than {} bytes", line_limit), "send shorter lines"});
    LineHandler handler(root);
    if (nlohmann::json::sax_parse(line.begin(), line.end(), &handler))
        return handler;
    if (!handler.not_json())
        return std::unexpected(std::move(handler.complaint()));
    mended = with_bare_words_quoted(line);
    LineHandler second(root);
    if (mended != line && nlohmann::json::sax_parse(mended, &second))
        return second;
    return std::unexpected(
        std::move(second.not_json() || mended == line ? handler.complaint() : second.complaint()));
}

// ---- from content to messages -----------------------------------------------------------------------------

std::expected<Hello, Complaint> hello_from(LineHandler& handler) {
    Content& content = handler.content();
    if (content.tool.empty())
        return std::unexpected(Complaint{"hello names no tool", "send the tool's id under 'tool'"});
    if (content.epoch.empty())
        return std::unexpected(Complaint{"hello names no epoch",
                                         "send a text under 'epoch' that is new after each "
                                         "restart of the tool"});
    if (!content.last)
        return std::unexpected(Complaint{"hello names no last result",
                                         "send the newest counter under 'last', \"0\" if there is none"});
    return Hello{std::move(content.tool), std::move(content.epoch), *content.last, std::move(content.nonce)};
}

std::expected<ToolSays, Complaint> state_from(LineHandler& handler) {
    Content& content = handler.content();
    if (!content.order)
        return std::unexpected(Complaint{"state names no order", "send the order's number under 'order'"});
    if (!content.enabled)
        return std::unexpected(
            Complaint{"state does not say whether the tool may run", "send true or false under 'enabled'"});
    if (!content.last)
        return std::unexpected(Complaint{"state names no last result",
                                         "send the newest counter under 'last', \"0\" if there is none"});
    return ToolSays{*content.order, *content.enabled, std::move(content.program), *content.last};
}

// Turns what was found into quantities, and says in words what could not be used.
class Measurer {
  public:
    Measurer(Content& content, const MeasuringRange& range, LineResult& result)
        : content_(content), range_(range), result_(result) {}

    void run() {
        Reading& reading = result_.reading;
        reading.torque = torque();
        reading.angle = angle();
        limit(Place::torque_min, "torque_min", reading.tool_limits.torque_min, reading.torque);
        limit(Place::torque_max, "torque_max", reading.tool_limits.torque_max, reading.torque);
        limit(Place::angle_min, "angle_min", reading.tool_limits.angle_min, reading.angle);
        limit(Place::angle_max, "angle_max", reading.tool_limits.angle_max, reading.angle);
    }

  private:
    Found& at(Place place) { return content_.values[index_of(place)]; }

    Unusable refuse(std::string_view name, const Found& found, Unusable why, std::string_view because) {
        result_.notes.push_back(fmt::format("{} {} {}", name, shown(found.text), because));
        return why;
    }

    // Converts a number with its unit into a quantity; `convert` gets the text once the unit is known to be
    // good.
    template <class Quantity, class Convert>
    std::expected<Quantity, Unusable> usable(std::string_view name, const Found& found, bool unit_good,
                                             std::string_view units, Convert convert) {
        if (!found.has_unit || !unit_good)
            return std::unexpected(refuse(
                name, found, Unusable::unreadable,
                found.has_unit ? fmt::format("has the unknown unit {}; use {}", shown(found.unit), units)
                               : fmt::format("has no unit; send one of {}", units)));
        const std::expected<Quantity, Unusable> value = convert(found.text);
        if (!value)
            return std::unexpected(refuse(name, found, value.error(), to_text(value.error())));
        if (!found.is_number)
            return std::unexpected(refuse(name, found, Unusable::unreadable, "is not sent as a number"));
        return value;
    }
    std::expected<Torque, Unusable> torque_of(std::string_view name, const Found& found) {
        const auto unit = torque_unit(found.unit);
        return usable<Torque>(
            name, found, unit.has_value(), "N.m, cN.m, lbf.ft, lbf.in, kgf.m",
            [&](std::string_view text) { return torque_from_text(text, *unit, range_.torque_resolution); });
    }
    std::expected<Angle, Unusable> angle_of(std::string_view name, const Found& found) {
        return usable<Angle>(name, found, found.unit == "deg", "deg", [&](std::string_view text) {
            return angle_from_text(text, range_.angle_resolution);
        });
    }

    template <class Quantity>
    Measured<Quantity> measured(std::string_view name, const Found& found,
                                const std::expected<Quantity, Unusable>& value, Quantity most) {
        if (!value)
            return Unreadable{value.error()};
        if (*value > most)
            return Unreadable{
                refuse(name, found, Unusable::out_of_sensor_range,
                       fmt::format("is above {}, the most that the tool can measure", to_text(most)))};
        return *value;
    }
    Measured<Torque> torque() {
        Found& found = at(Place::torque);
        if (!found.present)
            return Absent{};
        auto result = measured("torque", found, torque_of("torque", found), range_.torque_max);
        result_.reading.received.torque = std::move(found.text);
        result_.reading.received.torque_unit = std::move(found.unit);
        return result;
    }
    Measured<Angle> angle() {
        Found& found = at(Place::angle);
        if (!found.present)
            return Absent{};
        auto result = measured("angle", found, angle_of("angle", found), range_.angle_max);
        result_.reading.received.angle = std::move(found.text);
        return result;
    }

    // A limit that cannot be read leaves open under which program the tool judged. That must not look like
    // "no limit", so the value that it belongs to is not usable either.
    template <class Quantity>
    void limit(Place place, std::string_view name, std::optional<Quantity>& into, Measured<Quantity>& of) {
        const Found& found = at(place);
        if (!found.present)
            return;
        std::expected<Quantity, Unusable> value;
        if constexpr (std::is_same_v<Quantity, Torque>)
            value = torque_of(name, found);
        else
            value = angle_of(name, found);
        if (value)
            into = *value;
        else
            of = Unreadable{value.error()};
    }

    Content& content_;
    const MeasuringRange& range_;
    LineResult& result_;
};

std::expected<LineResult, Complaint> result_from(LineHandler& handler, std::string_view line,
                                                 const MeasuringRange& range) {
    Content& content = handler.content();
    LineResult result;
    Reading& reading = result.reading;
    if (!content.counter || *content.counter == 0)
        return std::unexpected(
            Complaint{"the result has no counter", "count results from \"1\" under 'counter'"});
    reading.counter = *content.counter;
    if (content.direction == "loosen")
        reading.direction = Direction::loosen;
    else if (content.direction != "tighten")
        return std::unexpected(
            Complaint{fmt::format("the result's direction is {}", shown(content.direction)),
                      "send 'tighten' or 'loosen' under 'direction'"});
    if (content.verdict == "ok")
        reading.tool_verdict = ToolVerdict::ok;
    else if (content.verdict == "not_ok")
        reading.tool_verdict = ToolVerdict::not_ok;
    else if (handler.has("verdict", Place::result))
        return std::unexpected(Complaint{fmt::format("the result's verdict is {}", shown(content.verdict)),
                                         "send 'ok' or 'not_ok' under 'verdict', or leave it out"});
    reading.aborted = content.aborted;
    reading.position = content.position;
    reading.program = std::move(content.program);
    reading.tool_reason = std::move(content.reason);
    if (handler.has("stamp", Place::result)) {
        if (const auto stamp = parse_utc(content.stamp))
            reading.stamp_utc_us = stamp->micros;
        else
            result.notes.push_back(fmt::format("stamp {} is no RFC 3339 time; the time of arrival is used",
                                               shown(content.stamp)));
        reading.received.stamp = std::move(content.stamp);
    }
    Measurer(content, range, result).run();
    reading.received.raw = line;
    return result;
}

std::expected<TracePart, Complaint> trace_from(std::string_view line) {
    auto part = parse_trace_part(line);
    if (!part)
        return std::unexpected(Complaint{std::move(part.error().what), std::move(part.error().remedy)});
    return std::move(*part);
}

std::expected<LineMessage, Complaint> message_from(LineHandler& handler, std::string_view line,
                                                   const std::string& mended, const MeasuringRange& range) {
    const auto message = handler.message();
    if (!message)
        return std::unexpected(message.error());
    if (*message == Place::hello) {
        auto hello = hello_from(handler);
        return hello ? std::expected<LineMessage, Complaint>(std::move(*hello))
                     : std::unexpected(hello.error());
    }
    if (*message == Place::result) {
        auto result = result_from(handler, line, range);
        return result ? std::expected<LineMessage, Complaint>(std::move(*result))
                      : std::unexpected(result.error());
    }
    if (*message == Place::trace) {
        auto part = trace_from(mended.empty() ? line : std::string_view(mended));
        return part ? std::expected<LineMessage, Complaint>(std::move(*part)) : std::unexpected(part.error());
    }
    if (*message == Place::state) {
        auto says = state_from(handler);
        return says ? std::expected<LineMessage, Complaint>(std::move(*says)) : std::unexpected(says.error());
    }
    return Beat{handler.content().number.value_or(0)};
}

std::expected<StationMessage, Complaint> station_message_from(LineHandler& handler) {
    const auto message = handler.message();
    if (!message)
        return std::unexpected(message.error());
    Content& content = handler.content();
    if (*message == Place::welcome) {
        if (!content.resend_from)
            return std::unexpected(Complaint{"welcome names no counter", "send it under 'resend_from'"});
        return Welcome{*content.resend_from};
    }
    if (*message == Place::acknowledge) {
        if (!content.counter)
            return std::unexpected(Complaint{"acknowledge names no counter", "send it under 'counter'"});
        return Acknowledge{*content.counter};
    }
    if (*message == Place::trace_stored) {
        if (!content.counter)
            return std::unexpected(Complaint{"trace_stored names no counter", "send it under 'counter'"});
        return TraceStored{*content.counter};
    }
    if (*message == Place::refused)
        return Refused{std::move(content.why), std::move(content.remedy)};
    if (*message == Place::challenge) {
        if (content.nonce.empty())
            return std::unexpected(Complaint{"challenge names no nonce", "send it under 'nonce'"});
        return Challenge{std::move(content.nonce)};
    }
    if (*message == Place::enable || *message == Place::disable) {
        if (!content.order)
            return std::unexpected(Complaint{"an order without its number", "send it under 'order'"});
        if (*message == Place::enable)
            return Enable{*content.order, std::move(content.program)};
        return Disable{*content.order};
    }
    return Beat{content.number.value_or(0)};
}

LineFault fault_from(Complaint complaint, std::string_view line) {
    return {std::move(complaint.what), std::move(complaint.remedy), std::string(line.substr(0, line_limit))};
}

// ---- writing ----------------------------------------------------------------------------------------------

std::string json_text(const std::string& text) {
    // Bytes that are no UTF-8 become U+FFFD: a message about bad bytes must itself be good.
    return nlohmann::json(text).dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

std::string json_value(const WrittenValue& written) {
    return fmt::format(R"({{"value":{},"unit":{}}})", written.value, json_text(written.unit));
}

std::string_view word(Direction direction) {
    switch (direction) {
    case Direction::tighten: return "tighten";
    case Direction::loosen: return "loosen";
    }
    std::unreachable();
}

std::string verdict_member(ToolVerdict verdict) {
    switch (verdict) {
    case ToolVerdict::absent: return "";
    case ToolVerdict::ok: return R"(,"verdict":"ok")";
    case ToolVerdict::not_ok: return R"(,"verdict":"not_ok")";
    }
    std::unreachable();
}

std::string limits_member(const WrittenResult& result) {
    std::string members;
    for (const auto& [name, written] :
         {std::pair{"torque_min", &result.torque_min}, std::pair{"torque_max", &result.torque_max},
          std::pair{"angle_min", &result.angle_min}, std::pair{"angle_max", &result.angle_max}})
        if (*written)
            members += fmt::format(R"({}"{}":{})", members.empty() ? "" : ",", name, json_value(**written));
    return members.empty() ? members : fmt::format(R"(,"limits":{{{}}})", members);
}

}  // namespace

std::expected<LineMessage, LineFault> parse_line(std::string_view line, const MeasuringRange& range) {
    std::string mended;
    auto handler = read(line, Place::line, mended);
    if (!handler)
        return std::unexpected(fault_from(std::move(handler.error()), line));
    auto message = message_from(*handler, line, mended, range);
    if (!message)
        return std::unexpected(fault_from(std::move(message.error()), line));
    return std::move(*message);
}

bool may_be_result(std::string_view line) noexcept {
    constexpr std::array others{std::string_view(R"({"hello")"), std::string_view(R"({"beat")"),
                                std::string_view(R"({"state")"), std::string_view(R"({"trace")")};
    const bool begins_as_another =
        std::ranges::any_of(others, [&](std::string_view begin) { return line.starts_with(begin); });
    return !begins_as_another || line.find("result") != std::string_view::npos;
}

std::expected<StationMessage, LineFault> parse_station_line(std::string_view line) {
    std::string mended;
    auto handler = read(line, Place::station_line, mended);
    if (!handler)
        return std::unexpected(fault_from(std::move(handler.error()), line));
    auto message = station_message_from(*handler);
    if (!message)
        return std::unexpected(fault_from(std::move(message.error()), line));
    return std::move(*message);
}

std::string to_line(const Welcome& welcome) {
    return fmt::format("{{\"welcome\":{{\"resend_from\":\"{}\"}}}}\n", welcome.resend_from);
}

std::string to_line(const Acknowledge& acknowledge) {
    return fmt::format("{{\"acknowledge\":{{\"counter\":\"{}\"}}}}\n", acknowledge.counter);
}

std::string to_line(const Challenge& challenge) {
    return fmt::format("{{\"challenge\":{{\"nonce\":{}}}}}\n", json_text(challenge.nonce));
}

std::string to_line(const TraceStored& stored) {
    return fmt::format("{{\"trace_stored\":{{\"counter\":\"{}\"}}}}\n", stored.counter);
}

std::string to_line(const Refused& refused) {
    return fmt::format("{{\"refused\":{{\"why\":{},\"remedy\":{}}}}}\n", json_text(refused.why),
                       json_text(refused.remedy));
}

std::string to_line(const Enable& enable) {
    return enable.program.empty() ? fmt::format("{{\"enable\":{{\"order\":\"{}\"}}}}\n", enable.order)
                                  : fmt::format("{{\"enable\":{{\"order\":\"{}\",\"program\":{}}}}}\n",
                                                enable.order, json_text(enable.program));
}

std::string to_line(const Disable& disable) {
    return fmt::format("{{\"disable\":{{\"order\":\"{}\"}}}}\n", disable.order);
}

std::string to_line(const ToolSays& says) {
    return fmt::format("{{\"state\":{{\"order\":\"{}\",\"enabled\":{},\"program\":{},\"last\":\"{}\"}}}}\n",
                       says.order, says.enabled, json_text(says.program), says.last);
}

std::string to_line(const Beat& beat) {
    return beat.number == 0 ? std::string("{\"beat\":{}}\n")
                            : fmt::format("{{\"beat\":{{\"number\":\"{}\"}}}}\n", beat.number);
}

std::string to_line(const Hello& hello) {
    const std::string nonce = hello.nonce.empty() ? "" : ",\"nonce\":" + json_text(hello.nonce);
    return fmt::format("{{\"hello\":{{\"tool\":{},\"epoch\":{},\"last\":\"{}\"{}}}}}\n",
                       json_text(hello.tool), json_text(hello.epoch), hello.last, nonce);
}

std::string to_line(const WrittenResult& result) {
    std::string line = fmt::format(R"({{"result":{{"counter":"{}")", result.counter);
    if (!result.program.empty())
        line += ",\"program\":" + json_text(result.program);
    line += fmt::format(R"(,"direction":"{}")", word(result.direction));
    if (result.aborted)
        line += ",\"aborted\":true";
    if (result.torque)
        line += ",\"torque\":" + json_value(*result.torque);
    if (result.angle)
        line += ",\"angle\":" + json_value(*result.angle);
    line += verdict_member(result.verdict);
    if (!result.reason.empty())
        line += ",\"reason\":" + json_text(result.reason);
    line += limits_member(result);
    if (result.position)
        line += fmt::format(",\"position\":{}", *result.position);
    if (!result.stamp.empty())
        line += ",\"stamp\":" + json_text(result.stamp);
    return line + "}}\n";
}

// ---- bytes -> lines
// -----------------------------------------------------------------------------------------

void LineSplitter::feed(std::string_view bytes) {
    buffer_.erase(0, begin_);
    searched_ -= std::min(searched_, begin_);
    begin_ = 0;
    buffer_ += bytes;
}

std::optional<std::expected<std::string_view, LineFault>> LineSplitter::next() {
    const auto too_long = [this](std::string_view bytes) {
        return LineFault{fmt::format("a line is longer than {} bytes", limit_), "send shorter lines",
                         std::string(bytes.substr(0, limit_))};
    };
    while (true) {
        const std::size_t end = buffer_.find('\n', std::max(begin_, searched_));
        const std::string_view rest = std::string_view(buffer_).substr(begin_);
        if (end == std::string::npos) {
            searched_ = buffer_.size();
            // One byte more than the limit may be the CR of a whole line.
            if (!discarding_ && rest.size() > limit_ + 1) {
                discarding_ = true;
                LineFault fault = too_long(rest);
                begin_ = buffer_.size();
                return std::unexpected(std::move(fault));
            }
            if (discarding_)
                begin_ = buffer_.size();
            return std::nullopt;
        }
        std::string_view line = std::string_view(buffer_).substr(begin_, end - begin_);
        begin_ = end + 1;
        if (std::exchange(discarding_, false))
            continue;
        if (line.ends_with('\r'))
            line.remove_suffix(1);
        if (line.empty())
            continue;
        if (line.size() > limit_)
            return std::unexpected(too_long(line));
        if (line.find('\0') != std::string_view::npos)
            return std::unexpected(
                LineFault{"a line holds a NUL byte", "send JSON text in UTF-8", std::string(line)});
        if (!is_utf8(line))
            return std::unexpected(
                LineFault{"a line is not UTF-8", "send JSON text in UTF-8", std::string(line)});
        return line;
    }
}

}  // namespace tautgate::protocol
