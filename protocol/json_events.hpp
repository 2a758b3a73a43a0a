// What nlohmann's sax interface asks of a class that takes the events of its reader, besides the member
// functions. Internal to this folder.
#pragma once

#include <nlohmann/json.hpp>

namespace tautgate::protocol {

struct JsonEvents {
    using number_integer_t = nlohmann::json::number_integer_t;    // NOLINT(readability-identifier-naming)
    using number_unsigned_t = nlohmann::json::number_unsigned_t;  // NOLINT(readability-identifier-naming)
    using number_float_t = nlohmann::json::number_float_t;        // NOLINT(readability-identifier-naming)
    using string_t = nlohmann::json::string_t;                    // NOLINT(readability-identifier-naming)
    using binary_t = nlohmann::json::binary_t;                    // NOLINT(readability-identifier-naming)
};

}  // namespace tautgate::protocol
