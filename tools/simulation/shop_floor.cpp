#include "tools/simulation/shop_floor.hpp"

#include <algorithm>
#include <thread>
#include <utility>

#include <fmt/format.h>

#include "config/key_file.hpp"
#include "protocol/utc.hpp"

namespace tautgate::simulation {

namespace {

constexpr double early_share = 0.7;

template <class... Kinds>
struct Cases : Kinds... {
    using Kinds::operator()...;
};

}  // namespace

std::string stamp_now() {
    const auto now = std::chrono::system_clock::now().time_since_epoch();
    return protocol::utc_text(std::chrono::duration_cast<std::chrono::microseconds>(now).count());
}

// ---- a tool of either kind
// ----------------------------------------------------------------------------------

LineTool* SimulatedTool::line() const noexcept {
    const auto* held = std::get_if<std::unique_ptr<LineTool>>(&kind_);
    return held ? held->get() : nullptr;
}
RegisterTool* SimulatedTool::registers() const noexcept {
    const auto* held = std::get_if<std::unique_ptr<RegisterTool>>(&kind_);
    return held ? held->get() : nullptr;
}

std::uint64_t SimulatedTool::report(protocol::WrittenResult result,
                                    const std::optional<protocol::Trace>& trace) {
    return std::visit([&](const auto& tool) { return tool->report(std::move(result), trace); }, kind_);
}
void SimulatedTool::cut() {
    std::visit([](const auto& tool) { tool->cut(); }, kind_);
}
void SimulatedTool::mend() {
    std::visit([](const auto& tool) { tool->mend(); }, kind_);
}
void SimulatedTool::hold_back(bool on) {
    std::visit([on](const auto& tool) { tool->hold_back(on); }, kind_);
}
void SimulatedTool::lose_one() {
    std::visit([](const auto& tool) { tool->lose_one(); }, kind_);
}
void SimulatedTool::restart() {
    ++epoch_;
    std::visit(Cases{[this](const std::unique_ptr<LineTool>& tool) { tool->restart(std::to_string(epoch_)); },
                     [this](const std::unique_ptr<RegisterTool>& tool) { tool->restart(epoch_); }},
               kind_);
}
bool SimulatedTool::await_acknowledged(std::chrono::milliseconds limit) const {
    return std::visit(
        [limit](const auto& tool) {
            return tool->await([](const auto& status) { return status.kept == 0; }, limit);
        },
        kind_);
}
bool SimulatedTool::await_link(std::chrono::milliseconds limit) const {
    return std::visit(
        Cases{[limit](const std::unique_ptr<LineTool>& tool) {
                  return tool->await([](const LineTool::Status& status) { return status.welcomed; }, limit);
              },
              [limit](const std::unique_ptr<RegisterTool>& tool) {
                  const auto before = tool->status().reads;
                  return tool->await(
                      [before](const RegisterTool::Status& status) { return status.reads > before; }, limit);
              }},
        kind_);
}

bool SimulatedTool::await_may_run(const std::string& program, std::chrono::milliseconds limit) const {
    if (!tool_.control)
        return true;
    return std::visit(
        [&](const auto& tool) {
            return tool->await(
                [&](const auto& status) {
                    return status.may_run && (status.program.empty() || status.program == program);
                },
                limit);
        },
        kind_);
}

// ---- the floor
// ----------------------------------------------------------------------------------------------

namespace {

std::string names_of(const std::vector<config::Bay>& bays) {
    std::string names;
    for (const config::Bay& bay : bays)
        names += (names.empty() ? "" : ", ") + bay.id;
    return names;
}

}  // namespace

ShopFloor::ShopFloor(const config::Station& station, const Arrangement& arrangement)
    : station_(station), arrangement_(arrangement), chance_(arrangement.seed), account_(station) {}

std::expected<std::unique_ptr<ShopFloor>, std::string> ShopFloor::open(const config::Station& station,
                                                                       const Arrangement& arrangement) {
    const auto bay = std::ranges::find(station.bays, arrangement.bay, &config::Bay::id);
    if (bay == station.bays.end())
        return std::unexpected(fmt::format("the description has no bay '{}'; its bays are: {}",
                                           arrangement.bay, names_of(station.bays)));
    if (!bay->simulated)
        return std::unexpected(fmt::format("bay {} is real equipment by the station's description; "
                                           "the simulator serves simulated bays only",
                                           bay->id));
    std::unique_ptr<ShopFloor> floor{new ShopFloor(station, arrangement)};
    if (auto opened = floor->open_tools(); !opened)
        return std::unexpected(opened.error());
    if (station.scanner_port)
        floor->scanner_ =
            std::make_unique<Scanner>(station.scanner_port->address, station.scanner_port->port);
    auto controller = floor->open_controller(*bay);
    if (!controller)
        return std::unexpected(controller.error());
    floor->controller_ = std::move(*controller);
    for (const config::Bay& other : station.bays) {
        if (!arrangement.other_bays || other.id == bay->id || !other.simulated)
            continue;
        auto opened = floor->open_controller(other);
        if (!opened)
            return std::unexpected(opened.error());
        floor->other_bays_[other.id] = std::move(*opened);
    }
    return floor;
}

std::expected<std::unique_ptr<Controller>, std::string> ShopFloor::open_controller(const config::Bay& bay) {
    if (!bay.further_controllers.empty())
        return std::unexpected(fmt::format("bay {} has several controllers by the station's description; the "
                                           "simulator plays one: leave its further_controllers out",
                                           bay.id));
    auto settings = controller_settings(station_, bay);
    settings.scan = arrangement_.scan;
    auto opened = Controller::open(std::move(settings),
                                   [this](const std::string& permissive, protocol::Movement movement) {
                                       return account_.against(permissive, movement);
                                   });
    if (!opened)
        return std::unexpected(fmt::format("controller of bay {}: {}", bay.id, opened.error()));
    return opened;
}

std::expected<void, std::string> ShopFloor::open_tools() {
    for (const config::Tool& tool : station_.tools) {
        if (tool.bay != arrangement_.bay)
            continue;
        if (!tool.simulated)
            return std::unexpected(
                fmt::format("tool {} is a real one by the station's description", tool.id));
        if (const auto* link = std::get_if<config::RegisterLink>(&tool.link)) {
            const auto* profile = config::register_profile(station_, tool);
            if (profile == nullptr)
                return std::unexpected(
                    fmt::format("tool {} names the unknown profile '{}'", tool.id, link->profile));
            auto opened = RegisterTool::open(link->host, link->port, *profile);
            if (!opened)
                return std::unexpected(fmt::format("tool {}: {}", tool.id, opened.error()));
            tools_[tool.id] = std::make_unique<SimulatedTool>(tool, std::move(*opened));
        } else if (std::holds_alternative<config::FrameLink>(tool.link)) {
            return std::unexpected(
                fmt::format("tool {} sends frames, which no simulated tool does", tool.id));
        } else if (const auto* line = std::get_if<config::LineLink>(&tool.link)) {
            auto settings = settings_of(tool, *line);
            if (!settings)
                return std::unexpected(settings.error());
            tools_[tool.id] = std::make_unique<SimulatedTool>(
                tool, std::make_unique<LineTool>(std::move(*settings)), arrangement_.first_epoch);
        }
        // A tool that clicks does so at an input of an I/O module, which is none of the floor's devices.
    }
    return {};
}

std::expected<LineToolSettings, std::string> ShopFloor::settings_of(const config::Tool& tool,
                                                                    const config::LineLink& link) const {
    if (!station_.tool_port)
        return std::unexpected(
            fmt::format("tool {} needs the station's tool port, which it has not", tool.id));
    LineToolSettings settings{.id = tool.id,
                              .host = station_.tool_port->address,
                              .port = station_.tool_port->port,
                              .epoch = std::to_string(arrangement_.first_epoch)};
    if (link.key.empty())
        return settings;
    if (arrangement_.keys.empty())
        return std::unexpected(fmt::format("tool {} speaks with a key; name the folder of its file {}, which "
                                           "is the state folder of the service, with --keys",
                                           tool.id, link.key));
    const auto key = config::read_key_file(arrangement_.keys / link.key);
    if (!key)
        return std::unexpected(fmt::format("the key of tool {} cannot be used: {}", tool.id, key.error()));
    settings.key = *key;
    return settings;
}

std::expected<void, std::string> ShopFloor::set_down(const std::string& plan, bool matched) {
    const auto found = std::ranges::find(station_.plans, plan, &config::Plan::id);
    if (found == station_.plans.end())
        return std::unexpected(fmt::format("the station has no plan '{}'", plan));
    plan_ = &*found;
    account_.arrived(arrangement_.bay, *plan_, matched, chance_.seed());
    controller_->set_present(true);
    first_run_ = std::chrono::steady_clock::now() + time_to_first_run();
    return {};
}

std::expected<void, std::string> ShopFloor::exchange_parts() {
    if (!plan_)
        return std::unexpected("no unit is in the bay");
    account_.arrived(arrangement_.bay, *plan_, true, chance_.seed());
    return {};
}

void ShopFloor::unit_was_seen() { first_run_ = std::chrono::steady_clock::now() + time_to_first_run(); }

void ShopFloor::take_away() {
    for (const auto& permissive : station_.permissives)
        if (const auto token = controller_->state(permissive.id).token; token != 0)
            last_token_ = token;
    controller_->set_present(false);
    // The sensor loses the unit while it is still there to be moved; a PLC that stands still sees nothing.
    constexpr std::chrono::milliseconds scans_take{2000};
    for (const auto& permissive : station_.permissives)
        if (permissive.bay == arrangement_.bay)
            static_cast<void>(controller_->await(
                permissive.id, [](const protocol::PlcState& state) { return !state.present; }, scans_take));
    account_.left();
    plan_ = nullptr;
}

bool ShopFloor::await_next_token(std::chrono::milliseconds limit) const {
    return std::ranges::all_of(station_.permissives, [&](const config::Permissive& permissive) {
        return permissive.bay != arrangement_.bay ||
               controller_->await(
                   permissive.id,
                   [this](const protocol::PlcState& state) { return state.code_token != last_token_; },
                   limit);
    });
}

std::expected<void, std::string> ShopFloor::scan(const std::string& label) {
    if (!scanner_)
        return std::unexpected("the station has no scanner port");
    return scanner_->scan(label);
}

const config::Joint* ShopFloor::joint(const std::string& id) const {
    const auto found = std::ranges::find(station_.joints, id, &config::Joint::id);
    return found == station_.joints.end() ? nullptr : &*found;
}

SimulatedTool* ShopFloor::tool(const std::string& id) {
    const auto found = tools_.find(id);
    return found == tools_.end() ? nullptr : found->second.get();
}

SimulatedTool* ShopFloor::tool_for(const std::string& joint_id) {
    const auto* found = joint(joint_id);
    for (std::size_t i = 0; found && i < found->tools.size(); ++i)
        if (auto* held = tool(found->tools[i]))
            return held;
    return nullptr;
}

std::expected<SimulatedTool*, std::string> ShopFloor::tool_at(const Where& where) {
    const auto* found = joint(where.joint);
    if (!found)
        return std::unexpected(fmt::format("the station has no joint '{}'", where.joint));
    if (where.fastener >= found->fasteners.size() || where.pass >= found->passes.size())
        return std::unexpected(fmt::format("joint {} has {} fasteners and {} passes", found->id,
                                           found->fasteners.size(), found->passes.size()));
    auto* held = tool_for(where.joint);
    if (!held)
        return std::unexpected(fmt::format("no tool of this bay tightens joint {}", found->id));
    return held;
}

Program ShopFloor::program_for(const config::Joint& joint, const Where& where, Mishap mishap) const {
    Program program = program_of(joint.passes[where.pass]);
    if (mishap != Mishap::wrong_program)
        return program;
    // Another pass of the joint, or of any joint that the same tool tightens.
    for (const auto& other : station_.joints)
        if (other.tools == joint.tools)
            for (const auto& pass : other.passes)
                if (pass.program != program.name)
                    return program_of(pass);
    program.name = "trial";
    return program;
}

// Between a unit's arrival and its first tightening an operator scans tickets and fetches the tool. That
// takes longer than the station's uncertainty about when a result was made, and so no result falls between
// two units.
std::chrono::milliseconds ShopFloor::time_to_first_run() const {
    constexpr std::chrono::milliseconds until_seen{300};
    std::chrono::milliseconds longest{0};
    for (const auto& tool : station_.tools)
        if (tool.bay == arrangement_.bay)
            longest = std::max(longest, tool.longest_run + tool.silence_limit);
    return longest + until_seen;
}

std::expected<SimulatedTool*, std::string> ShopFloor::tool_let_run_at(const Where& where) {
    constexpr std::chrono::milliseconds patience{10'000};
    const auto held = tool_at(where);
    if (held && !(*held)->await_may_run(joint(where.joint)->passes[where.pass].program, patience))
        return std::unexpected(fmt::format("the station does not let tool {} run for {}",
                                           (*held)->description().id, where.joint));
    return held;
}

namespace {

std::optional<Flaw> flaw_of(Mishap mishap) {
    switch (mishap) {
    case Mishap::cross_threaded: return Flaw::cross_threaded;
    case Mishap::stripped: return Flaw::stripped;
    case Mishap::wrong_bolt: return Flaw::longer;
    case Mishap::short_hole: return Flaw::bottomed;
    case Mishap::burr: return Flaw::burred;
    case Mishap::none:
    case Mishap::let_go_early:
    case Mishap::wrong_program:
    case Mishap::slips_off: return std::nullopt;
    }
    std::unreachable();
}

}  // namespace

std::expected<Run, std::string> ShopFloor::tighten(const Where& where, Mishap mishap) {
    std::this_thread::sleep_until(first_run_);
    const auto held = tool_let_run_at(where);
    if (!held)
        return std::unexpected(held.error());
    if (const auto flaw = flaw_of(mishap))
        account_.replace(where.joint, where.fastener, *flaw, chance_.seed());
    const bool slips_off = mishap == Mishap::slips_off;
    const Trigger trigger{mishap == Mishap::let_go_early || slips_off ? early_share : 1.0, slips_off};
    const auto run = account_.tighten(where.joint, where.fastener,
                                      program_for(*joint(where.joint), where, mishap), chance_, trigger);
    if (!run)
        return std::unexpected(fmt::format("the unit in the bay has no joint {}", where.joint));
    auto result = written(*run, (*held)->description(), std::nullopt);
    result.stamp = stamp_now();
    (*held)->report(std::move(result),
                    arrangement_.traces ? curve_of(*run, (*held)->description()) : std::nullopt);
    return *run;
}

std::expected<Run, std::string> ShopFloor::loosen(const Where& where) {
    std::this_thread::sleep_until(first_run_);
    const auto held = tool_let_run_at(where);
    if (!held)
        return std::unexpected(held.error());
    const auto run = account_.loosen(where.joint, where.fastener,
                                     program_for(*joint(where.joint), where, Mishap::none), chance_);
    if (!run)
        return std::unexpected(fmt::format("the unit in the bay has no joint {}", where.joint));
    auto result = written(*run, (*held)->description(), std::nullopt);
    result.stamp = stamp_now();
    (*held)->report(std::move(result));
    return *run;
}

std::expected<void, std::string> ShopFloor::tighten_all(const std::string& joint_id) {
    const auto* found = joint(joint_id);
    if (!found)
        return std::unexpected(fmt::format("the station has no joint '{}'", joint_id));
    for (std::size_t pass = 0; pass < found->passes.size(); ++pass)
        for (std::size_t fastener = 0; fastener < found->fasteners.size(); ++fastener)
            if (const auto run = tighten({joint_id, fastener, pass}); !run)
                return std::unexpected(run.error());
    return {};
}

void ShopFloor::replace_bolt(const Where& where) {
    account_.replace(where.joint, where.fastener, Flaw::none, chance_.seed());
}

std::vector<std::string> ShopFloor::joints_to_tighten() const {
    std::vector<std::string> ids;
    if (plan_)
        for (const auto& stage : plan_->stages)
            for (const auto& step : stage.steps)
                if (const auto* tighten = std::get_if<config::TightenStep>(&step))
                    if (const auto* found = joint(tighten->joint);
                        found && found->method == config::Method::tightening)
                        ids.push_back(found->id);
    return ids;
}

std::vector<std::string> ShopFloor::checks_to_confirm() const {
    std::vector<std::string> ids;
    if (!plan_)
        return ids;
    for (const auto& stage : plan_->stages)
        for (const auto& step : stage.steps) {
            if (const auto* confirm = std::get_if<config::ConfirmStep>(&step))
                ids.push_back(confirm->id);
            const auto* tighten = std::get_if<config::TightenStep>(&step);
            const auto* found = tighten ? joint(tighten->joint) : nullptr;
            if (found && found->method == config::Method::confirmed_check)
                ids.push_back(found->id);
        }
    return ids;
}

bool ShopFloor::await_links(std::chrono::milliseconds limit) {
    const auto end = std::chrono::steady_clock::now() + limit;
    return std::ranges::all_of(tools_, [end](const auto& entry) {
        const auto left =
            std::chrono::duration_cast<std::chrono::milliseconds>(end - std::chrono::steady_clock::now());
        return entry.second->await_link(std::max(left, std::chrono::milliseconds(0)));
    });
}

}  // namespace tautgate::simulation
