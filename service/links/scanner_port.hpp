// The port to which ticket scanners send what they read over the network. A scanner is known by its peer
// address, which names its bay. A label that is no ticket, and one of which only part came, is passed on as
// misread, never guessed; what waited while nobody could be accepted is refused, since nobody knows how old
// it is.
//
// Lives on the loop's thread; the sink is called there, never from within a function of this class. A peer
// that no scanner has, or that stands for scanners in several bays, is refused. Whatever a peer sends,
// memory, the number of connections and the labels taken a second are bounded.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/ticket.hpp"
#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::links {

struct ScannerPortSettings {
    std::chrono::milliseconds label_time{300};  // between two bytes of a label; then it is given up
    std::chrono::milliseconds label_pause{50};  // after each label of a burst, before more is read
    std::size_t connections = 16;               // the oldest makes room
};

class ScannerPort {
  public:
    using Sink = std::function<void(interlock::Payload)>;

    // Takes the scanners and the address from `station`, which is only read here. Loop and reader outlive the
    // port.
    ScannerPort(boost::asio::io_context& loop, const config::Station& station,
                const protocol::LabelReader& reader, Sink sink, ScannerPortSettings settings = {});
    // Stops, if nobody did.
    ~ScannerPort();
    ScannerPort(const ScannerPort&) = delete;
    ScannerPort& operator=(const ScannerPort&) = delete;
    ScannerPort(ScannerPort&&) = delete;
    ScannerPort& operator=(ScannerPort&&) = delete;

    // A station without a scanner port listens to nobody, which is no error. The error is one sentence with a
    // remedy.
    [[nodiscard]] std::expected<void, std::string> listen();
    // The port that is listened on, also when the description says 0; 0: none.
    [[nodiscard]] std::uint16_t port() const;

    // One entry for each scanner that calls. It is good while it is connected; its age is that of its last
    // bytes.
    [[nodiscard]] std::vector<SourceHealth> health(SteadyTime now) const;

    // Closes everything. Nothing reaches the sink afterwards. More than once is fine.
    void stop();

  private:
    class Port;
    std::shared_ptr<Port> port_;
};

}  // namespace tautgate::links
