// A scanner on a serial line of its own. A label that is no ticket, and one of which only part came, is
// passed on as misread, never guessed; what lay on the line before it was opened is thrown away, since nobody
// knows for which unit it was scanned. A line that is not there, or breaks, is opened again and again, with
// growing waits.
//
// Lives on the loop's thread; the sink is called there, never from within a function of this class. Memory
// and the labels taken a second are bounded, whatever a line of the wrong speed brings.
#pragma once

#include <chrono>
#include <functional>
#include <memory>

#include "config/station.hpp"
#include "protocol/ticket.hpp"
#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::links {

struct SerialScannerSettings {
    std::chrono::milliseconds label_time{300};  // between two bytes of a label; then it is given up
    std::chrono::milliseconds label_pause{50};  // after each label of a burst, before more is read
};

class SerialScanner {
  public:
    using Sink = std::function<void(interlock::Payload)>;

    // `scanner` has a serial line and is only read here. Loop and reader outlive the scanner.
    SerialScanner(boost::asio::io_context& loop, const config::Scanner& scanner,
                  const protocol::LabelReader& reader, Sink sink, SerialScannerSettings settings = {});
    // Stops, if nobody did.
    ~SerialScanner();
    SerialScanner(const SerialScanner&) = delete;
    SerialScanner& operator=(const SerialScanner&) = delete;
    SerialScanner(SerialScanner&&) = delete;
    SerialScanner& operator=(SerialScanner&&) = delete;

    void start();
    // Good while the line is open: a scanner says nothing of itself between two labels. Its age is that of
    // its last bytes.
    [[nodiscard]] SourceHealth health(SteadyTime now) const;
    // Nothing reaches the sink afterwards. More than once is fine.
    void stop();

  private:
    class Line;
    std::shared_ptr<Line> line_;
};

}  // namespace tautgate::links
