#include "protocol/profile_text.hpp"

#include <chrono>
#include <concepts>
#include <optional>
#include <type_traits>
#include <variant>
#include <vector>

#include <boost/describe.hpp>
#include <boost/mp11/algorithm.hpp>
#include <nlohmann/json.hpp>

namespace tautgate::protocol {

namespace {

using nlohmann::ordered_json;

ordered_json described(std::integral auto value) { return value; }
ordered_json described(const std::string& value) { return value; }
ordered_json described(std::chrono::milliseconds value) { return value.count(); }
template <class Enum>
requires std::is_enum_v<Enum> ordered_json described(Enum value) {
    return boost::describe::enum_to_string(value, "");
}
template <class Value>
ordered_json described(const std::optional<Value>& value);
template <class Value>
ordered_json described(const std::vector<Value>& values);
template <class... Kinds>
ordered_json described(const std::variant<Kinds...>& value);
template <class Struct>
requires std::is_class_v<Struct> ordered_json described(const Struct& value) {
    ordered_json object = ordered_json::object();
    using Members = boost::describe::describe_members<Struct, boost::describe::mod_public>;
    boost::mp11::mp_for_each<Members>(
        [&](auto field) { object[field.name] = described(value.*field.pointer); });
    return object;
}
template <class Value>
ordered_json described(const std::optional<Value>& value) {
    return value ? described(*value) : ordered_json(nullptr);
}
template <class Value>
ordered_json described(const std::vector<Value>& values) {
    ordered_json list = ordered_json::array();
    for (const Value& value : values)
        list.push_back(described(value));
    return list;
}
// Two kinds may have the same fields.
template <class... Kinds>
ordered_json described(const std::variant<Kinds...>& value) {
    return ordered_json::array(
        {value.index(), std::visit([](const auto& content) { return described(content); }, value)});
}
template <class Profile>
std::string text_of_profile(const Profile& profile) {
    return described(profile).dump(-1, ' ', true, ordered_json::error_handler_t::replace);
}

}  // namespace

std::string profile_text(const RegisterProfile& profile) { return text_of_profile(profile); }
std::string profile_text(const FrameProfile& profile) { return text_of_profile(profile); }

}  // namespace tautgate::protocol
