// What one scanner says over one connection, made into events: each label becomes a scanned ticket at the bay
// of the scanner, or is told as misread with what is wrong with it. Knows no socket and no clock: the caller
// brings the bytes and the time, and says when a half label is to be given up. What ends soon after that is
// told as misread, since it may be the rest of the half. What is kept is bounded, whatever comes.
// Belongs to one connection and its thread.
#pragma once

#include <cstddef>
#include <functional>
#include <optional>
#include <string>
#include <string_view>

#include "config/station.hpp"
#include "protocol/ticket.hpp"
#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"

namespace tautgate::links {

class ScanFeed {
  public:
    using Sink = std::function<void(interlock::Payload)>;

    // All three outlive it. `half_given_up`: when the scanner's connection before this one gave up a half,
    // whose rest a converter in between may still hold.
    ScanFeed(const config::Scanner& scanner, const protocol::LabelReader& reader, const Sink& sink,
             std::optional<SteadyTime> half_given_up = std::nullopt);

    // How many labels, misread ones too, ended with these bytes. `since`: when they came at the earliest;
    // labels that may have waited for longer than anybody who scans notices are told and count for nothing:
    // they may be about a unit that is gone.
    [[nodiscard]] std::size_t take(std::string_view bytes, SteadyTime since, SteadyTime now);
    // What is to be told of so many labels at once, which come from no hand; nothing of fewer.
    [[nodiscard]] std::optional<std::string> told_of_burst(std::size_t labels) const;
    // Nothing more came in time, or will.
    void give_up_half(SteadyTime now);
    // When the half was given up whose rest has not come; nothing: there is none.
    [[nodiscard]] std::optional<SteadyTime> half_given_up() const;

  private:
    void take_label(const std::string& label);
    void refuse_old(const std::string& label, SteadyTime since, SteadyTime now);
    void misread(const protocol::LabelFault& fault);

    const config::Scanner& scanner_;
    const protocol::LabelReader& reader_;
    const Sink& sink_;
    protocol::ScanSplitter splitter_;
    SteadyTime given_up_{};  // while the splitter awaits the rest
};

}  // namespace tautgate::links
