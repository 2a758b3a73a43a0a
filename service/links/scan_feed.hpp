// What one scanner says over one connection, made into events: each label becomes a scanned ticket at the bay
// of the scanner, or is told as misread with what is wrong with it. Knows no socket and no clock: the caller
// brings the bytes, and says when a half label is to be given up. What is kept is bounded, whatever comes.
// Belongs to one connection and its thread.
#pragma once

#include <cstddef>
#include <functional>
#include <string_view>

#include "config/station.hpp"
#include "protocol/ticket.hpp"
#include "service/interlock/event.hpp"

namespace tautgate::links {

class ScanFeed {
  public:
    using Sink = std::function<void(interlock::Payload)>;

    // All three outlive it.
    ScanFeed(const config::Scanner& scanner, const protocol::LabelReader& reader, const Sink& sink)
        : scanner_(scanner), reader_(reader), sink_(sink), splitter_(scanner.label_end) {}

    // How many labels, misread ones too, ended with these bytes.
    [[nodiscard]] std::size_t take(std::string_view bytes);
    // Nothing more came in time, or will.
    void give_up_half();

  private:
    void take_label(const std::string& label);
    void misread(const protocol::LabelFault& fault);

    const config::Scanner& scanner_;
    const protocol::LabelReader& reader_;
    const Sink& sink_;
    protocol::ScanSplitter splitter_;
};

}  // namespace tautgate::links
