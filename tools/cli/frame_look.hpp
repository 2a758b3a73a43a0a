// What a tool that sends frames says, frame by frame: the bytes beside what each value of its profile makes
// of them, and why something does not decode. Pure; one connection, one thread.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "protocol/frame_decode.hpp"
#include "protocol/frame_profile.hpp"
#include "protocol/frame_splitter.hpp"
#include "tools/cli/views.hpp"

namespace tautgate::cli {

struct FrameSaid {
    std::string raw;  // as it came; of garbage perhaps only its beginning
    protocol::FrameExplained explained;
    std::string fault;  // why it is no frame, or no message of the profile; empty: it is
    [[nodiscard]] bool understood() const noexcept;
};
// The fields that decode to nothing the station could use.
[[nodiscard]] std::vector<std::string> not_usable_in(const FrameSaid& said);

// Bytes that came and are no frame yet.
struct FrameBegun {
    std::size_t bytes = 0;
    std::string newest;  // of them, at most 48
    std::string end;     // how a frame ends by the profile, as a clause
};

class FrameLooker {
  public:
    // `profile` is without faults and outlives this.
    explicit FrameLooker(const protocol::FrameProfile& profile) : profile_(profile), splitter_(profile) {}

    // Every whole frame in what came, and what is none.
    [[nodiscard]] std::vector<FrameSaid> hear(std::string_view bytes);
    // Nothing came for the profile's pause, or the connection ended.
    [[nodiscard]] std::vector<FrameSaid> give_up();
    [[nodiscard]] bool half() const noexcept { return splitter_.half(); }
    [[nodiscard]] FrameBegun begun() const;

  private:
    [[nodiscard]] std::vector<FrameSaid> said(const std::vector<protocol::Cut>& cuts) const;

    const protocol::FrameProfile& profile_;
    protocol::FrameSplitter splitter_;
    std::size_t begun_ = 0;  // bytes since the last piece
    std::string newest_;     // of all that came
};

[[nodiscard]] std::string begun_text(const FrameBegun& begun);

[[nodiscard]] std::string said_text(const FrameSaid& said, const Style& style);
[[nodiscard]] nlohmann::ordered_json said_json(const FrameSaid& said);

}  // namespace tautgate::cli
