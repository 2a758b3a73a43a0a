#include "config/reader.hpp"

#include <algorithm>
#include <utility>

#include <boost/describe/enumerators.hpp>
#include <boost/mp11/algorithm.hpp>
#include <fmt/format.h>

#include "config/check.hpp"
#include "config/document.hpp"
#include "config/parts.hpp"
#include "config/shift.hpp"
#include "config/whole_file.hpp"

namespace tautgate::config {

// ---- quantities -----------------------------------------------------------------------------------------

OneOf<protocol::TorqueUnit> torque_unit_word() {
    using protocol::TorqueUnit;
    std::vector<std::pair<std::string, TorqueUnit>> words;
    for (const auto unit :
         {TorqueUnit::newton_metre, TorqueUnit::centinewton_metre, TorqueUnit::pound_force_foot,
          TorqueUnit::pound_force_inch, TorqueUnit::kilogram_force_metre}) {
        words.emplace_back(protocol::symbol(unit), unit);
    }
    return OneOf(std::move(words));
}

OneOf<DegreeWord> degree_word() { return OneOf<DegreeWord>({{"deg", DegreeWord{}}}); }

namespace {

template <class Quantity>
void take_quantity(Errors& errors, const Node& node, const std::string& pointer, const std::string& digits,
                   const std::expected<Quantity, protocol::Unusable>& value, Quantity& out) {
    constexpr double highest = 1e9;
    if (value && node.number <= highest) {
        out = *value;
        return;
    }
    const auto why = value ? protocol::Unusable::too_large : value.error();
    errors.add(node, pointer, fmt::format("{} {}", digits, protocol::to_text(why)),
               "give a number from 0 to 1000000000 with at most 18 digits");
}

struct RawAngle {
    std::string value;
    DegreeWord unit;
};

Shape<RawQuantity> torque_quantity_shape() {
    return Shape<RawQuantity>()
        .required("value", &RawQuantity::value, Digits{})
        .required("unit", &RawQuantity::unit, torque_unit_word());
}

Shape<RawAngle> angle_quantity_shape() {
    return Shape<RawAngle>()
        .required("value", &RawAngle::value, Digits{})
        .required("unit", &RawAngle::unit, degree_word());
}

const Node& member_or_self(const Node& node, std::string_view key) {
    const Node* found = node.find(key);
    return found == nullptr ? node : *found;
}

}  // namespace

void read_torque(Errors& errors, const Node& node, const std::string& pointer, const std::string& digits,
                 protocol::TorqueUnit unit, protocol::Torque& out) {
    take_quantity(errors, node, pointer, digits, protocol::torque_from_text(digits, unit, Torque{1}), out);
}

void read_angle(Errors& errors, const Node& node, const std::string& pointer, const std::string& digits,
                protocol::Angle& out) {
    take_quantity(errors, node, pointer, digits, protocol::angle_from_text(digits, Angle{1}), out);
}

void TorqueQuantity::read(Errors& errors, const Node& node, const std::string& pointer,
                          protocol::Torque& out) const {
    const auto before = errors.count();
    RawQuantity raw;
    static const auto shape = torque_quantity_shape();
    shape.read(errors, node, pointer, raw);
    if (errors.count() == before) {
        read_torque(errors, member_or_self(node, "value"), pointer + "/value", raw.value, raw.unit, out);
    }
}

void TorqueQuantity::list(const std::string& path, std::vector<KnownKey>& keys) const {
    torque_quantity_shape().list(path, keys);
}

void AngleQuantity::read(Errors& errors, const Node& node, const std::string& pointer,
                         protocol::Angle& out) const {
    const auto before = errors.count();
    RawAngle raw;
    static const auto shape = angle_quantity_shape();
    shape.read(errors, node, pointer, raw);
    if (errors.count() == before) {
        read_angle(errors, member_or_self(node, "value"), pointer + "/value", raw.value, out);
    }
}

void AngleQuantity::list(const std::string& path, std::vector<KnownKey>& keys) const {
    angle_quantity_shape().list(path, keys);
}

// ---- the parts of a station -------------------------------------------------------------------------------

namespace {

constexpr std::int64_t highest_16_bit = 65535;
constexpr std::int64_t highest_unit = 255;
constexpr std::int64_t minute_ms = 60'000;

OneOf<RiskClass> risk_class_word() {
    return OneOf<RiskClass>({{"A", RiskClass::a}, {"B", RiskClass::b}, {"C", RiskClass::c}});
}

OneOf<Role> role_word() {
    return OneOf<Role>({{"line_operator", Role::line_operator},
                        {"production_supervisor", Role::production_supervisor},
                        {"quality_engineer", Role::quality_engineer},
                        {"manufacturing_engineer", Role::manufacturing_engineer},
                        {"maintenance", Role::maintenance},
                        {"administrator", Role::administrator}});
}

// -- windows

struct RawTorqueWindow {
    protocol::TorqueUnit unit = protocol::TorqueUnit::newton_metre;
    std::string min;
    std::string max;
    std::optional<std::string> target;
};

auto torque_window() {
    auto shape = Shape<RawTorqueWindow>()
                     .required("unit", &RawTorqueWindow::unit, torque_unit_word())
                     .required("min", &RawTorqueWindow::min, Digits{})
                     .required("max", &RawTorqueWindow::max, Digits{})
                     .optional("target", &RawTorqueWindow::target, Digits{});
    const auto convert = [](const RawTorqueWindow& raw, Errors& errors, const Node& node,
                            const std::string& pointer, TorqueWindow& out) {
        read_torque(errors, *node.find("min"), pointer + "/min", raw.min, raw.unit, out.min);
        read_torque(errors, *node.find("max"), pointer + "/max", raw.max, raw.unit, out.max);
        if (raw.target) {
            read_torque(errors, *node.find("target"), pointer + "/target", *raw.target, raw.unit,
                        out.target.emplace());
        }
    };
    return Converted{std::move(shape), convert};
}

struct RawAngleWindow {
    DegreeWord unit;
    std::string min;
    std::string max;
    AngleOrigin origin = AngleOrigin::start;
    std::optional<Torque> threshold;
};

auto angle_window() {
    auto shape = Shape<RawAngleWindow>()
                     .required("unit", &RawAngleWindow::unit, degree_word())
                     .required("min", &RawAngleWindow::min, Digits{})
                     .required("max", &RawAngleWindow::max, Digits{})
                     .required("origin", &RawAngleWindow::origin,
                               OneOf<AngleOrigin>({{"start", AngleOrigin::start},
                                                   {"threshold_torque", AngleOrigin::threshold_torque},
                                                   {"snug_point", AngleOrigin::snug_point},
                                                   {"step_change", AngleOrigin::step_change}}))
                     .optional("threshold", &RawAngleWindow::threshold, TorqueQuantity{});
    const auto convert = [](const RawAngleWindow& raw, Errors& errors, const Node& node,
                            const std::string& pointer, AngleWindow& out) {
        read_angle(errors, *node.find("min"), pointer + "/min", raw.min, out.min);
        read_angle(errors, *node.find("max"), pointer + "/max", raw.max, out.max);
        out.origin = raw.origin;
        out.threshold = raw.threshold;
    };
    return Converted{std::move(shape), convert};
}

Shape<Window> window_shape() {
    return Shape<Window>()
        .required("torque", &Window::torque, torque_window())
        .optional("angle", &Window::angle, angle_window())
        .optional("curve", &Window::curve, curve_window_shape());
}

// -- joints

Shape<CheckPass> check_pass_shape() {
    constexpr std::int64_t longest_wait_s = 86'400;
    return Shape<CheckPass>().required("wait_s", &CheckPass::wait, Whole(0, longest_wait_s));
}

Shape<Pass> pass_shape() {
    return Shape<Pass>()
        .required("name", &Pass::name, Text())
        .optional("program", &Pass::program, Text())
        .required("window", &Pass::window, window_shape())
        .optional("check", &Pass::check, check_pass_shape());
}

Shape<Retry> retry_shape() {
    constexpr std::int64_t most_attempts = 20;
    return Shape<Retry>()
        .optional("attempts", &Retry::attempts, Whole(1, most_attempts))
        .optional("loosening_between", &Retry::loosening_between, Flag{})
        .optional("replace_fastener", &Retry::replace_fastener, Flag{});
}

Shape<Fastener> fastener_shape() {
    constexpr std::int64_t far_mm = 100'000;
    return Shape<Fastener>()
        .required("name", &Fastener::name, Text())
        .optional("x_mm", &Fastener::x_mm, Whole(-far_mm, far_mm))
        .optional("y_mm", &Fastener::y_mm, Whole(-far_mm, far_mm));
}

Shape<FrictionRange> friction_shape() {
    return Shape<FrictionRange>()
        .required("min", &FrictionRange::min, DecimalNumber{})
        .required("max", &FrictionRange::max, DecimalNumber{});
}

OneOf<Method> method_word() {
    return OneOf<Method>({{"tightening", Method::tightening},
                          {"confirmed_check", Method::confirmed_check},
                          {"click", Method::click}});
}

OneOf<Placement> placement_word() {
    return OneOf<Placement>({{"listed", Placement::listed},
                             {"counted", Placement::counted},
                             {"by_tool", Placement::by_tool},
                             {"by_arm", Placement::by_arm},
                             {"selected", Placement::selected}});
}

// What differs from the joint as it is planned.
struct RawAlternate : Alternate {
    std::optional<Method> method;
    std::optional<Placement> placement;
    std::optional<std::vector<Pass>> passes;
    std::vector<std::string> tools;
};

Shape<RawAlternate> alternate_shape() {
    constexpr std::int64_t month_h = 31 * 24;
    constexpr std::int64_t many_units = 10'000;
    return Shape<RawAlternate>()
        .required("id", &RawAlternate::id, Identifier{})
        .required("name", &RawAlternate::name, Text())
        .required("longest_hours", &RawAlternate::longest, Whole(1, month_h))
        .required("most_units", &RawAlternate::most_units, Whole(1, many_units))
        .optional("witness", &RawAlternate::witness, Flag{})
        .optional("method", &RawAlternate::method, method_word())
        .optional("placement", &RawAlternate::placement, placement_word())
        .optional("passes", &RawAlternate::passes, ListOf(pass_shape(), 0, 8))
        .optional("tools", &RawAlternate::tools, ListOf(Identifier{}, 0, 16));
}

struct RawJoint : Joint {
    std::vector<RawAlternate> others;
};

// A click measures nothing: its one pass is ours, and neither angle nor loosening is ever seen.
void make_click(Joint& joint) { joint.passes = {{.name = "click", .program = {}, .window = {}}}; }

Joint done_otherwise(const Joint& planned, const RawAlternate& raw) {
    Joint joint = planned;
    joint.alternate = static_cast<const Alternate&>(raw);
    joint.method = raw.method.value_or(planned.method);
    joint.placement = raw.placement.value_or(planned.placement);
    joint.tools = raw.tools;
    joint.passes = raw.passes.value_or(planned.passes);
    if (joint.method == Method::tightening)
        return joint;
    joint.passes = raw.passes.value_or(std::vector<Pass>{});
    joint.rehit_angle_max.reset();
    joint.retry.loosening_between = false;
    if (joint.method == Method::click)
        make_click(joint);
    return joint;
}

// "passes" of what measures nothing.
void refuse_passes(Errors& errors, const Node& node, const std::string& pointer) {
    if (const Node* passes = node.find("passes"); passes != nullptr && !passes->items.empty())
        errors.add(*passes, pointer + "/passes",
                   "a click measures nothing, so that no window of a pass could be judged",
                   "remove the passes, or use the method tightening");
}

auto joint() {
    auto shape = Shape<RawJoint>()
                     .required("id", &Joint::id, Identifier{})
                     .required("name", &Joint::name, Text())
                     .required("risk_class", &Joint::risk, risk_class_word())
                     .optional("method", &Joint::method, method_word())
                     .optional("thread", &Joint::thread, Text())
                     .optional("property_class", &Joint::property_class, Text())
                     .optional("friction", &Joint::friction, friction_shape())
                     .required("fasteners", &Joint::fasteners, ListOf(fastener_shape(), 1))
                     .optional("placement", &Joint::placement, placement_word())
                     .optional("passes", &Joint::passes, ListOf(pass_shape(), 0, 8))
                     .optional("tools", &Joint::tools, ListOf(Identifier{}, 0, 16))
                     .optional("retry", &Joint::retry, retry_shape())
                     .optional("rehit_angle_max", &Joint::rehit_angle_max, AngleQuantity{})
                     .optional("audit", &Joint::audit, torque_window())
                     .optional("alternates", &RawJoint::others, ListOf(alternate_shape(), 0, 8));
    const auto convert = [](RawJoint raw, Errors& errors, const Node& node, const std::string& pointer,
                            Joint& out) {
        if (raw.method == Method::click) {
            refuse_passes(errors, node, pointer);
            make_click(raw);
        }
        out = static_cast<const Joint&>(raw);
        for (std::size_t index = 0; index < raw.others.size(); ++index) {
            Joint other = done_otherwise(raw, raw.others[index]);
            if (other.method == Method::click)
                refuse_passes(errors, node.find("alternates")->items[index],
                              fmt::format("{}/alternates/{}", pointer, index));
            out.alternates.push_back(std::move(other));
        }
    };
    return Converted{std::move(shape), convert, Needs::what_could_be_read};
}

// -- plans

struct RawStep {
    std::optional<std::string> scan;
    std::optional<std::string> tighten;
    std::optional<ConfirmStep> confirm;
};

auto step() {
    auto confirm = Shape<ConfirmStep>()
                       .required("id", &ConfirmStep::id, Identifier{})
                       .required("text", &ConfirmStep::text, Text());
    auto shape = Shape<RawStep>()
                     .optional("scan", &RawStep::scan, Identifier{})
                     .optional("tighten", &RawStep::tighten, Identifier{})
                     .optional("confirm", &RawStep::confirm, std::move(confirm));
    const auto convert = [](const RawStep& raw, Errors& errors, const Node& node, const std::string& pointer,
                            Step& out) {
        const int given =
            int{raw.scan.has_value()} + int{raw.tighten.has_value()} + int{raw.confirm.has_value()};
        if (given != 1) {
            errors.add(node, pointer,
                       fmt::format("the step has {} of the keys scan, tighten and confirm", given),
                       "give exactly one of them");
        } else if (raw.scan) {
            out = ScanStep{.ticket_kind = *raw.scan};
        } else if (raw.tighten) {
            out = TightenStep{.joint = *raw.tighten};
        } else {
            out = *raw.confirm;
        }
    };
    return Converted{std::move(shape), convert};
}

Shape<Stage> stage_shape() {
    return Shape<Stage>()
        .required("name", &Stage::name, Text())
        .required("steps", &Stage::steps, ListOf(step(), 1));
}

Shape<LeavingIncomplete> leaving_shape() {
    return Shape<LeavingIncomplete>()
        .optional("permissives", &LeavingIncomplete::permissives, ListOf(Identifier{}))
        .optional("unguarded_way", &LeavingIncomplete::unguarded_way, Text());
}

Shape<Plan> plan_shape() {
    return Shape<Plan>()
        .required("id", &Plan::id, Identifier{})
        .required("name", &Plan::name, Text())
        .required("revision", &Plan::revision, Text())
        .required("stages", &Plan::stages, ListOf(stage_shape(), 1))
        .required("leaving_incomplete", &Plan::leaving_incomplete, leaving_shape());
}

Shape<Variant> variant_shape() {
    auto types = Shape<TypesOfKind>()
                     .required("ticket_kind", &TypesOfKind::ticket_kind, Identifier{})
                     .required("types", &TypesOfKind::types, ListOf(Text(), 1));
    return Shape<Variant>()
        .required("id", &Variant::id, Identifier{})
        .required("name", &Variant::name, Text())
        .required("plan", &Variant::plan, Identifier{})
        .required("types", &Variant::types, ListOf(std::move(types), 1));
}

Shape<PairRule> pair_shape() {
    return Shape<PairRule>()
        .required("ticket_kinds", &PairRule::ticket_kinds, ListOf(Identifier{}, 1))
        .optional("same_order", &PairRule::same_order, Flag{})
        .required("unit_kind", &PairRule::unit_kind, Identifier{})
        .required("variant_kind", &PairRule::variant_kind, Identifier{});
}

// -- equipment

Shape<Bay> bay_shape() {
    constexpr std::size_t most_further_controllers = 8;
    return Shape<Bay>()
        .required("id", &Bay::id, Identifier{})
        .required("number", &Bay::number, Whole(1, highest_16_bit))
        .required("name", &Bay::name, Text())
        .required("controller", &Bay::controller, ControllerObject{})
        .optional("further_controllers", &Bay::further_controllers,
                  ListOf(FurtherControllerObject{}, 1, most_further_controllers))
        .optional("simulated", &Bay::simulated, Flag{});
}

Shape<Permissive> permissive_shape() {
    return Shape<Permissive>()
        .required("id", &Permissive::id, Identifier{})
        .required("number", &Permissive::number, Whole(1, highest_16_bit))
        .required("bay", &Permissive::bay, Identifier{})
        .required("name", &Permissive::name, Text())
        .required("movement", &Permissive::movement, Text())
        .optional("leaving", &Permissive::leaving, Flag{})
        .optional("one_shot", &Permissive::one_shot, Flag{})
        .optional("scope", &Permissive::scope,
                  OneOf<Scope>({{"every_joint", Scope::every_joint},
                                {"classes", Scope::classes},
                                {"stages", Scope::stages}}))
        .optional("classes", &Permissive::classes, ListOf(risk_class_word(), 0, 3))
        .optional("through_stage", &Permissive::through_stage, Text())
        .optional("moves_to", &Permissive::moves_to, Identifier{});
}

struct RawLink {
    std::optional<LineLink> line;
    std::optional<RegisterLink> registers;
    std::optional<PulseLink> pulse;
    std::optional<FrameLink> frames;
};

auto tool_link() {
    auto line = Shape<LineLink>()
                    .required("peer", &LineLink::peer, IpAddress{})
                    .optional("key", &LineLink::key, Text());
    auto registers = Shape<RegisterLink>()
                         .optional("host", &RegisterLink::host, Host{})
                         .optional("serial", &RegisterLink::serial, serial_line_shape())
                         .optional("port", &RegisterLink::port, Whole(1, highest_16_bit))
                         .optional("unit", &RegisterLink::unit, Whole(0, highest_unit))
                         .required("profile", &RegisterLink::profile, Identifier{})
                         .optional("poll_interval_ms", &RegisterLink::poll_interval, Whole(10, minute_ms));
    auto pulse = Shape<PulseLink>()
                     .required("io", &PulseLink::io, Identifier{})
                     .required("input", &PulseLink::input, Identifier{});
    auto shape = Shape<RawLink>()
                     .optional("line", &RawLink::line, std::move(line))
                     .optional("registers", &RawLink::registers, std::move(registers))
                     .optional("pulse", &RawLink::pulse, std::move(pulse))
                     .optional("frames", &RawLink::frames, FrameLinkObject{});
    const auto convert = [](const RawLink& raw, Errors& errors, const Node& node, const std::string& pointer,
                            decltype(Tool::link)& out) {
        const int given = int{raw.line.has_value()} + int{raw.registers.has_value()} +
                          int{raw.pulse.has_value()} + int{raw.frames.has_value()};
        if (raw.registers && raw.registers->host.empty() != raw.registers->serial.has_value()) {
            errors.add(node, pointer + "/registers",
                       raw.registers->serial ? "the link has both host and serial"
                                             : "the link names no way to the tool",
                       "give either host or serial");
        } else if (given != 1) {
            errors.add(node, pointer,
                       fmt::format("the link has {} of the keys line, registers, pulse and frames", given),
                       "give exactly one of them");
        } else if (raw.line) {
            out = *raw.line;
        } else if (raw.registers) {
            out = *raw.registers;
        } else if (raw.pulse) {
            out = *raw.pulse;
        } else {
            out = *raw.frames;
        }
    };
    return Converted{std::move(shape), convert};
}

struct ToolTorque {
    protocol::TorqueUnit unit = protocol::TorqueUnit::newton_metre;
    std::string min;
    std::string max;
    std::string resolution;
};

struct ToolAngle {
    DegreeWord unit;
    std::string resolution;
};

struct TorqueRange {
    Torque min;
    Torque max;
    Torque resolution;
};

auto tool_torque() {
    auto shape = Shape<ToolTorque>()
                     .required("unit", &ToolTorque::unit, torque_unit_word())
                     .required("min", &ToolTorque::min, Digits{})
                     .required("max", &ToolTorque::max, Digits{})
                     .required("resolution", &ToolTorque::resolution, Digits{});
    const auto convert = [](const ToolTorque& raw, Errors& errors, const Node& node,
                            const std::string& pointer, TorqueRange& out) {
        read_torque(errors, *node.find("min"), pointer + "/min", raw.min, raw.unit, out.min);
        read_torque(errors, *node.find("max"), pointer + "/max", raw.max, raw.unit, out.max);
        read_torque(errors, *node.find("resolution"), pointer + "/resolution", raw.resolution, raw.unit,
                    out.resolution);
    };
    return Converted{std::move(shape), convert};
}

auto tool_angle() {
    auto shape = Shape<ToolAngle>()
                     .required("unit", &ToolAngle::unit, degree_word())
                     .required("resolution", &ToolAngle::resolution, Digits{});
    const auto convert = [](const ToolAngle& raw, Errors& errors, const Node& node,
                            const std::string& pointer, Angle& out) {
        read_angle(errors, *node.find("resolution"), pointer + "/resolution", raw.resolution, out);
    };
    return Converted{std::move(shape), convert};
}

Shape<ToolControl> tool_control() {
    return Shape<ToolControl>().optional("answer_within_ms", &ToolControl::answer_within,
                                         Whole(50, minute_ms));
}

// A tool as the file has it: its torque range stands in one object, with one unit.
struct RawTool : Tool {
    std::optional<TorqueRange> torque;
    std::optional<Angle> angle;
};

// A wrench that only clicks has no range of ours; every other tool states what it can measure.
void check_measures(Errors& errors, const Node& node, const std::string& pointer, const RawTool& raw) {
    const bool measures = !std::holds_alternative<PulseLink>(raw.link);
    const auto one = [&](const char* key, bool given) {
        const Node* found = node.find(key);
        if (measures && found == nullptr)
            errors.add(node, pointer, fmt::format("the key \"{}\" is missing", key), "add it");
        else if (!measures && given)
            errors.add(*found, pointer + "/" + key, "a wrench that only clicks measures nothing",
                       "remove it");
    };
    one("torque", raw.torque.has_value());
    one("angle", raw.angle.has_value());
}

// One late answer of a tool that is polled seldom is no lost link.
std::chrono::milliseconds silence_limit_unless_given(const Tool& tool) {
    constexpr int polls = 3;
    const auto* polled = std::get_if<RegisterLink>(&tool.link);
    return polled != nullptr ? std::max(tool.silence_limit, polls * polled->poll_interval)
                             : tool.silence_limit;
}

Shape<CalibrationRule> calibration() {
    constexpr std::int64_t ten_years = 3'653;
    return Shape<CalibrationRule>()
        .required("every_days", &CalibrationRule::every, Whole(1, ten_years))
        .optional("warn_days", &CalibrationRule::warn, Whole(0, ten_years));
}

auto tool() {
    constexpr std::int64_t longest_run_ms = 600'000;
    auto shape = Shape<RawTool>()
                     .required("id", &RawTool::id, Identifier{})
                     .required("name", &RawTool::name, Text())
                     .required("bay", &RawTool::bay, Identifier{})
                     .optional("also_at", &RawTool::also_at, ListOf(Identifier{}, 1, 16))
                     .required("link", &RawTool::link, tool_link())
                     .optional("control", &RawTool::control, tool_control())
                     .optional("simulated", &RawTool::simulated, Flag{})
                     .optional("torque", &RawTool::torque, tool_torque())
                     .optional("angle", &RawTool::angle, tool_angle())
                     .optional("calibration", &RawTool::calibration, calibration())
                     .optional("scatter_percent", &RawTool::scatter_percent, DecimalNumber{})
                     .optional("silence_limit_ms", &RawTool::silence_limit, Whole(100, minute_ms))
                     .optional("settling_ms", &RawTool::settling, Whole(0, minute_ms))
                     .optional("longest_run_ms", &RawTool::longest_run, Whole(100, longest_run_ms));
    const auto convert = [](RawTool raw, Errors& errors, const Node& node, const std::string& pointer,
                            Tool& out) {
        check_measures(errors, node, pointer, raw);
        const TorqueRange range = raw.torque.value_or(TorqueRange{});
        raw.torque_min = range.min;
        raw.torque_max = range.max;
        raw.torque_resolution = range.resolution;
        raw.angle_resolution = raw.angle.value_or(Angle{});
        if (node.find("silence_limit_ms") == nullptr)
            raw.silence_limit = silence_limit_unless_given(raw);
        out = static_cast<const Tool&>(raw);
    };
    return Converted{std::move(shape), convert, Needs::what_could_be_read};
}

Shape<Endpoint> endpoint_shape() {
    return Shape<Endpoint>()
        .optional("address", &Endpoint::address, IpAddress{})
        .required("port", &Endpoint::port, Whole(0, highest_16_bit));
}

Shape<OrderFeed> order_feed_shape() {
    using protocol::Separator;
    return Shape<OrderFeed>()
        .required("folder", &OrderFeed::folder, Text(1000))
        .required("separator", &OrderFeed::separator,
                  OneOf<Separator>({{"comma", Separator::comma}, {"semicolon", Separator::semicolon}}))
        .optional("still_for_ms", &OrderFeed::still_for, Whole(100, minute_ms))
        .optional("entitled", &OrderFeed::entitled, ListOf(role_word()));
}

// A profile as the file has it.
struct RawProfile {
    std::string id;
    std::optional<protocol::RegisterProfile> layout;
    std::optional<protocol::FrameProfile> frames;
};

auto named_profile() {
    auto shape = Shape<RawProfile>()
                     .required("id", &RawProfile::id, Identifier{})
                     .optional("layout", &RawProfile::layout, register_profile_shape())
                     .optional("frames", &RawProfile::frames, frame_profile_shape());
    const auto convert = [](RawProfile raw, Errors& errors, const Node& node, const std::string& pointer,
                            NamedProfile& out) {
        out.id = std::move(raw.id);
        if (raw.layout.has_value() == raw.frames.has_value())
            errors.add(node, pointer,
                       fmt::format("the profile has {} of the keys layout and frames", raw.layout ? 2 : 0),
                       "give layout of a tool that is polled, or frames of one that sends its results");
        else if (raw.layout)
            out.profile = std::move(*raw.layout);
        else
            out.profile = std::move(*raw.frames);
    };
    return Converted{std::move(shape), convert, Needs::what_could_be_read};
}

// -- people and time

template <class Enum>
OneOf<Enum> enumerator_word() {
    std::vector<std::pair<std::string, Enum>> words;
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<Enum>>(
        [&](auto each) { words.emplace_back(each.name, each.value); });
    return OneOf<Enum>(std::move(words));
}

Shape<DecisionRule> decision_rule_shape() {
    return Shape<DecisionRule>()
        .required("decision", &DecisionRule::decision, enumerator_word<DecisionKind>())
        .optional("risk_class", &DecisionRule::risk, risk_class_word())
        .optional("people", &DecisionRule::people, Whole(1, 2))
        .required("roles", &DecisionRule::roles, ListOf(role_word()));
}

Shape<LockRule> lock_shape() {
    constexpr std::int64_t shortest_lock_s = 60;
    constexpr std::int64_t longest_lock_s = 14'400;
    return Shape<LockRule>()
        .optional("wrong_secrets", &LockRule::wrong_secrets, Whole(3, 10))
        .optional("lasts_s", &LockRule::lasts, Whole(shortest_lock_s, longest_lock_s));
}

Shape<PeopleRules> people_shape() {
    auto rule = Shape<OverrideRule>()
                    .required("risk_class", &OverrideRule::risk, risk_class_word())
                    .optional("people", &OverrideRule::people, Whole(1, 2))
                    .required("roles", &OverrideRule::roles, ListOf(role_word()))
                    .optional("hand_checked_value", &OverrideRule::hand_checked_value, Flag{});
    auto reason = Shape<ReasonCode>()
                      .required("code", &ReasonCode::code, Identifier{})
                      .required("text", &ReasonCode::text, Text());
    constexpr std::int64_t longest_sign_in_s = 28'800;
    constexpr std::int64_t longest_deputy_days = 92;
    return Shape<PeopleRules>()
        .required("overrides", &PeopleRules::overrides, ListOf(std::move(rule)))
        .required("leaving_incomplete", &PeopleRules::leaving_incomplete, ListOf(role_word()))
        .required("decisions", &PeopleRules::decisions, ListOf(role_word()))
        .required("reason_codes", &PeopleRules::reason_codes, ListOf(std::move(reason), 1))
        .optional("reason_text_min", &PeopleRules::reason_text_min, Whole(0, 200))
        .optional("sign_in_lasts_s", &PeopleRules::sign_in_lasts, Whole(10, longest_sign_in_s))
        .optional("matrix", &PeopleRules::matrix, ListOf(decision_rule_shape()))
        .optional("lock", &PeopleRules::lock, lock_shape())
        .optional("deputy_longest_days", &PeopleRules::deputy_longest, Whole(1, longest_deputy_days));
}

Shape<WiringTests> wiring_tests_shape() {
    return Shape<WiringTests>()
        .optional("roles", &WiringTests::roles, ListOf(role_word()))
        .optional("limit_s", &WiringTests::limit, Whole(10, 1800));
}

Shape<Calendar> calendar_shape() {
    using std::chrono::weekday;
    auto day = OneOf<weekday>({{"monday", std::chrono::Monday},
                               {"tuesday", std::chrono::Tuesday},
                               {"wednesday", std::chrono::Wednesday},
                               {"thursday", std::chrono::Thursday},
                               {"friday", std::chrono::Friday},
                               {"saturday", std::chrono::Saturday},
                               {"sunday", std::chrono::Sunday}});
    auto shift = Shape<Shift>()
                     .required("name", &Shift::name, Text())
                     .required("begin", &Shift::begin, TimeOfDay{})
                     .required("end", &Shift::end, TimeOfDay{})
                     .required("days", &Shift::days, ListOf(std::move(day), 1, 7));
    return Shape<Calendar>()
        .required("zone", &Calendar::zone, Text())
        .required("shifts", &Calendar::shifts, ListOf(std::move(shift)));
}

// -- the whole

Shape<Station> station_shape() {
    return Shape<Station>()
        .required("id", &Station::id, Identifier{})
        .optional("number", &Station::number, Whole(1, highest_16_bit))
        .required("name", &Station::name, Text())
        .required("site", &Station::site, Text())
        .required("journal", &Station::journal, Text(1000))
        .required("api", &Station::api, endpoint_shape())
        .optional("tool_port", &Station::tool_port, endpoint_shape())
        .optional("scanner_port", &Station::scanner_port, endpoint_shape())
        .optional("orders", &Station::orders, order_feed_shape())
        .optional("sync_limit_ms", &Station::sync_limit, Whole(100, minute_ms))
        .required("bays", &Station::bays, ListOf(bay_shape(), 1, 64))
        .required("tools", &Station::tools, ListOf(tool(), 0, 64))
        .optional("scanners", &Station::scanners, ListOf(ScannerObject{}, 0, 64))
        .optional("io", &Station::io, ListOf(IoModuleObject{}, 0, 16))
        .optional("profiles", &Station::profiles, ListOf(named_profile(), 0, 64))
        .required("tickets", &Station::tickets, ListOf(TicketRuleObject{}, 1, 16))
        .required("permissives", &Station::permissives, ListOf(permissive_shape(), 1, 64))
        .required("joints", &Station::joints, ListOf(joint(), 1))
        .required("plans", &Station::plans, ListOf(plan_shape(), 1))
        .required("variants", &Station::variants, ListOf(variant_shape(), 1))
        .required("pair", &Station::pair, pair_shape())
        .required("people", &Station::people, people_shape())
        .optional("wiring_tests", &Station::wiring_tests, wiring_tests_shape())
        .required("calendar", &Station::calendar, calendar_shape());
}

// ---- files ------------------------------------------------------------------------------------------------

std::expected<std::string, ConfigError> text_of(const std::filesystem::path& path) {
    constexpr std::uintmax_t longest_description = std::uintmax_t{64} * 1024 * 1024;
    auto text = whole_file(path, longest_description);
    if (text)
        return std::move(*text);
    return std::unexpected(ConfigError{.severity = Severity::error,
                                       .file = path.string(),
                                       .line = 0,
                                       .column = 0,
                                       .pointer = {},
                                       .found = std::move(text.error()),
                                       .allowed = "give the path of a readable configuration file",
                                       .nearest = {}});
}

template <class FindingsOfSomething>
bool has_error(const FindingsOfSomething& findings) {
    return std::any_of(findings.begin(), findings.end(),
                       [](const auto& finding) { return finding.severity == Severity::error; });
}

struct Reading {
    Node root;
    Station station;  // as far as it could be read
    std::vector<ConfigError> errors;
};

Reading read(std::string_view text, const std::string& file_name) {
    Reading reading;
    auto root = parse_document(text);
    if (!root) {
        reading.errors.push_back({.severity = Severity::error,
                                  .file = file_name,
                                  .line = root.error().place.line,
                                  .column = root.error().place.column,
                                  .pointer = {},
                                  .found = fmt::format("this is no JSON: {}", root.error().what),
                                  .allowed = root.error().remedy,
                                  .nearest = {}});
        return reading;
    }
    reading.root = *std::move(root);
    Errors errors(file_name);
    static const auto shape = station_shape();
    shape.read(errors, reading.root, "", reading.station);
    reading.errors = errors.take();
    return reading;
}

// Whether a finding at `pointer` could be a consequence of an error at `damaged`: the same value, one within
// the other, or members of the same object below the whole.
bool touched_by(std::string_view pointer, std::string_view damaged) {
    const auto within = [](std::string_view inner, std::string_view outer) {
        return inner.starts_with(outer) && (inner.size() == outer.size() || inner[outer.size()] == '/');
    };
    const auto slash = damaged.rfind('/');
    if (slash == std::string_view::npos) {
        return false;  // a key of the whole: checks of one part do not look beyond the part
    }
    const bool is_item = std::all_of(damaged.begin() + static_cast<std::ptrdiff_t>(slash) + 1, damaged.end(),
                                     [](char c) { return c >= '0' && c <= '9'; });
    const auto owner = is_item || slash == 0 ? damaged : damaged.substr(0, slash);
    return within(damaged, pointer) || within(pointer, owner);
}

void add_findings(Reading& reading, const std::string& file_name, const std::vector<ConfigFinding>& found) {
    const auto errors = reading.errors;
    for (const auto& finding : found) {
        const bool consequence =
            std::any_of(errors.begin(), errors.end(), [&finding](const ConfigError& error) {
                return touched_by(finding.pointer, error.pointer);
            });
        if (!consequence) {
            reading.errors.push_back({.severity = finding.severity,
                                      .file = file_name,
                                      .line = line_of(reading.root, finding.pointer),
                                      .column = 0,
                                      .pointer = finding.pointer,
                                      .found = finding.what,
                                      .allowed = finding.remedy,
                                      .nearest = {}});
        }
    }
}

// Everything that is known to be wrong with a station whose form is right. This and no other is the check of
// a description: of the service at its start, of what is proposed to it, of every command.
std::vector<ConfigFinding> check_whole(const Station& station) {
    auto found = check(station);
    const auto add = [&found](const std::vector<ConfigFinding>& more) {
        found.insert(found.end(), more.begin(), more.end());
    };
    add(check_zone(station));
    if (!has_error(found)) {
        add(check_links(station));
    }
    return found;
}

}  // namespace

std::expected<Station, std::vector<ConfigError>> read_station(std::string_view text,
                                                              const std::string& file_name) {
    auto reading = read(text, file_name);
    if (!reading.errors.empty()) {
        return std::unexpected(std::move(reading.errors));
    }
    return std::move(reading.station);
}

std::expected<Station, std::vector<ConfigError>> read_station_file(const std::filesystem::path& path) {
    const auto text = text_of(path);
    if (!text) {
        return std::unexpected(std::vector{text.error()});
    }
    return read_station(*text, path.string());
}

Loading load_station(std::string_view text, const std::string& file_name) {
    auto reading = read(text, file_name);
    const bool is_tree = reading.root.kind == NodeKind::object;
    const bool well_formed = reading.errors.empty();
    if (is_tree) {
        add_findings(reading, file_name,
                     well_formed ? check_whole(reading.station) : check_each_alone(reading.station));
    }
    Loading loading;
    loading.findings = std::move(reading.errors);
    std::stable_sort(
        loading.findings.begin(), loading.findings.end(),
        [](const ConfigError& left, const ConfigError& right) { return left.line < right.line; });
    if (!has_error(loading.findings)) {
        loading.station = std::move(reading.station);
    } else if (well_formed) {
        loading.draft = std::move(reading.station);
    }
    return loading;
}

Loading load_station_file(const std::filesystem::path& path) {
    const auto text = text_of(path);
    if (!text) {
        return {.station = std::nullopt, .findings = {text.error()}, .readable = false};
    }
    return load_station(*text, path.string());
}

std::vector<KnownKey> known_keys() {
    std::vector<KnownKey> keys;
    station_shape().list("", keys);
    std::sort(keys.begin(), keys.end());
    return keys;
}

}  // namespace tautgate::config
