// What is true of the unit in the bay, kept apart from everything that the station believes: the bolts
// themselves, what people confirmed, what two of them overrode. The simulated controller asks it whether a
// release is borne out. It knows the plan's scope and the windows, no attempt, no order and no rule of
// evidence: a joint is good when its bolts are good.
//
// Any thread.
#pragma once

#include <cstdint>
#include <map>
#include <mutex>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/permissive_block.hpp"
#include "tools/simulation/bolt.hpp"
#include "tools/simulation/wrench.hpp"

namespace tautgate::simulation {

// A joint as its designer meant it: steel, clamped over three diameters.
[[nodiscard]] std::optional<BoltDesign> bolt_design(const config::Joint& joint);

class Account {
  public:
    // The station must outlive the account.
    explicit Account(const config::Station& station) : station_(station) {}

    // A new unit stands in the bay, built by this plan: fresh bolts in every joint. `matched` is false where
    // its sub-assemblies do not belong together.
    void arrived(const std::string& bay, const config::Plan& plan, bool matched, std::uint64_t seed);
    void left();

    // Turns one bolt. Nothing where the unit has no such bolt. A bolt that was turned ends what people said
    // about its joint.
    [[nodiscard]] std::optional<Run> tighten(const std::string& joint, std::size_t fastener,
                                             const Program& program, Chance& chance,
                                             const Trigger& trigger = {});
    [[nodiscard]] std::optional<Run> loosen(const std::string& joint, std::size_t fastener,
                                            const Program& program, Chance& chance);
    // The bolt (or its hole) is another one from now on.
    void replace(const std::string& joint, std::size_t fastener, Flaw flaw, std::uint64_t seed);

    void confirmed(const std::string& step_or_joint);
    // Enough entitled people agreed that the joint counts without proof.
    void overridden(const std::string& joint);
    void may_leave_incomplete();

    // Why this movement is not borne out; nothing: it is.
    [[nodiscard]] std::optional<std::string> against(const std::string& permissive,
                                                     protocol::Movement movement) const;
    [[nodiscard]] std::vector<std::string> joints() const;

  private:
    struct Position {
        Bolt bolt;
        double last_torque = 0;  // N·m, of the last run in the last pass
    };
    struct Unit {
        std::string bay;
        bool matched = true;
        std::vector<config::Step> steps;
        std::vector<config::Stage> stages;  // the same, as the plan arranges them
        [[nodiscard]] std::vector<config::Step> steps_of(const config::Permissive& permissive) const;
        std::map<std::string, std::vector<Position>> bolts;
        std::set<std::string> confirmed;
        std::set<std::string> overridden;
        bool may_leave_incomplete = false;
        std::vector<std::string> ways_incomplete;
    };
    [[nodiscard]] const config::Joint* joint(const std::string& id) const;
    [[nodiscard]] Position* position(const std::string& joint, std::size_t fastener);
    [[nodiscard]] std::optional<std::string> against_joint(const config::Joint& joint) const;
    [[nodiscard]] static std::optional<std::string> against_bolt(const config::Joint& joint,
                                                                 const Position& position, std::size_t index);

    const config::Station& station_;
    mutable std::mutex mutex_;
    std::optional<Unit> unit_;
};

}  // namespace tautgate::simulation
