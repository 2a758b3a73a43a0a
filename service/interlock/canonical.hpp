// The exact bytes of a described value: equal values give equal bytes and no others do. Snapshots, decision
// digests and the note of the event in hand are made of them. They carry no names; the shape fingerprint in
// front of the stored ones keeps bytes of another program's structs from being misread.
//
//   bool, enum, unsigned   LEB128 (seven bits a byte, low first), in its shortest form
//   signed                 zigzag, then as unsigned
//   string, vector         count, then the bytes or elements
//   optional               0, or 1 and the value
//   variant                index of the alternative, then its value
//   struct                 its fields in the order of TAUTGATE_FIELDS
//
// Reading is strict: every byte is accounted for, every enumerator and alternative exists, and a count never
// makes it allocate more than the bytes at hand can hold. Pure; any thread.
#pragma once

#include <concepts>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <type_traits>
#include <utility>
#include <variant>
#include <vector>

#include <boost/mp11/algorithm.hpp>

#include "service/interlock/decide.hpp"

namespace tautgate::interlock {

// Format byte, fingerprint of the shape, canonical bytes.
[[nodiscard]] std::string canonical_bytes(const State& state);
[[nodiscard]] std::string canonical_bytes(const Event& event);
[[nodiscard]] std::string canonical_bytes(const Record& record);

// The error says at which byte what was wrong, or that the bytes are of another format or shape.
[[nodiscard]] std::expected<State, std::string> state_from(std::string_view bytes);
[[nodiscard]] std::expected<Event, std::string> event_from(std::string_view bytes);

namespace canonical_parts {

template <class Type>
inline constexpr bool is_optional = false;
template <class Type>
inline constexpr bool is_optional<std::optional<Type>> = true;
template <class Type>
inline constexpr bool is_vector = false;
template <class Type>
inline constexpr bool is_vector<std::vector<Type>> = true;
template <class Type>
inline constexpr bool is_variant = false;
template <class... Types>
inline constexpr bool is_variant<std::variant<Types...>> = true;

template <class Type>
using Members = boost::describe::describe_members<Type, boost::describe::mod_public>;

// A number of 64 bits, seven bits a byte.
inline constexpr std::size_t longest_number = 10;

inline char* put(std::uint64_t value, char* at) {
    while (value >= 0x80) {
        *at++ = static_cast<char>(value | 0x80);
        value >>= 7;
    }
    *at++ = static_cast<char>(value);
    return at;
}

// How many bytes the value can take at most. Writing is done in two steps, room first and then the bytes,
// since every event writes the whole state, and that is thousands of small numbers.
template <class Type>
std::size_t room_for(const Type& value);
// Writes there and says where the bytes end.
template <class Type>
char* write(const Type& value, char* at);

// Where reading stands, and what went wrong first.
struct Source {
    std::string_view bytes;
    std::size_t at = 0;
    std::string_view fault = {};

    [[nodiscard]] std::size_t left() const { return bytes.size() - at; }
    bool fail(std::string_view what) {
        if (fault.empty())
            fault = what;
        return false;
    }
    bool take(std::uint64_t& value);
    bool take(std::string& text);
};

inline bool Source::take(std::uint64_t& value) {
    value = 0;
    for (unsigned shift = 0; shift < 64; shift += 7) {
        if (left() == 0)
            return fail("the bytes end in the middle of a number");
        const auto byte = static_cast<std::uint8_t>(bytes[at++]);
        if (shift == 63 && byte > 1)
            return fail("a number needs more than 64 bits");
        value |= static_cast<std::uint64_t>(byte & 0x7fU) << shift;
        if ((byte & 0x80U) == 0)
            return byte != 0 || shift == 0 || fail("a number is not in its shortest form");
    }
    return fail("a number needs more than 64 bits");
}

inline bool Source::take(std::string& text) {
    std::uint64_t size = 0;
    if (!take(size))
        return false;
    if (size > left())
        return fail("a text is longer than the bytes at hand");
    text.assign(bytes.substr(at, size));
    at += size;
    return true;
}

// Seen from outside only through canonical() and read_canonical().
template <class Type>
bool take(Source& source, Type& value);

template <class Enum>
bool take_enum(Source& source, Enum& value) {
    std::uint64_t number = 0;
    if (!source.take(number))
        return false;
    bool known = false;
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<Enum>>([&](auto each) {
        if (static_cast<std::uint64_t>(each.value) == number) {
            value = each.value;
            known = true;
        }
    });
    return known || source.fail("an enumerator does not exist");
}

template <class Integer>
bool take_integer(Source& source, Integer& value) {
    std::uint64_t number = 0;
    if (!source.take(number))
        return false;
    if constexpr (std::signed_integral<Integer>) {
        const auto whole = static_cast<std::int64_t>((number >> 1) ^ (~(number & 1) + 1));
        value = static_cast<Integer>(whole);
        return std::in_range<Integer>(whole) || source.fail("a number is out of range");
    } else {
        value = static_cast<Integer>(number);
        return std::in_range<Integer>(number) || source.fail("a number is out of range");
    }
}

template <class Element>
bool take_vector(Source& source, std::vector<Element>& elements) {
    static_assert(!std::is_empty_v<Element>, "an element without bytes would let a count allocate at will");
    std::uint64_t count = 0;
    if (!source.take(count))
        return false;
    if (count > source.left())
        return source.fail("a list is longer than the bytes at hand");
    elements.clear();
    for (; count > 0; --count)
        if (!take(source, elements.emplace_back()))
            return false;
    return true;
}

template <class... Types>
bool take_variant(Source& source, std::variant<Types...>& value) {
    std::uint64_t index = 0;
    if (!source.take(index))
        return false;
    if (index >= sizeof...(Types))
        return source.fail("an alternative does not exist");
    return boost::mp11::mp_with_index<sizeof...(Types)>(static_cast<std::size_t>(index), [&](auto chosen) {
        return take(source, value.template emplace<chosen>());
    });
}

template <class Type>
bool take_optional(Source& source, std::optional<Type>& value) {
    bool there = false;
    if (!take(source, there))
        return false;
    value.reset();
    return !there || take(source, value.emplace());
}

template <class Struct>
bool take_struct(Source& source, Struct& value) {
    bool good = true;
    boost::mp11::mp_for_each<Members<Struct>>(
        [&](auto member) { good = good && take(source, value.*member.pointer); });
    return good;
}

template <class Type>
bool take(Source& source, Type& value) {
    if constexpr (std::same_as<Type, bool>) {
        std::uint8_t number = 0;
        if (!take_integer(source, number))
            return false;
        value = number == 1;
        return number <= 1 || source.fail("a truth value is neither 0 nor 1");
    } else if constexpr (std::integral<Type>) {
        return take_integer(source, value);
    } else if constexpr (std::is_enum_v<Type>) {
        return take_enum(source, value);
    } else if constexpr (std::same_as<Type, std::string>) {
        return source.take(value);
    } else if constexpr (is_optional<Type>) {
        return take_optional(source, value);
    } else if constexpr (is_vector<Type>) {
        return take_vector(source, value);
    } else if constexpr (is_variant<Type>) {
        return take_variant(source, value);
    } else {
        return take_struct(source, value);
    }
}

// FNV-1a: tells shapes apart by accident, not by malice; the journal's chain is there for malice.
constexpr std::uint64_t mix(std::uint64_t hash, std::string_view text) {
    for (const char c : text)
        hash = (hash ^ static_cast<std::uint8_t>(c)) * 0x100000001b3ULL;
    return (hash ^ 0xffU) * 0x100000001b3ULL;
}
constexpr std::uint64_t mix(std::uint64_t hash, std::uint64_t number) {
    for (int i = 0; i < 8; ++i, number >>= 8)
        hash = (hash ^ (number & 0xffU)) * 0x100000001b3ULL;
    return hash;
}
inline constexpr std::uint64_t fnv_basis = 0xcbf29ce484222325ULL;

template <class Type>
struct Shape;
template <class Type>
inline constexpr std::uint64_t shape_of = Shape<Type>::hash;

template <std::integral Type>
struct Shape<Type> {
    static constexpr std::uint64_t hash =
        mix(mix(fnv_basis, std::signed_integral<Type> ? "int" : "unsigned"), sizeof(Type));
};
template <>
struct Shape<bool> {
    static constexpr std::uint64_t hash = mix(fnv_basis, "bool");
};
template <>
struct Shape<std::string> {
    static constexpr std::uint64_t hash = mix(fnv_basis, "string");
};
template <class Type>
struct Shape<std::optional<Type>> {
    static constexpr std::uint64_t hash = mix(mix(fnv_basis, "optional"), shape_of<Type>);
};
template <class Type>
struct Shape<std::vector<Type>> {
    static constexpr std::uint64_t hash = mix(mix(fnv_basis, "vector"), shape_of<Type>);
};
template <class... Types>
struct Shape<std::variant<Types...>> {
    static constexpr std::uint64_t hash = [] {
        std::uint64_t sum = mix(fnv_basis, "variant");
        ((sum = mix(sum, shape_of<Types>)), ...);
        return sum;
    }();
};
template <class Type>
requires std::is_enum_v<Type>
struct Shape<Type> {
    static constexpr std::uint64_t hash = [] {
        std::uint64_t sum = mix(fnv_basis, "enum");
        boost::mp11::mp_for_each<boost::describe::describe_enumerators<Type>>(
            [&](auto each) { sum = mix(mix(sum, each.name), static_cast<std::uint64_t>(each.value)); });
        return sum;
    }();
};
template <class Type>
requires boost::describe::has_describe_members<Type>::value struct Shape<Type> {
    static constexpr std::uint64_t hash = [] {
        std::uint64_t sum = mix(fnv_basis, "struct");
        boost::mp11::mp_for_each<Members<Type>>([&](auto member) {
            using Field = std::remove_cvref_t<decltype(std::declval<Type&>().*member.pointer)>;
            sum = mix(mix(sum, member.name), shape_of<Field>);
        });
        return sum;
    }();
};

template <class Type>
std::size_t room_for(const Type& value) {
    if constexpr (std::integral<Type> || std::is_enum_v<Type>) {
        return longest_number;
    } else if constexpr (std::same_as<Type, std::string>) {
        return longest_number + value.size();
    } else if constexpr (is_optional<Type>) {
        return 1 + (value ? room_for(*value) : 0);
    } else if constexpr (is_vector<Type>) {
        std::size_t room = longest_number;
        for (const auto& element : value)
            room += room_for(element);
        return room;
    } else if constexpr (is_variant<Type>) {
        return longest_number + std::visit([](const auto& chosen) { return room_for(chosen); }, value);
    } else {
        std::size_t room = 0;
        boost::mp11::mp_for_each<Members<Type>>(
            [&](auto member) { room += room_for(value.*member.pointer); });
        return room;
    }
}

template <class Type>
char* write(const Type& value, char* at) {
    if constexpr (std::signed_integral<Type>) {
        const auto whole = static_cast<std::int64_t>(value);
        return put((static_cast<std::uint64_t>(whole) << 1) ^ static_cast<std::uint64_t>(whole >> 63), at);
    } else if constexpr (std::integral<Type>) {
        return put(value, at);
    } else if constexpr (std::is_enum_v<Type>) {
        static_assert(std::is_unsigned_v<std::underlying_type_t<Type>>);
        return put(static_cast<std::uint64_t>(value), at);
    } else if constexpr (std::same_as<Type, std::string>) {
        at = put(value.size(), at);
        return at + value.copy(at, value.size());
    } else if constexpr (is_optional<Type>) {
        at = put(value.has_value() ? 1U : 0U, at);
        return value ? write(*value, at) : at;
    } else if constexpr (is_vector<Type>) {
        at = put(value.size(), at);
        for (const auto& element : value)
            at = write(element, at);
        return at;
    } else if constexpr (is_variant<Type>) {
        at = put(value.index(), at);
        return std::visit([&](const auto& chosen) { return write(chosen, at); }, value);
    } else {
        boost::mp11::mp_for_each<Members<Type>>([&](auto member) { at = write(value.*member.pointer, at); });
        return at;
    }
}

}  // namespace canonical_parts

// Appends the canonical bytes of any described value.
template <class Type>
void canonical(const Type& value, std::string& out) {
    const std::size_t before = out.size();
    out.resize_and_overwrite(before + canonical_parts::room_for(value), [&](char* bytes, std::size_t) {
        return static_cast<std::size_t>(canonical_parts::write(value, bytes + before) - bytes);
    });
}

// Reads the whole of `bytes` as one value.
template <class Type>
[[nodiscard]] std::expected<Type, std::string> read_canonical(std::string_view bytes) {
    canonical_parts::Source source{bytes};
    Type value;
    if (!canonical_parts::take(source, value))
        return std::unexpected("at byte " + std::to_string(source.at) + ": " + std::string(source.fault));
    if (source.left() != 0)
        return std::unexpected("at byte " + std::to_string(source.at) + ": bytes are left over");
    return value;
}

}  // namespace tautgate::interlock
