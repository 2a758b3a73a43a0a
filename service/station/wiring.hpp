// The links of a station as its rules describe them: controllers, tools and scanners, brought up and taken
// down together. Withholding is there from the first moment: controllers come before everything else. Loop
// thread.
#pragma once

#include <chrono>
#include <expected>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/ticket.hpp"
#include "service/interlock/state.hpp"
#include "service/links/arm_gate.hpp"
#include "service/links/bay_controllers.hpp"
#include "service/links/io_inputs.hpp"
#include "service/links/io_outputs.hpp"
#include "service/links/scanner_port.hpp"
#include "service/links/serial_bus.hpp"
#include "service/links/serial_scanner.hpp"
#include "service/links/sight_gate.hpp"
#include "service/links/tool_link.hpp"
#include "service/links/tool_port.hpp"
#include "service/links/trace_gate.hpp"
#include "service/links/trace_sink.hpp"
#include "service/web/station_port.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::station {

class Wiring {
  public:
    struct Callbacks {
        std::function<void(interlock::Payload)> sink;
        links::TraceGate::Onward traces;
        links::ToolPort::WantedFrom wanted;
        std::function<std::optional<links::KnownOfTool>(const domain::ToolId&)> known;
        std::filesystem::path beside_journal{};  // where the files lie that the rules name
        links::IoInputs::Counted counted = {};
        // What is known of a bay whose equipment does not count; nothing: it was never seen.
        std::function<std::optional<links::KnownOfBay>(const domain::BayId&)> known_of_bay = {};
    };

    Wiring(boost::asio::io_context& loop, std::shared_ptr<const config::Station> rules, std::string boot,
           Callbacks callbacks, std::shared_ptr<links::DurableMark> durable);
    ~Wiring();
    Wiring(const Wiring&) = delete;
    Wiring& operator=(const Wiring&) = delete;
    Wiring(Wiring&&) = delete;
    Wiring& operator=(Wiring&&) = delete;

    // Withholds on every controller's wire.
    void start_controllers();
    // Tools and scanners. The faults name what could not be brought up; the rest is up.
    [[nodiscard]] std::vector<std::string> start_sources();
    void stop();

    // Orders of one bay's permissives, by number on the wire.
    void publish(const domain::BayId& bay, std::vector<links::PermissiveOrder> orders, std::uint16_t beat);
    void acknowledge(const interlock::Acknowledge& stored);
    void trace_stored(const interlock::TraceReceived& stored);
    [[nodiscard]] bool has_lights(const domain::BayId& bay) const;
    // What the stack lights of one bay show.
    void show(const domain::BayId& bay, const interlock::Signals& signals);
    // Whether a tool that obeys may run.
    void order(const domain::ToolId& tool, links::RunOrder order);

    [[nodiscard]] std::vector<domain::PermissiveId> released_on_wire(const domain::BayId& bay) const;
    [[nodiscard]] bool drives(const domain::BayId& bay) const;
    [[nodiscard]] std::vector<web::InputHealth> health() const;
    [[nodiscard]] const config::Station& rules() const noexcept { return *rules_; }
    [[nodiscard]] const std::optional<protocol::LabelReader>& labels() const noexcept { return labels_; }

  private:
    struct BayLine {
        domain::BayId bay;
        std::unique_ptr<links::BayControllers> link;
    };
    // A tool whose link is its own; those of the line protocol share the tool port.
    struct SingleTool {
        domain::ToolId tool;
        std::unique_ptr<links::ToolLink> link;
    };
    struct Module {
        domain::BayId bay;
        std::string id;
        std::unique_ptr<links::IoInputs> inputs;    // null: it has none
        std::unique_ptr<links::IoOutputs> outputs;  // null: it has none
    };
    [[nodiscard]] links::SightGate::Sight sight_of(const domain::BayId& bay) const;
    void lose_sight(const domain::BayId& bay) const;
    void start_tool(const config::Tool& tool);
    void start_modules();
    [[nodiscard]] std::function<void(const config::IoInput&, std::optional<bool>)>
    sensed_at(const domain::BayId& bay) const;
    [[nodiscard]] std::function<void(std::optional<std::chrono::nanoseconds>)>
    looked_at(const config::IoModule& module) const;
    [[nodiscard]] links::ToolLink* link_of(const domain::ToolId& tool) const;  // null: of no single tool
    [[nodiscard]] const BayLine* line_of(const domain::BayId& bay) const;

    boost::asio::io_context& loop_;
    std::shared_ptr<const config::Station> rules_;
    std::string boot_;
    Callbacks callbacks_;
    std::shared_ptr<links::TraceGate> curves_;  // the links hold what leads through it
    std::shared_ptr<links::ArmGate> arms_;      // so they do of this
    std::shared_ptr<links::SightGate> sight_;   // and of this
    links::TraceSink traces_;
    std::optional<protocol::LabelReader> labels_;
    std::vector<BayLine> controllers_;
    std::shared_ptr<links::SerialBuses> buses_ = std::make_shared<links::SerialBuses>();
    std::vector<SingleTool> single_tools_;
    std::vector<Module> modules_;
    std::unique_ptr<links::ToolPort> tools_;
    std::unique_ptr<links::ScannerPort> scanners_;
    std::vector<std::unique_ptr<links::SerialScanner>> serial_scanners_;
};

}  // namespace tautgate::station
