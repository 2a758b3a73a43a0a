// A tool that sends frames with an injector on its wire: the station's link as the daemon has it, the
// interlock behind it, and an invented tool that the station calls. Errors are injected one at a time; after
// each the results must come again by themselves, once people have accepted what the station asks them to.
// One thread.
//
// What must hold all the time, for the errors that the tool's profile claims to detect:
// - what counts for the unit is a result that the tool made, with its values, and counts once;
// - every result arrives; of a tool that sends each once, or the station has seen that one is missing;
// - a tool that was silent beyond its limit was not good meanwhile.
// What an error brings about that the profile does not claim to detect is counted apart.
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include <boost/asio/io_context.hpp>

#include "config/station.hpp"
#include "service/links/frame_tool.hpp"
#include "tests/link_errors/frame_device.hpp"
#include "tests/link_errors/frame_dialect.hpp"
#include "tests/link_errors/injector.hpp"
#include "tests/link_errors/proxy.hpp"
#include "tests/link_errors/station_core.hpp"
#include "tests/link_errors/tally.hpp"

namespace tautgate::link_errors {

class FrameStand {
  public:
    FrameStand(FrameKind kind, std::uint64_t seed);

    // A result comes through.
    [[nodiscard]] bool next_result();
    void inject(LinkError error);
    // What is no result of the tool was taken for one, or people were made to accept a count that is none:
    // from here on the two sides tell different stories.
    [[nodiscard]] bool is_spent() const noexcept { return spent_ || astray_; }
    // From the last frame that went through to the event that the tool is not good, with the line cut.
    [[nodiscard]] std::chrono::milliseconds time_to_notice();
    [[nodiscard]] Tally& tally() noexcept { return tally_; }
    [[nodiscard]] static std::chrono::milliseconds silence_limit() noexcept;

  private:
    using Key = std::pair<std::string, std::uint64_t>;  // the name of the count, and the number
    [[nodiscard]] bool until(const std::function<bool()>& wanted);
    [[nodiscard]] bool reports_until(const std::function<bool()>& wanted,
                                     std::chrono::milliseconds first_after);
    void hear(const interlock::Payload& payload);
    void hear(const interlock::ResultReceived& result, const interlock::Outcome& outcome);
    void differ(std::string what);
    void report();
    void help();
    [[nodiscard]] Key key_of(const FramedResult& result) const;
    [[nodiscard]] bool is_as_made(const Key& key, const protocol::Reading& reading) const;
    [[nodiscard]] bool goes_on() const;
    [[nodiscard]] bool goes_astray();
    [[nodiscard]] std::uint64_t told() const;
    void look_for_losses(std::uint64_t doubts_before);
    void count(LinkError error, bool noticed);
    [[nodiscard]] bool is_beyond(LinkError error) const;
    [[nodiscard]] bool must_be_noticed(const Injection& injection) const;

    FrameKind kind_;
    Dice dice_;
    boost::asio::io_context loop_;
    config::Station station_;
    FrameDialect dialect_;
    Injector injector_;
    StationCore core_;
    std::unique_ptr<FrameDevice> device_;
    std::unique_ptr<TcpProxy> wire_;
    std::unique_ptr<links::FrameTool> link_;
    std::map<Key, FramedResult> made_;
    std::vector<Key> awaited_;  // made since the error
    std::set<Key> arrived_;     // with the values that the tool gave them
    std::set<Key> counted_;
    std::optional<LinkError> error_;  // that is being injected
    std::uint64_t events_ = 0;        // that tell of something wrong
    bool good_ = false;
    bool spent_ = false;   // something counted that is no result of the tool, or a result is lost
    bool astray_ = false;  // nothing counts any more
    std::chrono::steady_clock::time_point whole_at_{};
    std::chrono::steady_clock::time_point heard_at_{};
    Tally tally_;
};

}  // namespace tautgate::link_errors
