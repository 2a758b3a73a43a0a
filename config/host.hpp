// Whether two texts of the description mean the same machine, as far as that shows without asking the
// network. Pure; any thread.
#pragma once

#include <algorithm>
#include <string>

namespace tautgate::config {

// In lower case, and the PC itself by one name.
[[nodiscard]] inline std::string host_name(std::string host) {
    std::ranges::transform(host, host.begin(), [](char c) {
        return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    });
    return host == "localhost" || host == "::1" ? "127.0.0.1" : host;
}
[[nodiscard]] inline bool same_host(const std::string& one, const std::string& other) {
    return host_name(one) == host_name(other);
}

}  // namespace tautgate::config
