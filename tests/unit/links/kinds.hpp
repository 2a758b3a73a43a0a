// Those of one kind out of a list of sum types, in their order.
#pragma once

#include <variant>
#include <vector>

namespace tautgate::links::testing {

template <class Kind, class Sum>
[[nodiscard]] std::vector<Kind> all_of(const std::vector<Sum>& list) {
    std::vector<Kind> found;
    for (const Sum& one : list)
        if (const auto* kind = std::get_if<Kind>(&one))
            found.push_back(*kind);
    return found;
}

}  // namespace tautgate::links::testing
