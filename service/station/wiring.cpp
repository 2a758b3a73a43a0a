#include "service/station/wiring.hpp"

#include <algorithm>
#include <utility>
#include <variant>

#include "service/links/frame_tool.hpp"
#include "service/links/register_tool.hpp"

namespace tautgate::station {
namespace {

web::InputHealth as_input(web::InputKind kind, const links::SourceHealth& source, std::string bay) {
    const auto& [became_good, lost, failures] = source.counts;
    web::InputHealth input{kind,
                           source.name,
                           std::move(bay),
                           source.quality,
                           source.age,
                           source.why,
                           {became_good, lost, failures, 0},
                           std::nullopt};
    if (source.polls)
        input.polls = web::InputPolls{source.polls->good, source.polls->failed, source.polls->skipped,
                                      source.polls->discarded};
    return input;
}

template <class List>
std::string bay_of(const List& list, const std::string& id) {
    const auto found = std::ranges::find_if(list, [&](const auto& item) { return item.id == id; });
    return found == list.end() ? std::string{} : found->bay;
}

}  // namespace

Wiring::Wiring(boost::asio::io_context& loop, std::shared_ptr<const config::Station> rules, std::string boot,
               Callbacks callbacks, std::shared_ptr<links::DurableMark> durable)
    : loop_(loop), rules_(std::move(rules)), boot_(std::move(boot)), callbacks_(std::move(callbacks)),
      curves_(std::make_shared<links::TraceGate>(callbacks_.traces)),
      traces_([gate = curves_](links::ArrivedTrace trace) { return gate->take(std::move(trace)); }) {
    sight_ = std::make_shared<links::SightGate>(
        *rules_,
        links::SightGate::Links{.sight = [this](const domain::BayId& bay) { return sight_of(bay); },
                                .lose_sight = [this](const domain::BayId& bay) { lose_sight(bay); }},
        std::move(callbacks_.sink));
    arms_ = std::make_shared<links::ArmGate>(
        *rules_, [sight = sight_](interlock::Payload told) { sight->take(std::move(told)); });
    callbacks_.sink = [gate = curves_, arms = arms_](interlock::Payload told) {
        gate->heard(told);
        arms->take(std::move(told));
    };
    auto labels = protocol::LabelReader::compile(rules_->tickets);
    if (labels)
        labels_ = std::move(*labels);
    for (const config::Bay& bay : rules_->bays) {
        const domain::BayId id{bay.id};
        const auto known = callbacks_.known_of_bay ? callbacks_.known_of_bay(id) : std::nullopt;
        controllers_.push_back(
            {id, std::make_unique<links::BayControllers>(loop_, *rules_, bay, callbacks_.sink, durable,
                                                         links::ControllerPace{}, known)});
    }
}

Wiring::~Wiring() { stop(); }

void Wiring::lose_sight(const domain::BayId& bay) const {
    if (const auto line = std::ranges::find(controllers_, bay, &BayLine::bay); line != controllers_.end())
        line->link->lose_sight();
}

links::SightGate::Sight Wiring::sight_of(const domain::BayId& bay) const {
    const auto line = std::ranges::find(controllers_, bay, &BayLine::bay);
    return line == controllers_.end() ? links::SightGate::Sight{} : line->link->sight();
}

void Wiring::start_controllers() {
    for (const BayLine& line : controllers_)
        line.link->start();
}

std::vector<std::string> Wiring::start_sources() {
    std::vector<std::string> faults;
    for (const config::Tool& tool : rules_->tools)
        start_tool(tool);
    start_modules();
    links::ToolPortSettings settings;
    settings.boot = boot_;
    settings.keys = callbacks_.beside_journal;
    tools_ = std::make_unique<links::ToolPort>(loop_, *rules_, callbacks_.sink, traces_, callbacks_.wanted,
                                               settings);
    if (auto up = tools_->listen(); !up)
        faults.push_back(up.error());
    if (!labels_) {
        faults.emplace_back("the ticket patterns cannot be compiled; correct them in the configuration");
        return faults;
    }
    for (const config::Scanner& scanner : rules_->scanners) {
        if (!scanner.serial)
            continue;
        serial_scanners_.push_back(
            std::make_unique<links::SerialScanner>(loop_, scanner, *labels_, callbacks_.sink));
        serial_scanners_.back()->start();
    }
    scanners_ = std::make_unique<links::ScannerPort>(loop_, *rules_, *labels_, callbacks_.sink);
    if (auto up = scanners_->listen(); !up)
        faults.push_back(up.error());
    return faults;
}

void Wiring::start_tool(const config::Tool& tool) {
    const domain::ToolId id{tool.id};
    auto known = [ask = callbacks_.known, id] { return ask(id); };
    std::unique_ptr<links::ToolLink> link;
    if (std::holds_alternative<config::RegisterLink>(tool.link))
        link = std::make_unique<links::RegisterTool>(loop_, *rules_, tool, callbacks_.sink, traces_,
                                                     std::move(known), boot_, buses_);
    else if (std::holds_alternative<config::FrameLink>(tool.link))
        link = std::make_unique<links::FrameTool>(loop_, *rules_, tool, callbacks_.sink, traces_,
                                                  std::move(known), links::FrameToolSettings{.boot = boot_});
    if (!link)
        return;
    single_tools_.push_back({id, std::move(link)});
    single_tools_.back().link->start();
}

void Wiring::start_modules() {
    for (const config::IoModule& module : rules_->io) {
        Module& made = modules_.emplace_back(Module{domain::BayId{module.bay}, module.id, nullptr, nullptr});
        if (!module.inputs.empty()) {
            made.inputs = std::make_unique<links::IoInputs>(
                loop_, *rules_, module,
                links::IoInputs::Sinks{
                    .event = callbacks_.sink, .level = sensed_at(made.bay), .looked = looked_at(module)},
                callbacks_.counted, boot_, buses_);
            made.inputs->start();
        }
        if (!module.outputs.empty()) {
            made.outputs = std::make_unique<links::IoOutputs>(module, buses_);
            made.outputs->start();
        }
    }
}

// Where the equipment does not tell of the unit and its movements, the module's sensors do.
std::function<void(const config::IoInput&, std::optional<bool>)>
Wiring::sensed_at(const domain::BayId& bay) const {
    return [this, bay](const config::IoInput& input, std::optional<bool> level) {
        if (const BayLine* line = line_of(bay))
            line->link->sensed(input, level);
    };
}

// Nobody asks about a module without an arm.
std::function<void(std::optional<std::chrono::nanoseconds>)>
Wiring::looked_at(const config::IoModule& module) const {
    const bool has_arm = std::ranges::any_of(module.inputs, [](const config::IoInput& input) {
        return std::holds_alternative<config::ArmInput>(input.use);
    });
    if (!has_arm)
        return {};
    return [arms = arms_, id = module.id](std::optional<std::chrono::nanoseconds> began) {
        if (began)
            arms->looked(id, *began);
        else
            arms->lost(id);
    };
}

bool Wiring::has_lights(const domain::BayId& bay) const {
    return std::ranges::any_of(modules_,
                               [&](const Module& module) { return module.outputs && module.bay == bay; });
}

void Wiring::show(const domain::BayId& bay, const interlock::Signals& signals) {
    for (const Module& module : modules_)
        if (module.outputs && module.bay == bay)
            module.outputs->show(signals);
}

void Wiring::stop() {
    for (const BayLine& line : controllers_)
        line.link->stop();
    for (const SingleTool& single : single_tools_)
        single.link->stop();
    for (const Module& module : modules_) {
        if (module.inputs)
            module.inputs->stop();
        if (module.outputs)
            module.outputs->stop();
    }
    if (tools_)
        tools_->stop();
    if (scanners_)
        scanners_->stop();
    for (const auto& scanner : serial_scanners_)
        scanner->stop();
}

const Wiring::BayLine* Wiring::line_of(const domain::BayId& bay) const {
    const auto found = std::ranges::find(controllers_, bay, &BayLine::bay);
    return found == controllers_.end() ? nullptr : &*found;
}

bool Wiring::drives(const domain::BayId& bay) const { return line_of(bay) != nullptr; }

void Wiring::publish(const domain::BayId& bay, std::vector<links::PermissiveOrder> orders,
                     std::uint16_t beat) {
    if (const BayLine* line = line_of(bay))
        line->link->publish(std::move(orders), beat);
}

links::ToolLink* Wiring::link_of(const domain::ToolId& tool) const {
    const auto found = std::ranges::find(single_tools_, tool, &SingleTool::tool);
    return found == single_tools_.end() ? nullptr : found->link.get();
}

void Wiring::acknowledge(const interlock::Acknowledge& stored) {
    if (links::ToolLink* const link = link_of(stored.tool))
        link->acknowledge(stored);
    else if (tools_)
        tools_->acknowledge(stored);
}

// Only the line protocol has a word for it.
void Wiring::trace_stored(const interlock::TraceReceived& stored) {
    if (tools_)
        tools_->trace_stored(stored);
}

void Wiring::order(const domain::ToolId& tool, links::RunOrder order) {
    if (links::ToolLink* const link = link_of(tool))
        link->order(std::move(order));
    else if (tools_)
        tools_->order(tool, std::move(order));
}

std::vector<domain::PermissiveId> Wiring::released_on_wire(const domain::BayId& bay) const {
    const BayLine* line = line_of(bay);
    return line != nullptr ? line->link->released_on_wire() : std::vector<domain::PermissiveId>{};
}

std::vector<web::InputHealth> Wiring::health() const {
    std::vector<web::InputHealth> inputs;
    inputs.reserve(controllers_.size() + rules_->tools.size() + rules_->scanners.size());
    const auto now = std::chrono::steady_clock::now();
    for (const BayLine& line : controllers_)
        for (const links::SourceHealth& source : line.link->health())
            inputs.push_back(as_input(web::InputKind::controller, source, line.bay.text));
    if (tools_) {
        for (const auto& source : tools_->health(now))
            inputs.push_back(as_input(web::InputKind::tool, source, bay_of(rules_->tools, source.name)));
    }
    for (const SingleTool& single : single_tools_)
        inputs.push_back(
            as_input(web::InputKind::tool, single.link->health(), bay_of(rules_->tools, single.tool.text)));
    for (const Module& module : modules_) {
        if (module.inputs)
            inputs.push_back(as_input(web::InputKind::module, module.inputs->health(), module.bay.text));
        if (module.outputs) {
            auto written = module.outputs->health();
            written.name += " outputs";
            inputs.push_back(as_input(web::InputKind::module, written, module.bay.text));
        }
    }
    if (scanners_) {
        for (const auto& source : scanners_->health(now))
            inputs.push_back(
                as_input(web::InputKind::scanner, source, bay_of(rules_->scanners, source.name)));
    }
    for (const auto& scanner : serial_scanners_) {
        const auto source = scanner->health(now);
        inputs.push_back(as_input(web::InputKind::scanner, source, bay_of(rules_->scanners, source.name)));
    }
    for (web::InputHealth& input : inputs)
        if (input.kind == web::InputKind::tool)
            input.counts.curves_refused = curves_->refused(input.id);
    return inputs;
}

}  // namespace tautgate::station
