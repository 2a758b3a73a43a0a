// Parts of JSON views: what may be missing is null there, and the text is always UTF-8. Pure; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include <nlohmann/json.hpp>

#include "protocol/utc.hpp"
#include "service/domain/ids.hpp"

namespace tautgate::history {

// Texts of tools and labels may hold any bytes; the answer is always UTF-8.
[[nodiscard]] inline std::string dump(const nlohmann::json& value) {
    return value.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

template <class Value, class Show>
[[nodiscard]] nlohmann::json or_null(const std::optional<Value>& value, Show show) {
    return value ? nlohmann::json(show(*value)) : nlohmann::json(nullptr);
}
[[nodiscard]] inline nlohmann::json number_or_null(const std::optional<domain::EventNumber>& event) {
    return or_null(event, [](domain::EventNumber e) { return e.value; });
}
[[nodiscard]] inline nlohmann::json time_or_null(const std::optional<std::int64_t>& utc_us) {
    return or_null(utc_us, [](std::int64_t us) { return protocol::utc_text(us); });
}
[[nodiscard]] inline nlohmann::json text_or_null(const std::string& text) {
    return text.empty() ? nlohmann::json(nullptr) : nlohmann::json(text);
}

template <class Items, class Show>
[[nodiscard]] nlohmann::json list_of(const Items& items, Show show) {
    nlohmann::json all = nlohmann::json::array();
    for (const auto& item : items)
        all.push_back(show(item));
    return all;
}

}  // namespace tautgate::history
