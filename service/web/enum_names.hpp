// An enumerator's own name, and the way back, from its one description. Pure.
#pragma once

#include <optional>
#include <string_view>

#include <boost/mp11/algorithm.hpp>

#include "protocol/describe.hpp"

namespace tautgate::web {

template <class Enum>
[[nodiscard]] std::string_view enum_name(Enum value) noexcept {
    return boost::describe::enum_to_string(value, "unnamed");
}

template <class Enum>
[[nodiscard]] std::optional<Enum> enum_from(std::string_view name) noexcept {
    std::optional<Enum> found;
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<Enum>>([&](auto described) {
        if (name == described.name)
            found = described.value;
    });
    return found;
}

}  // namespace tautgate::web
