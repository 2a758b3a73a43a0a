// What a station is: its bays, tools, equipment, joints, plans and people rules, as immutable values. They
// are read once, at the door (reader.hpp); from then on no raw number or text of a file reaches a decision.
// Parts refer to each other by id; check.hpp has found every dangling one before anybody uses the station.
// Plain values without clock or I/O; any thread.
#pragma once

#include <algorithm>
#include <chrono>
#include <compare>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/csv.hpp"
#include "protocol/curve_measure.hpp"
#include "protocol/frame_profile.hpp"
#include "protocol/quantity.hpp"
#include "protocol/register_profile.hpp"
#include "protocol/ticket.hpp"
#include "protocol/ticket_rule.hpp"

namespace tautgate::config {

using protocol::Angle;
using protocol::Torque;

// Danger to life, breakdown, nuisance (after VDI/VDE 2862-1).
enum class RiskClass : std::uint8_t { a, b, c };
TAUTGATE_ENUM(RiskClass, a, b, c);

enum class Role : std::uint8_t {
    line_operator,
    production_supervisor,
    quality_engineer,
    manufacturing_engineer,
    maintenance,
    administrator
};
TAUTGATE_ENUM(Role, line_operator, production_supervisor, quality_engineer, manufacturing_engineer,
              maintenance, administrator);

// ---- joints -------------------------------------------------------------------------------------------

// From where the final angle is counted. An angle window without an origin means nothing.
enum class AngleOrigin : std::uint8_t { start, threshold_torque, snug_point, step_change };
TAUTGATE_ENUM(AngleOrigin, start, threshold_torque, snug_point, step_change);

struct TorqueWindow {
    Torque min;
    Torque max;
    std::optional<Torque> target;  // for display and design help; never a limit
};

struct AngleWindow {
    Angle min;
    Angle max;
    AngleOrigin origin = AngleOrigin::start;
    std::optional<Torque> threshold;  // with AngleOrigin::threshold_torque
};

// ---- what the curve of a tightening has to show

template <class Quantity>
struct Limits {
    Quantity min;
    Quantity max;
    bool operator==(const Limits&) const = default;
};

// What the tightening goes by. The curve's own value of that has to be inside the window as well, not only
// the one that the tool reported.
enum class CurveTarget : std::uint8_t { torque, angle, yield };
TAUTGATE_ENUM(CurveTarget, torque, angle, yield);

// The end of a stage, or any other place of the curve. All angles here are counted from where the angle of
// the pass's window is.
struct TorqueThere {
    Angle at;
    Limits<Torque> torque;
};
struct AngleThere {
    Torque at;
    Limits<Angle> angle;
};
struct CurvePlace {
    std::string name;
    std::variant<TorqueThere, AngleThere> limits;
};

// Of the straight line between two angles.
struct RateLimits {
    Angle from;
    Angle to;
    Limits<protocol::Gradient> rate;
};

struct YieldLimits {
    std::optional<Limits<Torque>> torque;
    std::optional<Limits<Angle>> angle;
};

// How far the tool's values may lie from those of its curve: a share of the torque, and degrees.
struct CurveAgreement {
    protocol::Decimal torque_percent{3, 0};
    Angle angle{3'000'000};
};

// What becomes of a tightening whose values are good, and whose curve does not come or is none.
enum class WithoutCurve : std::uint8_t { not_decidable, accept };
TAUTGATE_ENUM(WithoutCurve, not_decidable, accept);

// A tightening of the pass counts only once its curve came and is good.
struct CurveWindow {
    CurveTarget target = CurveTarget::torque;
    std::vector<CurvePlace> places;
    std::optional<RateLimits> rate;
    std::optional<Limits<Torque>> prevailing;
    std::optional<Limits<Torque>> clamp;  // final torque less the prevailing one
    std::optional<Limits<protocol::RunTime>> time;
    std::optional<YieldLimits> yield;
    CurveAgreement agreement;
    std::chrono::milliseconds patience{10'000};  // from the result on; then the curve is missing
    WithoutCurve without = WithoutCurve::not_decidable;
};

// Limits are inclusive: exactly on the limit is inside.
struct Window {
    TorqueWindow torque;
    std::optional<AngleWindow> angle;
    std::optional<CurveWindow> curve = {};
};

// The pass goes over fasteners that are tight already, to see how far they have relaxed: a good one turns
// hardly at all.
struct CheckPass {
    std::chrono::seconds wait{0};  // from the last tightening of the pass before
};

// One round over all fasteners, for instance snug, then final.
struct Pass {
    std::string name;
    std::string program;  // of the tool; empty: the tool names none
    Window window;
    std::optional<CheckPass> check = {};
};

// How a result finds its fastener within the joint.
enum class Placement : std::uint8_t {
    listed,   // the fasteners are tightened in the order of the list
    counted,  // in any order; only their number is known
    by_tool,  // the tool says which position it is at
    by_arm,   // the arm that holds the tool says it, by an input
    selected  // a person says beforehand which one is next
};
TAUTGATE_ENUM(Placement, listed, counted, by_tool, by_arm, selected);

// Of each tightening it is known at which fastener it was.
[[nodiscard]] constexpr bool knows_position(Placement placement) noexcept {
    switch (placement) {
    case Placement::listed:
    case Placement::counted: return false;
    case Placement::by_tool:
    case Placement::by_arm:
    case Placement::selected: return true;
    }
    return false;
}

// What counts as proof. A confirmed check (a person says that it was done) and a click (a wrench says that
// its torque was reached, and measures nothing) serve class C only.
enum class Method : std::uint8_t { tightening, confirmed_check, click };
TAUTGATE_ENUM(Method, tightening, confirmed_check, click);

// What happens after a tightening that is not OK.
struct Retry {
    std::uint32_t attempts = 1;      // per fastener and pass; then the fastener locks
    bool loosening_between = false;  // a loosening must be seen before the next attempt counts
    bool replace_fastener = false;   // a bolt once tightened to yield must not be used again
};

struct Fastener {
    std::string name;
    std::int32_t x_mm = 0;  // for the drawing on the board; no rule reads it
    std::int32_t y_mm = 0;
};

// Coefficient of friction at thread and head, as it is known of the joint's parts.
struct FrictionRange {
    protocol::Decimal min;
    protocol::Decimal max;
};

// Another way to do a joint while something of the planned one is out of order, approved with the rules. A
// bypass leads to it, for a limited time and for so many units.
struct Alternate {
    std::string id;    // within its joint
    std::string name;  // "Back-up nutrunner"
    std::chrono::hours longest{0};
    std::uint32_t most_units = 0;
    // Somebody who did not tighten it says that they saw it done.
    bool witness = false;
};

struct Joint {
    std::string id;
    std::string name;
    RiskClass risk = RiskClass::a;
    Method method = Method::tightening;
    std::string thread;                     // "M20"; empty: not stated
    std::string property_class;             // "10.9"
    std::optional<FrictionRange> friction;  // for design help only; no rule reads it
    std::vector<Fastener> fasteners;
    Placement placement = Placement::listed;
    // Empty with Method::confirmed_check. With Method::click one, which the reader makes: of a click no
    // window is ever judged.
    std::vector<Pass> passes;
    std::vector<std::string> tools;  // ids; any of them may tighten the joint
    Retry retry;
    // At most this angle with the torque reached is a re-hit of a tight fastener, not a tightening.
    std::optional<Angle> rehit_angle_max;
    // Inclusive limits for a hand-checked value at an override.
    std::optional<TorqueWindow> audit;
    std::optional<Alternate> alternate = {};  // this is the joint done so; none: as it is planned
    // The same joint, each done in its other way; these have no further ones.
    std::vector<Joint> alternates = {};
};

[[nodiscard]] inline const Joint* alternate_of(const Joint& joint, std::string_view id) noexcept {
    const auto found = std::ranges::find_if(
        joint.alternates, [&](const Joint& one) { return one.alternate && one.alternate->id == id; });
    return found == joint.alternates.end() ? nullptr : &*found;
}
// Whether any of its ways is by this tool.
[[nodiscard]] inline bool may_be_by(const Joint& joint, std::string_view tool) noexcept {
    return std::ranges::find(joint.tools, tool) != joint.tools.end() ||
           std::ranges::any_of(joint.alternates, [&](const Joint& one) { return may_be_by(one, tool); });
}

// ---- plans --------------------------------------------------------------------------------------------

struct ScanStep {
    std::string ticket_kind;
};
struct TightenStep {
    std::string joint;  // id; joints with Method::confirmed_check are confirmed by a person here
};
struct ConfirmStep {
    std::string id;
    std::string text;  // what the operator confirms
};
using Step = std::variant<ScanStep, TightenStep, ConfirmStep>;

// Steps that are open together, in any order. A stage opens when everything before it is done.
struct Stage {
    std::string name;
    std::vector<Step> steps;
};

// How a unit that is not proven may leave: over permissives that two people release, or by a way that no
// permissive guards (described in words for the board).
struct LeavingIncomplete {
    std::vector<std::string> permissives;
    std::string unguarded_way;
};

struct Plan {
    std::string id;
    std::string name;
    std::string revision;
    std::vector<Stage> stages;
    LeavingIncomplete leaving_incomplete;
};

// Its place in the plan; none: the plan has no such stage.
[[nodiscard]] inline std::optional<std::size_t> stage_named(const Plan& plan, const std::string& name) {
    const auto found = std::ranges::find(plan.stages, name, &Stage::name);
    return found == plan.stages.end() ? std::nullopt
                                      : std::optional(static_cast<std::size_t>(found - plan.stages.begin()));
}

struct TypesOfKind {
    std::string ticket_kind;
    std::vector<std::string> types;  // sub-assembly types that belong to the variant
};

struct Variant {
    std::string id;
    std::string name;
    std::string plan;  // id
    std::vector<TypesOfKind> types;
};

// Which two tickets belong together. The variant stands on one of them.
struct PairRule {
    std::vector<std::string> ticket_kinds;  // all of these must be scanned
    bool same_order = true;
    std::string unit_kind;     // the ticket whose serial number is the unit's
    std::string variant_kind;  // the ticket whose type names the variant
};

// ---- equipment ----------------------------------------------------------------------------------------

// Where the station listens.
struct Endpoint {
    std::string address = "127.0.0.1";
    std::uint16_t port = 0;
};

enum class Scope : std::uint8_t { every_joint, classes, stages };
TAUTGATE_ENUM(Scope, every_joint, classes, stages);

// A signal that lets one movement happen.
struct Permissive {
    std::string id;
    std::uint16_t number = 0;  // on the wire; unique within the station, 1..
    std::string bay;
    std::string name;
    std::string movement;              // what it lets happen, in words
    bool leaving = false;              // the movement ends the stay
    bool one_shot = false;             // used up by the first movement of a stay
    Scope scope = Scope::every_joint;  // steps that are not joints are always in scope of every_joint
    std::vector<RiskClass> classes;    // with Scope::classes
    std::string through_stage;         // with Scope::stages: the last one whose steps are in scope
    std::string moves_to;              // id of the bay to which it takes the unit; empty: it stays or leaves
};

// The equipment's controller of one bay: permissives go out, presence and counts come back.
enum class WireRole : std::uint8_t { client, server };
TAUTGATE_ENUM(WireRole, client, server);

// A single bit that simple equipment shows.
struct ControllerBit {
    protocol::RegisterTable table = protocol::RegisterTable::discrete_inputs;  // or coils
    std::uint16_t number = 0;                                                  // zero-based wire offset
    bool active_low = false;
    bool operator==(const ControllerBit&) const = default;
};

// One permissive of simple equipment: the coil that is on while it is released, and what comes back.
struct CoilPoint {
    std::string permissive;                    // id
    std::uint16_t release = 0;                 // coil
    std::optional<ControllerBit> moved = {};   // nothing: an input of an I/O module tells it
    std::optional<ControllerBit> acting = {};  // on while the equipment lets the movement happen
};

// Simple equipment that knows coils and inputs only. They carry no unit: protocol/PERMISSIVE.md says what is
// lost with that.
struct CoilPlan {
    std::uint16_t alive = 0;                    // coil that the station switches over with its beats
    ControllerBit echo;                         // the equipment's copy of it
    ControllerBit heartbeat;                    // the equipment switches it over by itself
    std::optional<ControllerBit> present = {};  // nothing: an input of an I/O module tells it
    std::chrono::milliseconds debounce{50};     // of present and moved
    std::vector<CoilPoint> permissives;
};

struct ControllerLink {
    WireRole role = WireRole::client;
    std::string host;  // client: the controller; server: the address we listen on
    std::uint16_t port = 502;
    std::uint8_t unit = 1;
    std::uint16_t permissive_address = 0;  // zero-based wire offset of the first permissive block
    std::uint16_t feedback_address = 0;
    std::chrono::milliseconds beat_interval{100};
    std::chrono::milliseconds echo_timeout{500};  // no good echo for this long: withheld
    // The equipment withholds when the station's beat stands still for this long; nothing: the echo time-out.
    std::optional<std::chrono::milliseconds> beat_timeout = {};
    std::chrono::milliseconds settling{1000};  // good again only after this long
    std::optional<CoilPlan> coils = {};        // instead of both addresses
};

[[nodiscard]] inline std::chrono::milliseconds beat_timeout_of(const ControllerLink& link) noexcept {
    return link.beat_timeout.value_or(link.echo_timeout);
}

// Another controller of the bay, which carries some of its permissives in blocks of its own. The main one
// goes on telling of the unit; this one has to see it too.
struct FurtherController {
    std::string id;                        // not another controller's or a bay's
    ControllerLink link;                   // in registers
    std::vector<std::string> permissives;  // ids, in the order of their blocks
    // Its sight of the unit may differ from the main one's for so long.
    std::chrono::milliseconds presence_within{2000};
};

struct Bay {
    std::string id;
    std::uint16_t number = 0;  // on the wire, 1..
    std::string name;
    ControllerLink controller;  // the main one: of all permissives that no further one has
    bool simulated = false;     // the equipment is simulated: only such a bay accepts simulated results
    std::vector<FurtherController> further_controllers = {};
};

// Of all controllers of the bay.
[[nodiscard]] inline std::chrono::milliseconds shortest_beat(const Bay& bay) noexcept {
    auto shortest = bay.controller.beat_interval;
    for (const FurtherController& further : bay.further_controllers)
        shortest = std::min(shortest, further.link.beat_interval);
    return shortest;
}

// A tool that speaks our line protocol connects to the station's tool port; it is known by its peer address
// and by the name in its hello.
struct LineLink {
    std::string peer;  // address from which it may connect
    std::string key =
        {};  // file with the key that both sides share, beside the journal; empty: lines bear no seal
};
enum class Parity : std::uint8_t { none, even, odd };
TAUTGATE_ENUM(Parity, none, even, odd);

// A serial line, with eight data bits to a character.
struct SerialLine {
    std::string device;  // "/dev/serial/by-path/...", the same after each start of the PC
    std::uint32_t baud = 19200;
    Parity parity = Parity::even;
    std::uint8_t stop_bits = 1;
    bool operator==(const SerialLine&) const = default;
};

// A tool whose registers we poll, over TCP or over a serial line (Modbus RTU) that it may share with others.
struct RegisterLink {
    std::string host;                  // of a TCP link
    std::optional<SerialLine> serial;  // instead of a host
    std::uint16_t port = 502;
    std::uint8_t unit = 1;
    std::string profile;  // id
    std::chrono::milliseconds poll_interval{100};
};

// A tool that sends its results as frames, by exactly one of three ways.
struct FrameCall {  // the station calls the tool
    std::string host;
    std::uint16_t port = 0;
};
struct FrameListen {  // the tool calls the station, and only from this address
    Endpoint at;
    std::string peer;
};
struct FrameLink {
    std::variant<FrameCall, FrameListen, SerialLine> way;
    std::string profile;  // id
};

// A wrench that only clicks: its pulses come by an input of an I/O module, and it measures nothing.
struct PulseLink {
    std::string io;     // id
    std::string input;  // id within the module
};

// A tool that may run only while the station lets it, and says whether it may. Over the line protocol it
// obeys the lines for that, over registers and by frames its profile says how.
struct ToolControl {
    std::chrono::milliseconds answer_within{1000};  // until it says that it did as it was told
};

// How long a calibration of a tool holds, as its maker or the plant's calibration procedure says.
struct CalibrationRule {
    std::chrono::days every{365};
    std::chrono::days warn{14};  // before it is over
    bool operator==(const CalibrationRule&) const = default;
};

struct Tool {
    std::string id;
    std::string name;
    std::string bay;
    std::vector<std::string> also_at;  // other bays that share it
    std::optional<ToolControl> control;
    std::variant<LineLink, RegisterLink, PulseLink, FrameLink> link;
    bool simulated = false;
    // Of a tool that measures.
    Torque torque_min;  // of its capable range
    Torque torque_max;  // of its capable range, and of its sensor
    Torque torque_resolution;
    Angle angle_resolution;
    std::optional<CalibrationRule> calibration;  // none: the station does not watch it
    // Six standard deviations of the torque in percent of its mean (combined scatter, ISO 5393), as its last
    // test had it; for design help only.
    std::optional<protocol::Decimal> scatter_percent;
    // Without a sign of life for this long the link is lost. A description that gives none means at least
    // three polls.
    std::chrono::milliseconds silence_limit{2000};
    std::chrono::milliseconds settling{1000};
    std::chrono::milliseconds longest_run{20000};  // of one tightening, from trigger to result
};

// A release of this bay is a coil: no unit goes with it, and none comes back.
[[nodiscard]] inline bool is_by_coils(const Bay& bay) noexcept { return bay.controller.coils.has_value(); }

[[nodiscard]] inline bool is_shared(const Tool& tool) noexcept { return !tool.also_at.empty(); }
// Its own bay first.
[[nodiscard]] inline std::vector<std::string> bays_of(const Tool& tool) {
    std::vector<std::string> bays{tool.bay};
    bays.insert(bays.end(), tool.also_at.begin(), tool.also_at.end());
    return bays;
}
[[nodiscard]] inline bool is_at(const Tool& tool, const std::string& bay) noexcept {
    return tool.bay == bay || std::ranges::find(tool.also_at, bay) != tool.also_at.end();
}

// ---- simple devices on an I/O module --------------------------------------------------------------------

// A contact that gives pulses, with inclusive limits of their length.
struct PulseInput {
    std::chrono::milliseconds shortest{40};
    std::chrono::milliseconds longest{2000};
};
// A register in which the module counts the pulses itself.
struct CountInput {
    std::uint16_t highest = 65535;              // then 0
    std::chrono::milliseconds least_apart{50};  // of two pulses
};
// Confirms a step for whoever is signed on.
struct ButtonInput {
    PulseInput pulse;
    std::string step;  // id of what it confirms; empty: the one step that is open for that
};
// A sensor that sees the unit.
struct PresentInput {};
// A sensor that sees a movement.
struct MovedInput {
    std::string permissive;  // id
};
// A register in which the arm that holds a tool says at which fastener it is: 1 the first of the joint, 0
// none.
struct ArmInput {
    std::string tool;  // id
};

struct IoInput {
    std::string id;
    protocol::RegisterTable table = protocol::RegisterTable::discrete_inputs;
    std::uint16_t number = 0;         // zero-based wire offset
    std::optional<std::uint8_t> bit;  // of a register; 0 the lowest
    bool active_low = false;
    std::chrono::milliseconds debounce{20};
    std::variant<PulseInput, CountInput, ButtonInput, PresentInput, MovedInput, ArmInput> use;
};

// What a lamp of a stack light, or a sounder, says; the colours after IEC 60073.
enum class Signal : std::uint8_t { released, attention, wrong, action };
TAUTGATE_ENUM(Signal, released, attention, wrong, action);

// A coil that is on while one of the signals is up.
struct SignalOutput {
    std::vector<Signal> signals;
};
// A coil that is switched over with every poll while the station runs: what watches it notices when it stops.
struct AliveOutput {};

struct IoOutput {
    std::uint16_t number = 0;  // of the coil
    std::variant<SignalOutput, AliveOutput> use;
};

// A module of digital inputs and outputs that speaks Modbus.
struct IoModule {
    std::string id;
    std::string bay;
    std::string host;                  // of a TCP link
    std::optional<SerialLine> serial;  // instead of a host
    std::uint16_t port = 502;
    std::uint8_t unit = 1;
    std::chrono::milliseconds poll_interval{10};
    std::chrono::milliseconds silence_limit{500};
    std::chrono::milliseconds settling{1000};
    bool simulated = false;
    std::vector<IoInput> inputs;
    std::vector<IoOutput> outputs;
};

// A scanner connects to the station's scanner port, or hangs on a serial line of its own.
struct Scanner {
    std::string id;
    std::string bay;
    std::string peer;                       // address from which it may connect
    std::optional<SerialLine> serial = {};  // instead of a peer
    protocol::LabelEnd label_end = protocol::LabelEnd::line;
};

// From where orders come: files that somebody puts into a folder (protocol/ORDERS.md), and people. A station
// that has it builds nothing without an order that it knows.
struct OrderFeed {
    std::string folder;
    protocol::Separator separator = protocol::Separator::comma;
    // A file whose size and time stood still for so long is whole.
    std::chrono::milliseconds still_for{2000};
    // Who may type, send and cancel orders.
    std::vector<Role> entitled{Role::production_supervisor, Role::manufacturing_engineer};
};

struct NamedProfile {
    std::string id;
    std::variant<protocol::RegisterProfile, protocol::FrameProfile> profile;
};
// Nothing where there is no such profile, or one of the other kind.
[[nodiscard]] inline const protocol::RegisterProfile* register_profile(const NamedProfile* named) noexcept {
    return named == nullptr ? nullptr : std::get_if<protocol::RegisterProfile>(&named->profile);
}
[[nodiscard]] inline const protocol::FrameProfile* frame_profile(const NamedProfile* named) noexcept {
    return named == nullptr ? nullptr : std::get_if<protocol::FrameProfile>(&named->profile);
}
[[nodiscard]] inline const protocol::MeasuringRange& range_of(const NamedProfile& named) {
    return std::visit([](const auto& profile) -> const protocol::MeasuringRange& { return profile.range; },
                      named.profile);
}

// ---- people and time ----------------------------------------------------------------------------------

// How many people must agree that a joint counts without proof, and who they may be.
struct OverrideRule {
    RiskClass risk = RiskClass::a;
    std::uint32_t people = 2;
    std::vector<Role> roles;
    bool hand_checked_value = true;  // a measured value within the joint's audit window is required
};

// What people decide, beside overriding a joint and letting a unit leave incomplete.
enum class DecisionKind : std::uint8_t {
    take_back_override,
    accept_gap,
    accept_source,
    unlock_fastener,
    assign_result,
    set_result_aside,
    unit_still_here,
    unit_has_left,
    correct_ticket,
    accept_return,
    acknowledge_move,
    rearm_permissive,
    dispose_set_aside,
    accept_difference,
    place_hold,
    lift_hold,
    settle_order,
    accept_reuse,
    record_calibration,
    place_bypass,
    end_bypass,
    verify_restart,
    witness_joint,
    approve_rules,  // of the first of the two; anybody who is no operator may be the second
    unlock_person   // somebody who typed several wrong secrets
};
TAUTGATE_ENUM(DecisionKind, take_back_override, accept_gap, accept_source, unlock_fastener, assign_result,
              set_result_aside, unit_still_here, unit_has_left, correct_ticket, accept_return,
              acknowledge_move, rearm_permissive, dispose_set_aside, accept_difference, place_hold, lift_hold,
              settle_order, accept_reuse, record_calibration, place_bypass, end_bypass, verify_restart,
              witness_joint, approve_rules, unlock_person);

// A row of the authorisation matrix (entitlement.hpp).
struct DecisionRule {
    DecisionKind decision = DecisionKind::assign_result;
    std::optional<RiskClass> risk;  // none: every class that has no row of its own
    std::uint32_t people = 1;       // different ones who must agree
    std::vector<Role> roles;
};

// When wrong secrets lock a person, and for how long.
struct LockRule {
    std::uint32_t wrong_secrets = 5;
    std::chrono::seconds lasts{15 * 60};  // the first time; doubles with each lock until a right secret
};

struct ReasonCode {
    std::string code;
    std::string text;
};

struct PeopleRules {
    std::vector<OverrideRule> overrides;   // one per class
    std::vector<Role> leaving_incomplete;  // who may be one of the two
    std::vector<Role> decisions;           // who may answer what the station asks (gaps, unassigned results)
    std::vector<ReasonCode> reason_codes;
    std::uint32_t reason_text_min = 10;  // characters
    std::chrono::seconds sign_in_lasts{300};
    std::vector<DecisionRule> matrix;  // where `decisions` and the defaults do not do
    LockRule lock;
    std::chrono::days deputy_longest{14};  // that somebody may stand in for a role
};

// Who may have an empty bay's permissives shown as released to try the wiring, and for how long.
struct WiringTests {
    std::vector<Role> roles{Role::maintenance, Role::manufacturing_engineer};
    std::chrono::seconds limit{120};
};

struct Shift {
    std::string name;
    std::chrono::minutes begin{0};           // of the local day
    std::chrono::minutes end{0};             // earlier than begin: the shift ends on the next day
    std::vector<std::chrono::weekday> days;  // days on which it begins; that day is its date
};

struct Calendar {
    std::string zone;  // IANA name
    std::vector<Shift> shifts;
};

// ---- the whole ----------------------------------------------------------------------------------------

struct Station {
    std::string id;
    std::uint16_t number = 1;  // on the wire
    std::string name;
    std::string site;
    std::string journal;                // path of the database file
    Endpoint api;                       // HTTP
    std::optional<Endpoint> tool_port;  // line protocol
    std::optional<Endpoint> scanner_port;
    std::optional<OrderFeed> orders;
    std::chrono::milliseconds sync_limit{5000};  // a sync outstanding for longer withholds
    std::vector<Bay> bays;
    std::vector<Tool> tools;
    std::vector<Scanner> scanners;
    std::vector<IoModule> io;
    std::vector<NamedProfile> profiles;
    std::vector<protocol::TicketRule> tickets;
    std::vector<Permissive> permissives;
    std::vector<Joint> joints;
    std::vector<Plan> plans;
    std::vector<Variant> variants;
    PairRule pair;
    PeopleRules people;
    WiringTests wiring_tests;
    Calendar calendar;
};

// Whether a tightening of the joint counts when its curve does not come or is none; never in class A.
[[nodiscard]] inline bool counts_without(const Joint& joint, const CurveWindow& curve) noexcept {
    return joint.risk != RiskClass::a && curve.without == WithoutCurve::accept;
}

// How many inputs tell where the arm of the tool is.
[[nodiscard]] inline std::size_t arms_of(const Station& station, std::string_view tool) noexcept {
    std::size_t arms = 0;
    for (const IoModule& module : station.io) {
        arms += static_cast<std::size_t>(std::ranges::count_if(module.inputs, [&](const IoInput& input) {
            const auto* arm = std::get_if<ArmInput>(&input.use);
            return arm != nullptr && arm->tool == tool;
        }));
    }
    return arms;
}

[[nodiscard]] inline const NamedProfile* profile_named(const Station& station, std::string_view id) noexcept {
    const auto found = std::ranges::find(station.profiles, id, &NamedProfile::id);
    return found == station.profiles.end() ? nullptr : &*found;
}
// The id of the profile that the link names; nothing where links of its kind have none.
[[nodiscard]] inline const std::string* profile_id(const Tool& tool) noexcept {
    if (const auto* registers = std::get_if<RegisterLink>(&tool.link))
        return &registers->profile;
    if (const auto* frames = std::get_if<FrameLink>(&tool.link))
        return &frames->profile;
    return nullptr;
}
// How the tool is to be understood; nothing where its link is of another kind, or names no profile of its
// own.
[[nodiscard]] inline const protocol::RegisterProfile* register_profile(const Station& station,
                                                                       const Tool& tool) noexcept {
    const auto* link = std::get_if<RegisterLink>(&tool.link);
    return link == nullptr ? nullptr : register_profile(profile_named(station, link->profile));
}
[[nodiscard]] inline const protocol::FrameProfile* frame_profile(const Station& station,
                                                                 const Tool& tool) noexcept {
    const auto* link = std::get_if<FrameLink>(&tool.link);
    return link == nullptr ? nullptr : frame_profile(profile_named(station, link->profile));
}

}  // namespace tautgate::config
