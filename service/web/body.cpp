#include "service/web/body.hpp"

#include <utility>

#include "protocol/text.hpp"
#include "service/history/json_parts.hpp"

namespace tautgate::web {
namespace {

using nlohmann::json;

// A body has a few members on a few levels; a thousand brackets are an attack on the stack.
constexpr int depth_limit = 8;

Problem bad_body(std::string where, std::string why, std::string remedy) {
    return {.status = 400,
            .code = "bad_request_body",
            .what = "the request was not carried out",
            .where = std::move(where),
            .why = std::move(why),
            .remedy = std::move(remedy)};
}

void wipe_texts(json& value) {
    if (value.is_string())
        people::wipe(value.get_ref<std::string&>());
    else if (value.is_structured())
        for (auto& inner : value)
            wipe_texts(inner);
}

json parse_bounded(std::string_view text, bool& too_deep, bool& repeated) {
    std::vector<std::set<std::string>> seen;
    const auto watch = [&](int depth, json::parse_event_t event, json& parsed) {
        too_deep = too_deep || depth > depth_limit;
        if (event == json::parse_event_t::object_start)
            seen.emplace_back();
        else if (event == json::parse_event_t::object_end)
            seen.pop_back();
        else if (event == json::parse_event_t::key)
            repeated = !seen.back().insert(parsed.get<std::string>()).second || repeated;
        return true;
    };
    return json::parse(text.begin(), text.end(), watch, /*allow_exceptions=*/false);
}

}  // namespace

Response to_response(const Problem& problem) {
    const json body{{"error",
                     {{"code", problem.code},
                      {"what", problem.what},
                      {"where", problem.where},
                      {"why", problem.why},
                      {"remedy", problem.remedy}}}};
    return {.status = problem.status, .body = history::dump(body)};
}

Body::Body(json object, std::string pointer) : object_(std::move(object)), pointer_(std::move(pointer)) {}

Body Body::parse(std::string_view text) {
    bool too_deep = false;
    bool repeated = false;
    auto parsed = parse_bounded(text, too_deep, repeated);
    const char* why = parsed.is_discarded() ? "it is no JSON (RFC 8259) in UTF-8"
                      : !parsed.is_object() ? "it is no JSON object"
                      : too_deep            ? "it is nested more than 8 levels deep"
                      : repeated            ? "a member stands in it twice"
                                            : nullptr;
    if (why == nullptr)
        return {std::move(parsed), ""};
    Body body(json::object(), "");
    body.fault_ = bad_body("body", why, "send one JSON object as the API description shows it");
    return body;
}

json* Body::find(const std::string& key) {
    asked_.insert(key);
    const auto found = object_.find(key);
    return found == object_.end() || found->is_null() ? nullptr : &*found;
}

void Body::refuse(const std::string& key, std::string why, std::string remedy) {
    if (!fault_)
        fault_ = bad_body(pointer_to(key), std::move(why), std::move(remedy));
}

void Body::missing(const std::string& key, std::string_view kind) {
    refuse(key, "it is missing", "give " + std::string(kind));
}

namespace {

// EOT and the four separators of ISO/IEC 15434 are part of a label.
bool has_more_unseen_than_a_label(std::string_view text) {
    std::string seen(text);
    std::erase_if(seen, [](char c) { return c == '\x04' || (c >= '\x1c' && c <= '\x1f'); });
    return protocol::has_unseen(seen);
}

}  // namespace

std::optional<std::string> Body::optional_text(const std::string& key, std::size_t most) {
    return text_without(key, most, protocol::has_unseen);
}

std::optional<std::string> Body::text_without(const std::string& key, std::size_t most,
                                              bool (*is_refused)(std::string_view)) {
    auto* value = find(key);
    if (value == nullptr)
        return std::nullopt;
    if (!value->is_string()) {
        refuse(key, "it is no text", "give a text in quotes");
        return std::nullopt;
    }
    const auto& text = value->get_ref<const std::string&>();
    if (text.size() > most) {
        refuse(key, "it is longer than " + std::to_string(most) + " bytes", "give a shorter text");
        return std::nullopt;
    }
    if (is_refused(text)) {
        refuse(key, "it holds a line break or another character that is not seen",
               "give one line of plain text");
        return std::nullopt;
    }
    return text;
}

std::string Body::text(const std::string& key, std::size_t most) {
    auto value = optional_text(key, most);
    if (!value || value->find_first_not_of(' ') == std::string::npos)
        missing(key, "a text that is not empty");
    return std::move(value).value_or(std::string{});
}

std::string Body::label(const std::string& key, std::size_t most) {
    auto value = text_without(key, most, has_more_unseen_than_a_label);
    if (!value || value->find_first_not_of(' ') == std::string::npos)
        missing(key, "a label that is not empty");
    return std::move(value).value_or(std::string{});
}

people::Secret Body::secret(const std::string& key) {
    auto* value = find(key);
    if (value == nullptr || !value->is_string()) {
        missing(key, "the PIN or passphrase as a text");
        return people::Secret(std::string{});
    }
    auto& held = value->get_ref<std::string&>();
    if (held.size() > 1024)
        refuse(key, "it is longer than any secret that the station takes",
               "give the PIN or passphrase itself");
    return people::Secret(std::move(held));
}

std::optional<std::uint64_t> Body::optional_number(const std::string& key) {
    auto* value = find(key);
    if (value == nullptr)
        return std::nullopt;
    if (!value->is_number_unsigned()) {
        refuse(key, "it is no whole number from 0 on", "give a whole number");
        return std::nullopt;
    }
    return value->get<std::uint64_t>();
}

std::uint64_t Body::number(const std::string& key) {
    const auto value = optional_number(key);
    if (!value)
        missing(key, "a whole number");
    return value.value_or(0);
}

std::vector<std::string> Body::texts(const std::string& key) {
    auto* value = find(key);
    std::vector<std::string> out;
    if (value == nullptr || !value->is_array() || value->size() > 32) {
        missing(key, "a list of at most 32 texts");
        return out;
    }
    for (const auto& item : *value) {
        if (!item.is_string())
            refuse(key, "an item of the list is no text", "give texts in quotes");
        else
            out.push_back(item.get<std::string>());
    }
    return out;
}

Body Body::object(const std::string& key) {
    auto* value = find(key);
    if (value == nullptr || !value->is_object()) {
        missing(key, "an object");
        return {json::object(), pointer_to(key)};
    }
    return {*value, pointer_to(key)};
}

std::vector<Body> Body::objects(const std::string& key, std::size_t most) {
    auto* value = find(key);
    std::vector<Body> out;
    if (value == nullptr || !value->is_array() || value->size() > most) {
        missing(key, "a list of at most " + std::to_string(most) + " objects");
        return out;
    }
    out.reserve(value->size());
    for (auto& item : *value) {
        const std::string pointer = pointer_to(key) + "/" + std::to_string(out.size());
        if (!item.is_object()) {
            refuse(key, "an item of the list is no object", "give objects in braces");
            return out;
        }
        out.emplace_back(item, pointer);
    }
    return out;
}

bool Body::has(const std::string& key) const { return object_.contains(key); }

std::vector<std::string> Body::keys() const {
    std::vector<std::string> all;
    for (const auto& [key, value] : object_.items())
        all.push_back(key);
    return all;
}

void Body::join(const Body& inner) {
    if (auto fault = inner.fault(); fault && !fault_)
        fault_ = std::move(fault);
}

std::optional<Problem> Body::fault() const {
    if (fault_)
        return fault_;
    for (const auto& [key, value] : object_.items())
        if (!asked_.contains(key))
            return bad_body(pointer_to(key), "no such member belongs here",
                            asked_.empty() ? "send an empty object" : "leave it out");
    return std::nullopt;
}

void Body::wipe() { wipe_texts(object_); }

}  // namespace tautgate::web
