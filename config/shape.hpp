// How an object of the configuration file is described: a list of its keys, each with what its value may be
// and the member of our value that it fills. From the one description come the reading, the errors (all of
// them), the suggestions for a misspelt key and the catalogue of keys that the tests compare with the
// published JSON Schema. Used by the reader only; any thread.
#pragma once

#include <chrono>
#include <concepts>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "config/config_error.hpp"
#include "config/document.hpp"
#include "protocol/quantity.hpp"

namespace tautgate::config {

// One key that the reader knows; "*" stands for any index: "/joints/*/fasteners/*/name".
struct KnownKey {
    std::string path;
    bool required = false;
    auto operator<=>(const KnownKey&) const = default;
};

// Collects the errors of one file.
class Errors {
  public:
    explicit Errors(std::string file) : file_(std::move(file)) {}

    void add(const Node& node, const std::string& pointer, std::string found, std::string allowed,
             std::string nearest = {});
    void add_at(Place place, const std::string& pointer, std::string found, std::string allowed,
                std::string nearest = {});
    // "41 is no text; give ..."
    void wrong_type(const Node& node, const std::string& pointer, std::string_view allowed);

    [[nodiscard]] std::size_t count() const noexcept { return errors_.size(); }
    [[nodiscard]] std::vector<ConfigError> take() { return std::move(errors_); }

  private:
    std::string file_;
    std::vector<ConfigError> errors_;
};

// ---- what a value may be --------------------------------------------------------------------------------
// Each has read(errors, node, pointer, destination), which leaves the destination alone where it adds an
// error, and list(path, keys), which adds the keys below.

struct Scalar {
    void list(const std::string& /*path*/, std::vector<KnownKey>& /*keys*/) const {}
};

// 1 to `longest` characters on one line.
struct Text : Scalar {
    std::size_t longest = 0;
    explicit Text(std::size_t most_characters = 200) : longest(most_characters) {}
    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const;
};

// What a device sends, with its control characters.
struct DeviceText : Scalar {
    std::size_t longest = 0;
    explicit DeviceText(std::size_t most_characters) : longest(most_characters) {}
    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const;
};

// The name by which other parts refer to this one: letters, digits, '.', '_' and '-', at most 64.
struct Identifier : Scalar {
    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const;
};

// A host name or an IP address.
struct Host : Scalar {
    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const;
};

// An IPv4 or IPv6 address in numbers; names are not looked up.
struct IpAddress : Scalar {
    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const;
};

struct Flag : Scalar {
    void read(Errors& errors, const Node& node, const std::string& pointer, bool& out) const;
};

// A whole number within inclusive limits, in whichever integer or duration type the member has.
struct Whole : Scalar {
    std::int64_t min = 0;
    std::int64_t max = 0;
    Whole(std::int64_t lowest, std::int64_t highest) : min(lowest), max(highest) {}

    [[nodiscard]] std::optional<std::int64_t> whole(Errors& errors, const Node& node,
                                                    const std::string& pointer) const;

    template <std::integral Number>
    void read(Errors& errors, const Node& node, const std::string& pointer, Number& out) const {
        if (const auto value = whole(errors, node, pointer)) {
            out = static_cast<Number>(*value);
        }
    }
    template <class Rep, class Period>
    void read(Errors& errors, const Node& node, const std::string& pointer,
              std::chrono::duration<Rep, Period>& out) const {
        if (const auto value = whole(errors, node, pointer)) {
            out = std::chrono::duration<Rep, Period>(static_cast<Rep>(*value));
        }
    }
};

// A whole number from 0 to the highest of 64 bits.
struct Whole64 : Scalar {
    void read(Errors& errors, const Node& node, const std::string& pointer, std::uint64_t& out) const;
};

// Any number, in the digits of the file, so that no binary fraction comes between.
struct Digits : Scalar {
    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const;
};

// An exact decimal number of at most 18 digits.
struct DecimalNumber : Scalar {
    void read(Errors& errors, const Node& node, const std::string& pointer, protocol::Decimal& out) const;
};

// "06:00" of a day of 24 hours.
struct TimeOfDay : Scalar {
    void read(Errors& errors, const Node& node, const std::string& pointer, std::chrono::minutes& out) const;
};

// The place of the node's text among the words; an error and nothing if it is none of them.
[[nodiscard]] std::optional<std::size_t> word_of(Errors& errors, const Node& node, const std::string& pointer,
                                                 const std::vector<std::string>& words);

// One of a few words.
template <class Value>
struct OneOf : Scalar {
    std::vector<std::pair<std::string, Value>> words;
    explicit OneOf(std::vector<std::pair<std::string, Value>> known) : words(std::move(known)) {}

    void read(Errors& errors, const Node& node, const std::string& pointer, Value& out) const {
        if (const auto place = word_of(errors, node, pointer, names()))
            out = words[*place].second;
    }

  private:
    [[nodiscard]] std::vector<std::string> names() const {
        std::vector<std::string> out;
        out.reserve(words.size());
        for (const auto& word : words) {
            out.push_back(word.first);
        }
        return out;
    }
};

// How many of the node's values are to be read: none of what is no list, at most `most`. The errors say so.
[[nodiscard]] std::size_t length_of(Errors& errors, const Node& node, const std::string& pointer,
                                    std::size_t fewest, std::size_t most);
[[nodiscard]] std::string pointer_to(const std::string& list, std::size_t index);

// A list of at least `fewest` and at most `most` values.
template <class Item>
struct ListOf {
    Item item;
    std::size_t fewest = 0;
    std::size_t most = 256;
    explicit ListOf(Item one, std::size_t at_least = 0, std::size_t at_most = 256)
        : item(std::move(one)), fewest(at_least), most(at_most) {}

    template <class Value>
    void read(Errors& errors, const Node& node, const std::string& pointer, std::vector<Value>& out) const {
        const std::size_t length = length_of(errors, node, pointer, fewest, most);
        if (node.kind == NodeKind::list)
            out.clear();
        for (std::size_t index = 0; index < length; ++index) {
            // A value that cannot be read keeps its place, so that later findings name the right index.
            Value value{};
            item.read(errors, node.items[index], pointer_to(pointer, index), value);
            out.push_back(std::move(value));
        }
    }
    void list(const std::string& path, std::vector<KnownKey>& keys) const { item.list(path + "/*", keys); }
};

// ---- objects --------------------------------------------------------------------------------------------

template <class>
inline constexpr bool is_optional = false;
template <class Value>
inline constexpr bool is_optional<std::optional<Value>> = true;

// What was found in one object, seen from its list of keys.
struct KeyUse {
    std::string name;
    bool required = false;
    bool given = false;
};

// Reports keys that are unknown, stand twice or are missing; marks the given ones.
void check_keys(Errors& errors, const Node& node, const std::string& pointer, std::vector<KeyUse>& keys);

// A key "comments" is allowed in every object and means nothing.
template <class Object>
class Shape {
  public:
    // `Owner` is the object itself or a base of it.
    template <class Value, class Owner, class Allowed>
    Shape& required(std::string name, Value Owner::*member, Allowed allowed) {
        return add(std::move(name), true, member, std::move(allowed));
    }
    // Left out, the member keeps its default.
    template <class Value, class Owner, class Allowed>
    Shape& optional(std::string name, Value Owner::*member, Allowed allowed) {
        return add(std::move(name), false, member, std::move(allowed));
    }

    void read(Errors& errors, const Node& node, const std::string& pointer, Object& out) const {
        if (node.kind != NodeKind::object) {
            errors.wrong_type(node, pointer, "give an object { ... }");
            return;
        }
        std::vector<KeyUse> use;
        use.reserve(keys_.size());
        for (const auto& key : keys_) {
            use.push_back({.name = key->name, .required = key->required});
        }
        check_keys(errors, node, pointer, use);
        for (const auto& key : keys_) {
            if (const Node* value = node.find(key->name)) {
                key->read(errors, *value, pointer + "/" + pointer_token(key->name), out);
            }
        }
    }
    void list(const std::string& path, std::vector<KnownKey>& keys) const {
        for (const auto& key : keys_) {
            keys.push_back({.path = path + "/" + key->name, .required = key->required});
            key->list(path + "/" + key->name, keys);
        }
    }

  private:
    // A virtual call and no std::function: there is one of these for every key, and the time to compile them
    // was a tenth of a clean build.
    struct Key {
        std::string name;
        bool required = false;

        Key(std::string key_name, bool is_required) : name(std::move(key_name)), required(is_required) {}
        Key(const Key&) = delete;
        Key& operator=(const Key&) = delete;
        virtual ~Key() = default;
        virtual void read(Errors& errors, const Node& node, const std::string& pointer,
                          Object& out) const = 0;
        virtual void list(const std::string& path, std::vector<KnownKey>& keys) const = 0;
    };

    template <class Value, class Owner, class Allowed>
    struct KeyOf final : Key {
        Value Owner::*member;
        Allowed allowed;

        KeyOf(std::string key_name, bool is_required, Value Owner::*filled, Allowed may_be)
            : Key(std::move(key_name), is_required), member(filled), allowed(std::move(may_be)) {}

        void read(Errors& errors, const Node& node, const std::string& pointer, Object& out) const override {
            if constexpr (is_optional<Value>) {
                allowed.read(errors, node, pointer, (out.*member).emplace());
            } else {
                allowed.read(errors, node, pointer, out.*member);
            }
        }
        void list(const std::string& path, std::vector<KnownKey>& keys) const override {
            allowed.list(path, keys);
        }
    };

    template <class Value, class Owner, class Allowed>
    Shape& add(std::string name, bool is_required, Value Owner::*member, Allowed allowed) {
        // Shared, since a description holds all those below it.
        keys_.emplace_back(std::unique_ptr<const Key>(
            new KeyOf<Value, Owner, Allowed>(std::move(name), is_required, member, std::move(allowed))));
        return *this;
    }

    std::vector<std::shared_ptr<const Key>> keys_;
};

// An object of the file that becomes a value of another form, by `convert(raw, errors, node, pointer, out)`.
// That is called only where the object itself was free of errors, unless it can do with parts of it.
enum class Needs { whole_object, what_could_be_read };

template <class Raw, class Convert>
struct Converted {
    Shape<Raw> shape;
    Convert convert;
    Needs needs = Needs::whole_object;

    template <class Value>
    void read(Errors& errors, const Node& node, const std::string& pointer, Value& out) const {
        const auto before = errors.count();
        Raw raw{};
        shape.read(errors, node, pointer, raw);
        if (errors.count() == before || needs == Needs::what_could_be_read) {
            convert(raw, errors, node, pointer, out);
        }
    }
    void list(const std::string& path, std::vector<KnownKey>& keys) const { shape.list(path, keys); }
};

}  // namespace tautgate::config
