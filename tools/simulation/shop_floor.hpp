// The simulated shop floor around one bay, built from the station's own description: every tool, the
// equipment's controller, the scanner, the unit with its bolts. What somebody does here happens to the bolts
// first and reaches the station as a tool, a scanner or a PLC would tell it.
//
// One thread at a time, except for the devices, which have threads of their own.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "config/station.hpp"
#include "tools/simulation/account.hpp"
#include "tools/simulation/chance.hpp"
#include "tools/simulation/clients.hpp"
#include "tools/simulation/controller.hpp"
#include "tools/simulation/line_tool.hpp"
#include "tools/simulation/register_tool.hpp"

namespace tautgate::simulation {

// A tool of either kind, for those who do not care which.
class SimulatedTool {
  public:
    SimulatedTool(const config::Tool& tool, std::unique_ptr<LineTool> line, std::uint64_t epoch)
        : tool_(tool), kind_(std::move(line)), epoch_(epoch) {}
    SimulatedTool(const config::Tool& tool, std::unique_ptr<RegisterTool> registers)
        : tool_(tool), kind_(std::move(registers)) {}

    std::uint64_t report(protocol::WrittenResult result, const std::optional<protocol::Trace>& trace = {});
    void cut();
    void mend();
    void hold_back(bool on);
    void lose_one();
    // Power off and on; what was not acknowledged is lost.
    void restart();
    // Waits until the station has acknowledged everything that the tool has.
    [[nodiscard]] bool await_acknowledged(std::chrono::milliseconds limit) const;
    // Waits until the station is connected (line) or polls (registers).
    [[nodiscard]] bool await_link(std::chrono::milliseconds limit) const;
    // Until the station lets a tool that obeys run with the program; at once for one that runs by itself.
    [[nodiscard]] bool await_may_run(const std::string& program, std::chrono::milliseconds limit) const;

    [[nodiscard]] const config::Tool& description() const noexcept { return tool_; }
    [[nodiscard]] LineTool* line() const noexcept;
    [[nodiscard]] RegisterTool* registers() const noexcept;

  private:
    const config::Tool& tool_;
    std::variant<std::unique_ptr<LineTool>, std::unique_ptr<RegisterTool>> kind_;
    std::uint64_t epoch_ = 1;
};

// What may go wrong with one run.
enum class Mishap : std::uint8_t {
    none,
    let_go_early,    // the operator lets go at 70 % of the torque
    cross_threaded,  // the bolt stands crooked; it has to be loosened and replaced
    stripped,        // so does the thread
    wrong_program,   // the tool runs another program that it knows
    wrong_bolt,      // a longer one than the joint's
    short_hole,      // the bolt meets the end of its hole
    burr,            // something lies between the parts until it is crushed
    slips_off        // the socket comes off the head at 70 % of the torque
};

struct Where {
    std::string joint;
    std::size_t fastener = 0;  // index in the joint's list
    std::size_t pass = 0;      // index in the joint's list
};

class ShopFloor {
  public:
    struct Arrangement {
        std::string bay;
        std::uint64_t seed = 1;
        bool traces = false;  // tools send the curve of each tightening, too
        std::chrono::milliseconds scan{10};
        // Of the line tools. Who starts anew beside a station that goes on gives one that was never used.
        std::uint64_t first_epoch = 1;
        bool other_bays = false;  // the controllers of the station's other simulated bays run, too
        // Folder of the files with the tools' keys, which is the one of the station's journal.
        std::filesystem::path keys{};
    };
    // The station must outlive the floor. Its addresses and ports are where the devices meet the daemon.
    [[nodiscard]] static std::expected<std::unique_ptr<ShopFloor>, std::string>
    open(const config::Station& station, const Arrangement& arrangement);

    // A unit is set down in the bay: fresh bolts, unit present. `matched` says whether its parts belong
    // together.
    [[nodiscard]] std::expected<void, std::string> set_down(const std::string& plan, bool matched = true);
    // The right sub-assembly takes the place of a wrong one: the unit stays, all its bolts are new.
    [[nodiscard]] std::expected<void, std::string> exchange_parts();
    // The station has seen the unit arrive. From now on it takes as long as the station may be unsure about
    // when a result was made until the first run: so none falls between two units, however slow everything
    // is.
    void unit_was_seen();
    // The unit is gone, by whatever way.
    void take_away();
    // Waits until the equipment is offered another token than the last unit's. A unit that is set down sooner
    // would be taken for that one and stay held; carrying one in takes longer than the news.
    [[nodiscard]] bool await_next_token(std::chrono::milliseconds limit) const;
    [[nodiscard]] std::expected<void, std::string> scan(const std::string& label);

    // One run; gives what the tool measured. The error is one sentence.
    [[nodiscard]] std::expected<Run, std::string> tighten(const Where& where, Mishap mishap = Mishap::none);
    [[nodiscard]] std::expected<Run, std::string> loosen(const Where& where);
    // All passes over all fasteners in the order of the list.
    [[nodiscard]] std::expected<void, std::string> tighten_all(const std::string& joint);
    // A new bolt in a good hole.
    void replace_bolt(const Where& where);

    [[nodiscard]] SimulatedTool* tool(const std::string& id);
    [[nodiscard]] SimulatedTool* tool_for(const std::string& joint);
    [[nodiscard]] Controller& controller() noexcept { return *controller_; }
    // Of another bay, with Arrangement::other_bays: what stands there is for the caller to say.
    [[nodiscard]] Controller& controller(const std::string& bay) { return *other_bays_.at(bay); }
    [[nodiscard]] Scanner& scanner() noexcept { return *scanner_; }
    [[nodiscard]] Account& account() noexcept { return account_; }
    [[nodiscard]] Chance& chance() noexcept { return chance_; }
    [[nodiscard]] const config::Station& station() const noexcept { return station_; }
    [[nodiscard]] const config::Joint* joint(const std::string& id) const;
    [[nodiscard]] const config::Plan* plan() const noexcept { return plan_; }
    // Joints that are tightened by the plan of the unit in the bay, in the plan's order.
    [[nodiscard]] std::vector<std::string> joints_to_tighten() const;
    // Steps and joints that a person confirms, in the plan's order.
    [[nodiscard]] std::vector<std::string> checks_to_confirm() const;
    [[nodiscard]] bool await_links(std::chrono::milliseconds limit);

  private:
    ShopFloor(const config::Station& station, const Arrangement& arrangement);
    [[nodiscard]] std::expected<void, std::string> open_tools();
    [[nodiscard]] std::expected<LineToolSettings, std::string>
    settings_of(const config::Tool& tool, const config::LineLink& link) const;
    [[nodiscard]] std::expected<std::unique_ptr<Controller>, std::string>
    open_controller(const config::Bay& bay);
    [[nodiscard]] std::chrono::milliseconds time_to_first_run() const;
    [[nodiscard]] std::expected<SimulatedTool*, std::string> tool_at(const Where& where);
    // Waits until the station lets it run.
    [[nodiscard]] std::expected<SimulatedTool*, std::string> tool_let_run_at(const Where& where);
    [[nodiscard]] Program program_for(const config::Joint& joint, const Where& where, Mishap mishap) const;

    const config::Station& station_;
    Arrangement arrangement_;
    Chance chance_;
    Account account_;
    const config::Plan* plan_ = nullptr;
    std::uint32_t last_token_ = 0;                       // of the unit that was taken away last
    std::chrono::steady_clock::time_point first_run_{};  // of the unit in the bay: not before
    std::map<std::string, std::unique_ptr<SimulatedTool>> tools_;
    std::unique_ptr<Scanner> scanner_;
    std::unique_ptr<Controller> controller_;  // these are last: they ask the account
    std::map<std::string, std::unique_ptr<Controller>> other_bays_;
};

// The present moment as a tool's clock tells it.
[[nodiscard]] std::string stamp_now();

}  // namespace tautgate::simulation
