// A station for trying reasons on: the demo station with two short plans, open for work, and what people and
// the shop floor do at it in few words. Everything that fails on the way ends the test with what was said.
//
// One thread.
#pragma once

#include <chrono>
#include <functional>
#include <string>
#include <vector>

#include "service/interlock/reason.hpp"
#include "tests/end_to_end/harness.hpp"

namespace tautgate::end_to_end {

// Plan MB1: tickets, motor mounts (class A, a tool with the line protocol), clamps (a check). Plan MB2:
// tickets, the mirrored bracket (class B) whose bolts must be replaced when not OK, clamps. All else is the
// demo's.
void shorten_plans(nlohmann::json& station);
[[nodiscard]] Plant::Arrangement with_short_plans();
// The same at a station that takes orders, from the folder `orders` beside its journal.
[[nodiscard]] Plant::Arrangement taking_orders();

// The same, where the tool of the motor mounts is watched for its calibration.
[[nodiscard]] Plant::Arrangement watching_calibrations();

// The same, where the motor mounts limit the curves of their first pass, and wait so long for one.
[[nodiscard]] Plant::Arrangement limiting_curves(std::chrono::milliseconds waited);

// The same, where the motor mounts are two, which the operator selects one by one, and are checked when they
// have relaxed for so long.
[[nodiscard]] Plant::Arrangement checking_later(std::chrono::seconds relaxed);

// The same with a second bay, J2, to which the permissive `shift` takes a unit; it leaves J2 over `exit`.
[[nodiscard]] Plant::Arrangement with_next_bay();

class Stand {
  public:
    explicit Stand(Plant& plant) : plant_(plant) {}

    [[nodiscard]] Plant& plant() noexcept { return plant_; }
    [[nodiscard]] simulation::ShopFloor& floor() noexcept { return plant_.floor(); }
    [[nodiscard]] simulation::Controller& controller() noexcept { return plant_.floor().controller(); }
    [[nodiscard]] simulation::SimulatedTool& tool(const std::string& id);
    // Of the unit in the bay, or of the one that was there last.
    [[nodiscard]] const simulation::UnitPapers& papers() const noexcept { return papers_; }

    // ---- a unit
    void arrives(const std::string& variant = "MB1");
    void arrives(const simulation::UnitPapers& papers);
    void scans(const std::string& label);
    // The operator types it, since the scanner does not read it.
    void types(const std::string& label);
    // Both tickets are scanned, and the station knows the unit.
    void identified(const std::string& variant = "MB1");
    // Of plan MB1; every joint that the lifting beam waits for is proven, and the beam may move.
    void finished();
    // The bay is empty again, by whatever way, for the next case.
    void clear();

    // ---- work
    simulation::Run turns(const simulation::Where& where,
                          simulation::Mishap mishap = simulation::Mishap::none);
    void loosens(const simulation::Where& where);
    // Says which fastener is next, by its name, and goes there: that takes longer than it is uncertain when a
    // result was made.
    void selects(const std::string& joint, const std::string& fastener);
    // Of plan MB1, where fasteners are selected: the motor mounts in the passes before the check.
    void tightens_selected();
    // The station has stored everything that the tool has.
    void stored(const std::string& tool);

    // ---- people
    // The supervisor decides; where it takes two, the quality engineer agrees.
    void decides(const nlohmann::json& action);
    void decides_as(const std::string& role, const nlohmann::json& action);

    // ---- the daemon
    void starts_again();
    void links_are_good();

    // ---- asking
    [[nodiscard]] nlohmann::json reasons(const std::string& permissive) const;
    [[nodiscard]] std::vector<std::string> codes(const std::string& permissive) const;
    [[nodiscard]] nlohmann::json bay() const;
    // False at the limit of patience.
    [[nodiscard]] bool await(const std::function<bool()>& question) const;
    [[nodiscard]] bool await_released(const std::string& permissive) const;

    [[noreturn]] void give_up(const std::string& what) const;
    void need(const std::expected<void, std::string>& done) const;
    void need(bool done, const std::string& what) const;

  private:
    // Of the station, about the bay; it must not refuse.
    void asks_as(const std::string& role, const std::string& path, const nlohmann::json& body);

    Plant& plant_;
    simulation::UnitPapers papers_;
};

// What must be said of a reason that holds.
struct Told {
    std::string sentence{};
    std::string remedy{};
    std::string clears{};
    nlohmann::json override_ = nullptr;  // who may lift it; null: nobody may
    std::string joint{};
    std::string fastener{};
    std::string tool{};
    nlohmann::json facts = nlohmann::json::object();  // by name
};

struct ReasonCase {
    interlock::ReasonCode code;
    std::string title;
    std::string permissive;          // that is held
    std::vector<std::string> codes;  // all that hold it then, worst first
    // From an empty bay to the hold; gives what must be said of it.
    std::function<Told(Stand&)> bring_about;
    std::function<void(Stand&)> way_out;
    // What remains is nothing, and the equipment may move.
    bool released_after = false;
};

// By what they are about. Every code of the table is in one of them.
[[nodiscard]] const std::vector<ReasonCase>& unit_cases();
[[nodiscard]] const std::vector<ReasonCase>& order_cases();  // at a station that takes orders
[[nodiscard]] const std::vector<ReasonCase>& equipment_cases();
[[nodiscard]] const std::vector<ReasonCase>& move_cases();  // at a station with a second bay
[[nodiscard]] const std::vector<ReasonCase>& tool_cases();
[[nodiscard]] const std::vector<ReasonCase>& calibration_cases();  // at a station that watches them
[[nodiscard]] const std::vector<ReasonCase>& joint_cases();
[[nodiscard]] const std::vector<ReasonCase>& bypass_cases();
[[nodiscard]] const std::vector<ReasonCase>& curve_cases();  // at a station that limits curves
[[nodiscard]] const std::vector<ReasonCase>& check_cases();  // at a station that checks later
// Each begins at a new station, before the daemon is started.
[[nodiscard]] const std::vector<ReasonCase>& record_cases();

// Brings it about, sees that the equipment does not move and that `why` says what it has to say, takes the
// way out and sees the reason gone.
void held_and_explained(Stand& stand, const ReasonCase& one);
// All of them at one station that is open for work.
void each_held_and_explained(const std::vector<ReasonCase>& cases,
                             const Plant::Arrangement& arrangement = with_short_plans());

}  // namespace tautgate::end_to_end
