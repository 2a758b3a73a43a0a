// Finds parts of the rules and of the state by name. Nothing here decides. A null pointer means "there is
// no such thing" and every caller must say what follows from that. Pure; any thread.
#pragma once

#include <string_view>
#include <vector>

#include "config/station.hpp"
#include "service/interlock/decide.hpp"

namespace tautgate::interlock {

// A step of a plan, with what is needed to ask whether it is done.
struct PlannedJoint {
    const config::Joint* joint = nullptr;
    std::size_t stage = 0;
};

[[nodiscard]] const config::Station* rules_of(const RuleBook& rules, const std::optional<Revision>& revision);
// The rules that apply at the bay: those of its stay, else those in force.
[[nodiscard]] const config::Station* rules_at(const RuleBook& rules, const State& state, const BayState& bay);

[[nodiscard]] const config::Bay* bay_in(const config::Station& station, const BayId& id);
[[nodiscard]] const config::Tool* tool_in(const config::Station& station, const ToolId& id);
[[nodiscard]] const config::Permissive* permissive_in(const config::Station& station, const PermissiveId& id);
// As its plan has it.
[[nodiscard]] const config::Joint* joint_in(const config::Station& station, std::string_view id);
// As it is done in a stay with these other ways. None: the rules have no such joint, or no such way of it.
[[nodiscard]] const config::Joint* joint_in(const config::Station& station, const OtherWays& ways,
                                            std::string_view id);
[[nodiscard]] const config::Plan* plan_in(const config::Station& station, std::string_view id);
[[nodiscard]] const config::Plan* plan_of(const config::Station& station, const Stay& stay);
[[nodiscard]] std::vector<PlannedJoint> joints_of(const config::Station& station, const config::Plan& plan,
                                                  const OtherWays& ways);
[[nodiscard]] const config::OverrideRule* override_rule(const config::Station& station,
                                                        config::RiskClass risk);
// By its name, or by a type that stands for it.
[[nodiscard]] const config::Variant* variant_of(const config::Station& station, std::string_view type);
[[nodiscard]] bool serves(const config::Joint& joint, const ToolId& tool);

[[nodiscard]] BayState* bay_of(State& state, const BayId& id);
[[nodiscard]] const BayState* bay_of(const State& state, const BayId& id);
// The controller's count of movements of the permissive as last reported; 0 before the first report.
[[nodiscard]] std::uint16_t movements_of(const BayState& bay, const PermissiveId& id);
[[nodiscard]] ToolState* tool_of(State& state, const ToolId& id);
[[nodiscard]] const ToolState* tool_of(const State& state, const ToolId& id);
[[nodiscard]] const Person* person_of(const State& state, PersonNumber number);
[[nodiscard]] Stay* stay_at(BayState& bay);
[[nodiscard]] const Stay* stay_at(const BayState& bay);
// Nothing has left open which unit is at the bay.
[[nodiscard]] bool is_certain(const Stay& stay) noexcept;
// The unit of the stay was moved to the bay and has not been seen to arrive.
[[nodiscard]] bool is_on_its_way(const Stay& stay) noexcept;
// Since when its unit is at its bay, and with which event it came there.
[[nodiscard]] const Stamp& here_since(const Stay& stay) noexcept;
[[nodiscard]] EventNumber came_with(const Stay& stay) noexcept;
[[nodiscard]] const Ticket* ticket_of(const Stay& stay, std::string_view kind);
[[nodiscard]] JointState* joint_of(Stay& stay, std::string_view id);
[[nodiscard]] const JointState* joint_of(const Stay& stay, std::string_view id);

// ---- what is done, by positive evidence -----------------------------------------------------------------

// Every fastener of every pass has its proof, or the check is confirmed; somebody may have to witness it
// still.
[[nodiscard]] bool is_all_done(const config::Joint& joint, const JointState& state);
// All of it is done, and witnessed where that is asked for. An override is not proof.
[[nodiscard]] bool is_proven(const config::Joint& joint, const JointState& state);
// Proven, or overridden for this stay.
[[nodiscard]] bool is_settled(const config::Joint& joint, const JointState& state);
// The first pass with a fastener that lacks proof; the number of passes if there is none.
[[nodiscard]] std::size_t current_pass(const config::Joint& joint, const JointState& state);
// The first pass with a fastener that has neither proof nor a tightening whose curve is still to come: what
// is tightened now is of it. The number of passes if there is none.
[[nodiscard]] std::size_t pass_at_hand(const config::Joint& joint, const JointState& state);
// The first stage with something to do; the number of stages if all is done.
[[nodiscard]] std::size_t open_stage(const config::Station& station, const config::Plan& plan,
                                     const Stay& stay);
[[nodiscard]] bool is_step_done(const config::Station& station, const Stay& stay, const config::Step& step);

// As people read it: "the link is ...".
[[nodiscard]] std::string text_of(Quality quality);

[[nodiscard]] bool has_any(const Person& person, const std::vector<config::Role>& roles);
// Has one of the roles, or stands in for somebody who has.
[[nodiscard]] bool may_act_as(const State& state, const Person& person,
                              const std::vector<config::Role>& roles);

}  // namespace tautgate::interlock
