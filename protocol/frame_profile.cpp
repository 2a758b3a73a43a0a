#include "protocol/frame_profile.hpp"

#include <algorithm>

#include <fmt/format.h>

#include "protocol/frame_check.hpp"
#include "protocol/link_errors.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::chrono::milliseconds shortest_pause{10};
constexpr std::chrono::milliseconds longest_pause{60'000};

void check_detects(FrameFaults& faults, const FrameProfile& profile) {
    const auto really = detected(profile);
    for (std::size_t i = 0; i < profile.detects.size(); ++i) {
        const LinkError error = profile.detects[i];
        const auto pointer = fmt::format("/detects/{}", i);
        if (std::ranges::count(profile.detects.begin(),
                               profile.detects.begin() + static_cast<std::ptrdiff_t>(i), error) > 0)
            faults.add(pointer, fmt::format("{} is listed twice", link_error_text(error)), "list it once");
        else if (!detects(really, error)) {
            const auto [why, remedy] = why_not(profile, error);
            faults.add(pointer, fmt::format("{} is not detected: {}", link_error_text(error), why),
                       remedy + (remedy.starts_with("leave it out") ? "" : ", or leave it out here"));
        }
    }
}

}  // namespace

const ResultMessage* result_of(const FrameProfile& profile) noexcept {
    const auto found = std::ranges::find_if(profile.messages, [](const FrameMessage& message) {
        return std::holds_alternative<ResultMessage>(message.what);
    });
    return found == profile.messages.end() ? nullptr : std::get_if<ResultMessage>(&found->what);
}

bool tells_newest(const FrameProfile& profile) noexcept {
    return std::ranges::any_of(profile.messages, [](const FrameMessage& message) {
        const auto* status = std::get_if<StatusMessage>(&message.what);
        return status != nullptr && status->newest;
    });
}

std::vector<ProfileFault> check(const FrameProfile& profile) {
    FrameFaults faults;
    if (profile.name.empty())
        faults.add("/name", "the profile has no name", "give it the name of the kind of tool");
    check_cutting(faults, profile);
    check_messages(faults, profile);
    check_sending(faults, profile);
    if (profile.pause < shortest_pause || profile.pause > longest_pause)
        faults.add("/pause_ms", fmt::format("a pause of {} ms", profile.pause.count()),
                   "give 10 to 60000 ms, longer than the tool ever waits within a frame");
    check_detects(faults, profile);
    const ResultMessage* result = result_of(profile);
    for (auto& fault :
         range_faults(profile.range, result != nullptr && result->torque, result != nullptr && result->angle))
        faults.add(std::move(fault.place), std::move(fault.finding), std::move(fault.remedy));
    return faults.take();
}

}  // namespace tautgate::protocol
