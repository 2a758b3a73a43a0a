// The pace of a line on which errors are injected as fast as it can take them.
#pragma once

#include <chrono>

#include "service/links/controller_link.hpp"

namespace tautgate::link_errors {

// Dials at once, so that a campaign does not spend its time waiting, and its units come and go faster than
// any line's.
inline constexpr links::ControllerPace fast_line{.redial = {.floor = std::chrono::milliseconds(1),
                                                            .cap = std::chrono::milliseconds(2),
                                                            .proven = std::chrono::milliseconds(0)},
                                                 .reports = {.at_once = 1'000, .a_second = 1'000},
                                                 .calm_after = std::chrono::milliseconds(1'000)};

}  // namespace tautgate::link_errors
