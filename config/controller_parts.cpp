// The line to the equipment's controller, in registers or in coils, and those to further ones.
#include <optional>
#include <utility>

#include "config/parts.hpp"

namespace tautgate::config {

namespace {

constexpr std::int64_t highest_number = 65535;
constexpr std::int64_t longest_time_ms = 60'000;

// The link as the file has it: registers or coils are told by the keys.
struct RawController : ControllerLink {
    std::optional<std::uint16_t> permissives_from;
    std::optional<std::uint16_t> feedback_from;
};

Shape<ControllerBit> controller_bit_shape() {
    using protocol::RegisterTable;
    return Shape<ControllerBit>()
        .optional("table", &ControllerBit::table,
                  OneOf<RegisterTable>(
                      {{"discrete_inputs", RegisterTable::discrete_inputs}, {"coils", RegisterTable::coils}}))
        .required("number", &ControllerBit::number, Whole(0, highest_number))
        .optional("active", &ControllerBit::active_low, OneOf<bool>({{"high", false}, {"low", true}}));
}

Shape<CoilPoint> coil_point_shape() {
    return Shape<CoilPoint>()
        .required("permissive", &CoilPoint::permissive, Identifier{})
        .required("release", &CoilPoint::release, Whole(0, highest_number))
        .optional("moved", &CoilPoint::moved, controller_bit_shape())
        .optional("acting", &CoilPoint::acting, controller_bit_shape());
}

Shape<CoilPlan> coil_plan_shape() {
    constexpr std::int64_t longest_debounce_ms = 1000;
    return Shape<CoilPlan>()
        .required("alive", &CoilPlan::alive, Whole(0, highest_number))
        .required("echo", &CoilPlan::echo, controller_bit_shape())
        .required("heartbeat", &CoilPlan::heartbeat, controller_bit_shape())
        .optional("present", &CoilPlan::present, controller_bit_shape())
        .optional("debounce_ms", &CoilPlan::debounce, Whole(0, longest_debounce_ms))
        .required("permissives", &CoilPlan::permissives, ListOf(coil_point_shape(), 1, 64));
}

// What the main controller and a further one have in common.
template <class Raw>
Shape<Raw> line_shape() {
    constexpr std::int64_t highest_unit_number = 255;
    constexpr std::int64_t longest_beat_timeout_ms = 10'000;
    return Shape<Raw>()
        .optional("role", &RawController::role,
                  OneOf<WireRole>({{"client", WireRole::client}, {"server", WireRole::server}}))
        .required("host", &RawController::host, Host{})
        .optional("port", &RawController::port, Whole(1, highest_number))
        .optional("unit", &RawController::unit, Whole(0, highest_unit_number))
        .optional("beat_interval_ms", &RawController::beat_interval, Whole(10, 5000))
        .optional("echo_timeout_ms", &RawController::echo_timeout, Whole(30, longest_time_ms))
        .optional("beat_timeout_ms", &RawController::beat_timeout, Whole(30, longest_beat_timeout_ms))
        .optional("settling_ms", &RawController::settling, Whole(0, longest_time_ms));
}

Shape<RawController> raw_controller_shape() {
    return line_shape<RawController>()
        .optional("permissive_address", &RawController::permissives_from, Whole(0, highest_number))
        .optional("feedback_address", &RawController::feedback_from, Whole(0, highest_number))
        .optional("coils", &RawController::coils, coil_plan_shape());
}

// A further controller has registers, and nothing of it is told by coils.
struct RawFurther : RawController {
    std::string id;
    std::vector<std::string> permissives;
    std::chrono::milliseconds presence_within = FurtherController{}.presence_within;
};

Shape<RawFurther> raw_further_shape() {
    constexpr std::size_t most_permissives = 64;
    return line_shape<RawFurther>()
        .required("id", &RawFurther::id, Identifier{})
        .required("permissives", &RawFurther::permissives, ListOf(Identifier{}, 1, most_permissives))
        .optional("presence_within_ms", &RawFurther::presence_within, Whole(0, longest_time_ms))
        .required("permissive_address", &RawController::permissive_address, Whole(0, highest_number))
        .required("feedback_address", &RawController::feedback_address, Whole(0, highest_number));
}

}  // namespace

void ControllerObject::read(Errors& errors, const Node& node, const std::string& pointer,
                            ControllerLink& out) const {
    const auto before = errors.count();
    RawController raw;
    static const auto shape = raw_controller_shape();
    shape.read(errors, node, pointer, raw);
    if (errors.count() != before)
        return;
    const bool both = raw.permissives_from && raw.feedback_from;
    const bool neither = !raw.permissives_from && !raw.feedback_from;
    if (raw.coils ? !neither : !both) {
        errors.add(node, pointer,
                   raw.coils ? "the controller has coils as well as an address of registers"
                             : "the controller has neither both addresses nor coils",
                   "give permissive_address and feedback_address, or, for simple equipment, coils");
        return;
    }
    raw.permissive_address = raw.permissives_from.value_or(0);
    raw.feedback_address = raw.feedback_from.value_or(0);
    out = static_cast<ControllerLink&&>(raw);
}

void FurtherControllerObject::read(Errors& errors, const Node& node, const std::string& pointer,
                                   FurtherController& out) const {
    RawFurther raw;
    static const auto shape = raw_further_shape();
    shape.read(errors, node, pointer, raw);
    out.id = std::move(raw.id);
    out.permissives = std::move(raw.permissives);
    out.presence_within = raw.presence_within;
    out.link = static_cast<ControllerLink&&>(raw);
}

void FurtherControllerObject::list(const std::string& path, std::vector<KnownKey>& keys) const {
    raw_further_shape().list(path, keys);
}

void ControllerObject::list(const std::string& path, std::vector<KnownKey>& keys) const {
    raw_controller_shape().list(path, keys);
}

}  // namespace tautgate::config
