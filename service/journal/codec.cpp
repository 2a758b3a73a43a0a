#include "service/journal/codec.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <charconv>
#include <concepts>
#include <cstdint>
#include <limits>
#include <source_location>
#include <stdexcept>
#include <type_traits>
#include <utility>

#include <boost/mp11/algorithm.hpp>
#include <nlohmann/json.hpp>
#include <openssl/evp.h>
#include <sodium.h>

#include "service/interlock/canonical.hpp"
#include "service/journal/byte_sink.hpp"

namespace tautgate::journal {
namespace {

using interlock::canonical_parts::is_optional;
using interlock::canonical_parts::is_variant;
using interlock::canonical_parts::is_vector;
using interlock::canonical_parts::Members;
using Json = nlohmann::ordered_json;

// Thrown and caught within this file only.
class Unfit : public std::runtime_error {
  public:
    using std::runtime_error::runtime_error;
};

// The struct's own name without namespaces, as the compiler spells it in the signature.
template <class Type>
constexpr std::string_view type_name() {
    std::string_view text = std::source_location::current().function_name();
    text.remove_prefix(text.find("Type = ") + 7);
    text = text.substr(0, text.find_first_of(";]"));
    if (const auto colon = text.rfind("::"); colon != std::string_view::npos)
        text.remove_prefix(colon + 2);
    return text;
}
static_assert(type_name<interlock::ResultReceived>() == "ResultReceived");
// Found by the compiler, not with every event.
template <class Type>
constexpr std::string_view kind_name = type_name<Type>();

// operator_ and override_ only dodge the language's own words.
constexpr std::string_view field_name(std::string_view name) {
    return name.ends_with('_') ? name.substr(0, name.size() - 1) : name;
}

// `,"name":`, put together by the compiler: names are a third of a stored event.
template <std::size_t Size>
using Chars = std::array<char, Size>;
template <class Member>
consteval auto key_of() {
    constexpr std::string_view name = field_name(Member::name);
    Chars<name.size() + 4> key{};
    key[0] = ',';
    key[1] = '"';
    const auto* const end = std::ranges::copy(name, key.begin() + 2).out;
    key[end - key.begin()] = '"';
    key.back() = ':';
    return key;
}

// Fields of free bytes: always base64, so that nobody has to guess.
constexpr bool holds_bytes(std::string_view field) { return field == "raw" || field == "state"; }

// A struct that only gives a value a type of its own ("value", "text", "digest") is written as the value.
template <class Type>
consteval bool is_wrapper() {
    bool wrapper = false;
    if constexpr (boost::describe::has_describe_members<Type>::value) {
        if constexpr (boost::mp11::mp_size<Members<Type>>::value == 1)
            boost::mp11::mp_for_each<Members<Type>>([&](auto member) {
                const std::string_view name = member.name;
                wrapper = name == "value" || name == "text" || name == "digest";
            });
    }
    return wrapper;
}

// By OpenSSL, which may take its time from the bytes: they are no secret, and every result brings some.
void put_base64(std::string_view bytes, ByteSink& out) {
    assert(bytes.size() <= std::numeric_limits<int>::max());
    const std::size_t size = (bytes.size() + 2) / 3 * 4;
    char* const text = out.room(size + 1);  // EVP ends its text by a zero
    EVP_EncodeBlock(reinterpret_cast<unsigned char*>(text),
                    reinterpret_cast<const unsigned char*>(bytes.data()), static_cast<int>(bytes.size()));
    out.use(size);
}

std::string from_base64(std::string_view text) {
    std::string bytes(text.size(), '\0');
    std::size_t size = 0;
    if (sodium_base642bin(reinterpret_cast<unsigned char*>(bytes.data()), bytes.size(), text.data(),
                          text.size(), nullptr, &size, nullptr, sodium_base64_VARIANT_ORIGINAL) != 0)
        throw Unfit("is no base64");
    bytes.resize(size);
    return bytes;
}

// ---- writing ------------------------------------------------------------------------------------------

// Which bytes stand for themselves in a JSON text.
constexpr std::array<bool, 256> plain = [] {
    std::array<bool, 256> stands{};
    for (unsigned c = ' '; c <= '~'; ++c)
        stands[c] = c != '"' && c != '\\';
    return stands;
}();

void put_quoted(std::string_view text, ByteSink& out) {
    char* const to = out.room(text.size() + 2);
    to[0] = '"';
    text.copy(to + 1, text.size());
    to[text.size() + 1] = '"';
    out.use(text.size() + 2);
}

void put_text(std::string_view text, ByteSink& out) {
    if (std::ranges::all_of(text, [](char c) { return plain[static_cast<unsigned char>(c)]; }))
        return put_quoted(text, out);
    try {
        out.put(nlohmann::json(text).dump());
    } catch (const nlohmann::json::type_error&) {  // not UTF-8
        out.put(R"({"base64":")");
        put_base64(text, out);
        out.put("\"}");
    }
}

template <std::integral Integer>
void put_digits(Integer value, ByteSink& out) {
    constexpr std::size_t most = 24;
    char* const to = out.room(most);
    out.use(static_cast<std::size_t>(std::to_chars(to, to + most, value).ptr - to));
}

template <class Type>
void put(const Type& value, ByteSink& out);

// What says nothing: nothing at all, an empty text or list, no. Its key is left out.
template <class Type>
bool says_nothing(const Type& value) {
    if constexpr (std::same_as<Type, bool>)
        return !value;
    else if constexpr (is_optional<Type>)
        return !value.has_value();
    else if constexpr (std::same_as<Type, std::string> || is_vector<Type>)
        return value.empty();
    else
        return false;
}

template <class Struct>
void put_fields(const Struct& value, ByteSink& out) {
    out.put('{');
    bool first = true;
    boost::mp11::mp_for_each<Members<Struct>>([&]<class Member>(Member member) {
        const auto& field = value.*member.pointer;
        if (says_nothing(field))
            return;
        static constexpr auto key = key_of<Member>();
        // The comma first or not at all; a length that the compiler knows is a few moves.
        if (std::exchange(first, false))
            out.put(std::span<const char, key.size() - 1>(key.data() + 1, key.size() - 1));
        else
            out.put(std::span<const char, key.size()>(key));
        if constexpr (std::same_as<std::remove_cvref_t<decltype(field)>, std::string>) {
            if (holds_bytes(member.name)) {
                out.put('"');
                put_base64(field, out);
                out.put('"');
                return;
            }
        }
        put(field, out);
    });
    out.put('}');
}

template <class Element>
void put_list(const std::vector<Element>& list, ByteSink& out) {
    out.put('[');
    bool first = true;
    for (const auto& element : list) {
        if (!std::exchange(first, false))
            out.put(',');
        put(element, out);
    }
    out.put(']');
}

template <class Type>
void put(const Type& value, ByteSink& out) {
    if constexpr (std::same_as<Type, bool>) {
        out.put(value ? "true" : "false");
    } else if constexpr (std::integral<Type>) {
        if constexpr (sizeof(Type) == 8) {
            out.put('"');
            put_digits(value, out);
            out.put('"');
        } else {
            put_digits(value, out);
        }
    } else if constexpr (std::is_enum_v<Type>) {
        const char* name = boost::describe::enum_to_string(value, nullptr);
        assert(name != nullptr);
        put_quoted(name, out);
    } else if constexpr (std::same_as<Type, std::string>) {
        put_text(value, out);
    } else if constexpr (is_optional<Type>) {
        if (value)
            put(*value, out);
        else
            out.put("null");
    } else if constexpr (is_vector<Type>) {
        put_list(value, out);
    } else if constexpr (is_variant<Type>) {
        std::visit(
            [&]<class Chosen>(const Chosen& chosen) {
                out.put("{\"");
                out.put(kind_name<Chosen>);
                out.put("\":");
                put(chosen, out);
                out.put('}');
            },
            value);
    } else if constexpr (is_wrapper<Type>()) {
        boost::mp11::mp_for_each<Members<Type>>([&](auto member) { put(value.*member.pointer, out); });
    } else if constexpr (std::same_as<Type, interlock::Fact>) {
        // Reasons have many; their names would be said again with each.
        out.put('[');
        put_text(value.name, out);
        out.put(',');
        put_text(value.value, out);
        out.put(']');
    } else {
        put_fields(value, out);
    }
}

// ---- reading ------------------------------------------------------------------------------------------

const std::string& text_of(const Json& json) {
    if (!json.is_string())
        throw Unfit("is no text");
    return json.get_ref<const std::string&>();
}

std::string take_text(const Json& json) {
    if (!json.is_object())
        return text_of(json);
    if (json.size() != 1 || !json.contains("base64"))
        throw Unfit("is neither text nor base64");
    return from_base64(text_of(json["base64"]));
}

template <class Type>
void take(const Json& json, Type& value);

template <std::integral Integer>
Integer take_integer(const Json& json) {
    const std::string digits = sizeof(Integer) == 8       ? text_of(json)
                               : json.is_number_integer() ? json.dump()
                                                          : "";
    Integer value{};
    const auto [end, fault] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
    if (digits.empty() || fault != std::errc{} || end != digits.data() + digits.size())
        throw Unfit("is no whole number of its range");
    return value;
}

template <class Call>
void within(std::string_view place, Call call) {
    try {
        call();
    } catch (const Unfit& unfit) {
        throw Unfit("/" + std::string(place) + (unfit.what()[0] == '/' ? "" : " ") + unfit.what());
    }
}

template <class Field>
void take_field(const Json& json, std::string_view name, Field& field) {
    within(field_name(name), [&] {
        if constexpr (std::same_as<Field, std::string>) {
            if (holds_bytes(name)) {
                field = from_base64(text_of(json));
                return;
            }
        }
        take(json, field);
    });
}

// A key that is left out means what says nothing, where there is such a thing.
template <class Struct>
void take_fields(const Json& json, Struct& value) {
    if (!json.is_object())
        throw Unfit("is no object");
    auto at = json.begin();
    boost::mp11::mp_for_each<Members<Struct>>([&](auto member) {
        auto& field = value.*member.pointer;
        if (at != json.end() && at.key() == field_name(member.name)) {
            take_field(*at, member.name, field);
            ++at;
            return;
        }
        field = {};
        if (!says_nothing(field))
            throw Unfit("lacks the field " + std::string(field_name(member.name)) + " at its place");
    });
    if (at != json.end())
        throw Unfit("has the field " + at.key() + " where none such belongs");
}

template <class... Types>
void take_variant(const Json& json, std::variant<Types...>& value) {
    if (!json.is_object() || json.size() != 1)
        throw Unfit("is no object of one kind");
    const std::string& kind = json.begin().key();
    bool known = false;
    const auto try_one = [&]<class Chosen>(std::type_identity<Chosen>) {
        if (known || kind != type_name<Chosen>())
            return;
        known = true;
        within(kind, [&] { take(*json.begin(), value.template emplace<Chosen>()); });
    };
    (try_one(std::type_identity<Types>{}), ...);
    if (!known)
        throw Unfit("is of the unknown kind " + kind);
}

template <class Type>
void take(const Json& json, Type& value) {
    if constexpr (std::same_as<Type, bool>) {
        if (!json.is_boolean())
            throw Unfit("is neither true nor false");
        value = json.get<bool>();
    } else if constexpr (std::integral<Type>) {
        value = take_integer<Type>(json);
    } else if constexpr (std::is_enum_v<Type>) {
        if (!boost::describe::enum_from_string(text_of(json).c_str(), value))
            throw Unfit("has the unknown word " + text_of(json));
    } else if constexpr (std::same_as<Type, std::string>) {
        value = take_text(json);
    } else if constexpr (is_optional<Type>) {
        value.reset();
        if (!json.is_null())
            take(json, value.emplace());
    } else if constexpr (is_vector<Type>) {
        if (!json.is_array())
            throw Unfit("is no list");
        value.clear();
        for (std::size_t i = 0; i < json.size(); ++i)
            within(std::to_string(i), [&] { take(json[i], value.emplace_back()); });
    } else if constexpr (is_variant<Type>) {
        take_variant(json, value);
    } else if constexpr (is_wrapper<Type>()) {
        boost::mp11::mp_for_each<Members<Type>>([&](auto member) { take(json, value.*member.pointer); });
    } else if constexpr (std::same_as<Type, interlock::Fact>) {
        std::vector<std::string> pair;
        take(json, pair);
        if (pair.size() != 2)
            throw Unfit("is no pair of name and value");
        value = {std::move(pair[0]), std::move(pair[1])};
    } else {
        take_fields(json, value);
    }
}

// ---- reading at once ----------------------------------------------------------------------------------

// A text as encode() writes it, from left to right, without a tree of it in between. Whatever is otherwise,
// or takes a second look (an escape, bytes that are no UTF-8), is left to the careful reader above.
class Pass {
  public:
    explicit Pass(std::string_view text) : rest_(text) {}

    [[nodiscard]] bool at_end() const noexcept { return rest_.empty(); }
    bool skip(std::string_view what) {
        if (!rest_.starts_with(what))
            return false;
        rest_.remove_prefix(what.size());
        return true;
    }
    bool quoted(std::string_view& text) {
        if (!rest_.starts_with('"'))
            return false;
        const auto end = rest_.find('"', 1);
        if (end == std::string_view::npos || rest_.substr(1, end - 1).contains('\\'))
            return false;
        text = rest_.substr(1, end - 1);
        rest_.remove_prefix(end + 1);
        return true;
    }
    template <std::integral Integer>
    bool digits(Integer& value) {
        const auto [end, fault] = std::from_chars(rest_.data(), rest_.data() + rest_.size(), value);
        if (fault != std::errc{})
            return false;
        rest_.remove_prefix(static_cast<std::size_t>(end - rest_.data()));
        return true;
    }

  private:
    std::string_view rest_;
};

template <class Type>
bool pass(Pass& text, Type& value);

template <class Struct>
bool pass_fields(Pass& text, Struct& value) {
    bool good = text.skip("{");
    bool first = true;
    boost::mp11::mp_for_each<Members<Struct>>([&]<class Member>(Member member) {
        auto& field = value.*member.pointer;
        static constexpr auto key = key_of<Member>();
        const std::string_view with_comma(key.data(), key.size());
        if (good && text.skip(first ? with_comma.substr(1) : with_comma)) {
            first = false;
            if constexpr (std::same_as<std::remove_cvref_t<decltype(field)>, std::string>) {
                if (holds_bytes(member.name)) {
                    std::string_view bytes;
                    good = text.quoted(bytes);
                    field = from_base64(bytes);
                    return;
                }
            }
            good = pass(text, field);
            return;
        }
        field = {};
        good = good && says_nothing(field);
    });
    return good && text.skip("}");
}

template <class Element>
bool pass_list(Pass& text, std::vector<Element>& list) {
    list.clear();
    if (!text.skip("["))
        return false;
    if (text.skip("]"))
        return true;
    do {
        if (!pass(text, list.emplace_back()))
            return false;
    } while (text.skip(","));
    return text.skip("]");
}

template <class... Types>
bool pass_variant(Pass& text, std::variant<Types...>& value) {
    std::string_view kind;
    if (!text.skip("{") || !text.quoted(kind) || !text.skip(":"))
        return false;
    bool good = false;
    const auto try_one = [&]<class Chosen>(std::type_identity<Chosen>) {
        if (kind != kind_name<Chosen>)
            return false;
        good = pass(text, value.template emplace<Chosen>());
        return true;
    };
    return (try_one(std::type_identity<Types>{}) || ...) && good && text.skip("}");
}

template <class Enum>
bool pass_word(Pass& text, Enum& value) {
    std::string_view word;
    bool known = false;
    if (text.quoted(word))
        boost::mp11::mp_for_each<boost::describe::describe_enumerators<Enum>>([&](auto each) {
            if (word == each.name) {
                value = each.value;
                known = true;
            }
        });
    return known;
}

bool pass_text(Pass& text, std::string& value) {
    std::string_view plain_text;
    const bool good = text.quoted(plain_text);
    value = plain_text;
    return good;
}

template <class Type>
bool pass(Pass& text, Type& value) {
    if constexpr (std::same_as<Type, bool>) {
        value = text.skip("true");
        return value || text.skip("false");
    } else if constexpr (std::integral<Type>) {
        if constexpr (sizeof(Type) == 8)
            return text.skip("\"") && text.digits(value) && text.skip("\"");
        else
            return text.digits(value);
    } else if constexpr (std::is_enum_v<Type>) {
        return pass_word(text, value);
    } else if constexpr (std::same_as<Type, std::string>) {
        return pass_text(text, value);
    } else if constexpr (is_optional<Type>) {
        value.reset();
        return text.skip("null") || pass(text, value.emplace());
    } else if constexpr (is_vector<Type>) {
        return pass_list(text, value);
    } else if constexpr (is_variant<Type>) {
        return pass_variant(text, value);
    } else if constexpr (is_wrapper<Type>()) {
        bool good = false;
        boost::mp11::mp_for_each<Members<Type>>(
            [&](auto member) { good = pass(text, value.*member.pointer); });
        return good;
    } else if constexpr (std::same_as<Type, interlock::Fact>) {
        return text.skip("[") && pass_text(text, value.name) && text.skip(",") &&
               pass_text(text, value.value) && text.skip("]");
    } else {
        return pass_fields(text, value);
    }
}

// What it gives may be nonsense where the text is not ours: only what is written the same again counts.
bool passed(std::string_view body, StoredEvent& stored) {
    Pass text(body);
    try {
        return pass(text, stored) && text.at_end() && stored.format == 1 && encode(stored) == body;
    } catch (const Unfit&) {
        return false;
    }
}

template <class... Types>
std::string_view name_of_chosen(const std::variant<Types...>& value) {
    return std::visit([]<class Chosen>(const Chosen&) { return kind_name<Chosen>; }, value);
}

}  // namespace

std::string encode(const StoredEvent& stored) {
    ByteSink out;
    put(stored, out);
    return std::move(out).take();
}

std::expected<StoredEvent, std::string> decode(std::string_view body) {
    StoredEvent stored;
    if (passed(body, stored))
        return stored;
    stored = {};
    try {
        take(Json::parse(body), stored);
    } catch (const Unfit& unfit) {
        return std::unexpected(unfit.what());
    } catch (const nlohmann::json::exception& error) {
        return std::unexpected(error.what());
    }
    if (stored.format != 1)
        return std::unexpected("/format is " + std::to_string(stored.format) + ", this program reads 1");
    // Whatever reads well but would not be written so (a key twice, white space, 01) is not ours.
    if (encode(stored) != body)
        return std::unexpected("the text is not in the form in which events are stored");
    return stored;
}

std::string_view kind_of(const interlock::Payload& payload) { return name_of_chosen(payload); }
std::string_view kind_of(const interlock::Action& action) { return name_of_chosen(action); }
std::string_view kind_of(const interlock::Outcome& outcome) { return name_of_chosen(outcome); }
std::string_view kind_of(const interlock::Output& output) { return name_of_chosen(output); }

}  // namespace tautgate::journal
