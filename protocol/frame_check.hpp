// The parts of check(FrameProfile). Internal to this folder. Pure; any thread.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "protocol/frame_profile.hpp"

namespace tautgate::protocol {

class FrameFaults {
  public:
    void add(std::string place, std::string finding, std::string remedy) {
        faults_.push_back({std::move(place), std::move(finding), std::move(remedy)});
    }
    [[nodiscard]] std::size_t count() const noexcept { return faults_.size(); }
    [[nodiscard]] std::vector<ProfileFault> take() { return std::move(faults_); }

  private:
    std::vector<ProfileFault> faults_;
};

// Framing, checksum and form of the content: whether a frame can be found at all.
void check_cutting(FrameFaults& faults, const FrameProfile& profile);
// What stands in the messages, and whether they can be told apart.
void check_messages(FrameFaults& faults, const FrameProfile& profile);
// One result, by itself.
void check_result(FrameFaults& faults, const FrameProfile& profile, const ResultMessage& result,
                  const std::string& pointer);
// What the station sends.
void check_sending(FrameFaults& faults, const FrameProfile& profile);

// Bytes of the content of every frame; nothing where they differ in length.
[[nodiscard]] std::optional<std::size_t> content_length(const FrameProfile& profile) noexcept;

// The most that a content can have. A length of frames that is itself a mistake bounds nothing.
[[nodiscard]] std::size_t longest_content(const FrameProfile& profile) noexcept;

}  // namespace tautgate::protocol
