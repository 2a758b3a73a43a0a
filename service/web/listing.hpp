// Lists for a person's eyes.
#pragma once

#include <functional>
#include <string>

namespace tautgate::web {

// "A, B, C": what `name` (a function, or a member) says of each.
template <class Items, class Name>
[[nodiscard]] std::string listed(const Items& items, Name name) {
    std::string text;
    for (const auto& item : items)
        text += (text.empty() ? "" : ", ") + std::string(std::invoke(name, item));
    return text;
}

}  // namespace tautgate::web
