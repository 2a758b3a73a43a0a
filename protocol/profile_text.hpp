// Every field of a profile as one text: of two profiles that read a tool alike the texts are the same, of two
// others they differ. For digests, not for people. Pure; any thread.
#pragma once

#include <string>

#include "protocol/frame_profile.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

[[nodiscard]] std::string profile_text(const RegisterProfile& profile);
[[nodiscard]] std::string profile_text(const FrameProfile& profile);

}  // namespace tautgate::protocol
