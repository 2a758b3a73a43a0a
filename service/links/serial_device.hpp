// What a serial device of this PC says when it cannot be opened, in words with a remedy. Any thread.
#pragma once

#include <string>

namespace tautgate::links {

// `error` is an errno value.
[[nodiscard]] std::string why_not_open(const std::string& device, int error);

}  // namespace tautgate::links
