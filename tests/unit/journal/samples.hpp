// Values of any described type, drawn from a seed: every field of every kind of event takes part without a
// list that could be forgotten. The texts among them are the ones that break formats.
#pragma once

#include <array>
#include <concepts>
#include <cstdint>
#include <limits>
#include <random>
#include <string>
#include <type_traits>
#include <vector>

#include "service/interlock/canonical.hpp"
#include "service/journal/digest.hpp"
#include "service/journal/stored_event.hpp"

namespace tautgate::samples {

using Chance = std::mt19937_64;

inline std::string text(Chance& chance) {
    using namespace std::string_literals;
    static const std::array<std::string, 9> texts{""s,
                                                  "tool-3"s,
                                                  "a \"quoted\" \\ word"s,
                                                  "line\nbreak\ttab"s,
                                                  "182.5 N·m"s,
                                                  "\xff\xfe raw \x80"s,
                                                  "\0 zero"s,
                                                  "</script>"s,
                                                  "ÄÖÜ 軸 🔩"s};
    return texts.at(chance() % texts.size());
}

template <class Type>
Type value(Chance& chance) {
    using namespace interlock::canonical_parts;
    Type out{};
    if constexpr (std::same_as<Type, bool>) {
        out = chance() % 2 == 0;
    } else if constexpr (std::integral<Type>) {
        const std::array<Type, 5> edges{Type{0}, Type{1}, std::numeric_limits<Type>::min(),
                                        std::numeric_limits<Type>::max(), static_cast<Type>(chance())};
        out = edges.at(chance() % edges.size());
    } else if constexpr (std::is_enum_v<Type>) {
        std::vector<Type> all;
        boost::mp11::mp_for_each<boost::describe::describe_enumerators<Type>>(
            [&](auto each) { all.push_back(each.value); });
        out = all.at(chance() % all.size());
    } else if constexpr (std::same_as<Type, std::string>) {
        out = text(chance);
    } else if constexpr (is_optional<Type>) {
        if (chance() % 2 == 0)
            out = value<typename Type::value_type>(chance);
    } else if constexpr (is_vector<Type>) {
        for (auto left = chance() % 3; left > 0; --left)
            out.push_back(value<typename Type::value_type>(chance));
    } else if constexpr (is_variant<Type>) {
        boost::mp11::mp_with_index<std::variant_size_v<Type>>(
            chance() % std::variant_size_v<Type>,
            [&](auto at) { out.template emplace<at>(value<std::variant_alternative_t<at, Type>>(chance)); });
    } else {
        boost::mp11::mp_for_each<Members<Type>>([&](auto member) {
            using Field = std::remove_cvref_t<decltype(out.*member.pointer)>;
            out.*member.pointer = value<Field>(chance);
        });
    }
    return out;
}

// One value of each alternative, in order, `rounds` times.
template <class Variant, class Call>
void each_kind(Chance& chance, int rounds, Call call) {
    for (; rounds > 0; --rounds)
        boost::mp11::mp_for_each<boost::mp11::mp_iota_c<std::variant_size_v<Variant>>>([&](auto at) {
            call(Variant(std::in_place_index<at>, value<std::variant_alternative_t<at, Variant>>(chance)));
        });
}

// An event with whatever is in it, under rules whose text comes with it; nobody's name or secret.
inline journal::Entry entry(Chance& chance, std::uint64_t number) {
    static const std::string text = "{ \"sample\": 1 }";
    const journal::Document rules{journal::hex(journal::sha256(text)), "config", text};
    journal::StoredEvent stored = value<journal::StoredEvent>(chance);
    stored.format = 1;
    stored.event.number.value = number;
    stored.rules.digest = rules.digest;
    if (auto* approved = std::get_if<interlock::RulesApproved>(&stored.event.payload))
        approved->revision.digest = rules.digest;
    if (auto* enrolled = std::get_if<interlock::PersonEnrolled>(&stored.event.payload))
        enrolled->person.name_mark = enrolled->person.secret_mark = {};
    if (auto* replaced = std::get_if<interlock::AdministratorReplaced>(&stored.event.payload))
        replaced->person.name_mark = replaced->person.secret_mark = {};
    if (auto* renewed = std::get_if<interlock::SecretRenewed>(&stored.event.payload))
        renewed->secret_mark = {};
    std::vector<journal::Attachment> beside{rules};
    if (auto* trace = std::get_if<interlock::TraceReceived>(&stored.event.payload)) {
        const std::string bytes = "samples of " + std::to_string(number % 3);  // some come more than once
        trace->digest = journal::hex(journal::sha256(bytes));
        beside.emplace_back(journal::TraceSamples{trace->digest, bytes});
    }
    return {std::move(stored), std::move(beside)};
}

}  // namespace tautgate::samples
