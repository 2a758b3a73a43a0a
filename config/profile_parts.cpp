#include "config/parts.hpp"

#include "protocol/register_plan.hpp"
#include "protocol/trace.hpp"

namespace tautgate::config {

OneOf<protocol::RegisterTable> register_table() {
    using protocol::RegisterTable;
    return OneOf<RegisterTable>({{"holding", RegisterTable::holding},
                                 {"input", RegisterTable::input},
                                 {"coils", RegisterTable::coils},
                                 {"discrete_inputs", RegisterTable::discrete_inputs}});
}

OneOf<protocol::FieldType> field_type() {
    using protocol::FieldType;
    return OneOf<FieldType>({{"int16", FieldType::int16},
                             {"uint16", FieldType::uint16},
                             {"int32", FieldType::int32},
                             {"uint32", FieldType::uint32},
                             {"int64", FieldType::int64},
                             {"uint64", FieldType::uint64},
                             {"float32", FieldType::float32},
                             {"float64", FieldType::float64},
                             {"bcd16", FieldType::bcd16},
                             {"bcd32", FieldType::bcd32},
                             {"bit", FieldType::bit}});
}

OneOf<protocol::WordOrder> word_order() {
    using protocol::WordOrder;
    return OneOf<WordOrder>({{"abcd", WordOrder::abcd},
                             {"cdab", WordOrder::cdab},
                             {"badc", WordOrder::badc},
                             {"dcba", WordOrder::dcba}});
}

Shape<protocol::BitRange> bits_shape() {
    using protocol::BitRange;
    constexpr std::int64_t highest_bit = 63;
    return Shape<BitRange>()
        .required("first", &BitRange::first, Whole(0, highest_bit))
        .required("count", &BitRange::count, Whole(1, highest_bit + 1));
}

Shape<protocol::MeasuringRange> measuring_range_shape() {
    using protocol::MeasuringRange;
    return Shape<MeasuringRange>()
        .required("torque_resolution", &MeasuringRange::torque_resolution, TorqueQuantity{})
        .required("angle_resolution", &MeasuringRange::angle_resolution, AngleQuantity{})
        .required("torque_max", &MeasuringRange::torque_max, TorqueQuantity{})
        .optional("angle_max", &MeasuringRange::angle_max, AngleQuantity{});
}

namespace {

using namespace protocol;

constexpr std::int64_t highest_address = 65535;
constexpr std::int64_t longest_writing_ms = 10'000;
constexpr std::int64_t highest_code = 4294967295;

Shape<RegisterField> field_shape() {
    return Shape<RegisterField>()
        .required("address", &RegisterField::address, Whole(0, highest_address))
        .required("type", &RegisterField::type, field_type())
        .optional("order", &RegisterField::order, word_order())
        .optional("scale", &RegisterField::scale, DecimalNumber{})
        .optional("offset", &RegisterField::offset, DecimalNumber{})
        .optional("bits", &RegisterField::bits, bits_shape())
        .optional("table", &RegisterField::table, register_table());
}

Shape<TextField> text_shape() {
    return Shape<TextField>()
        .required("address", &TextField::address, Whole(0, highest_address))
        .required("registers", &TextField::registers, Whole(1, registers_per_read))
        .required("order", &TextField::order, word_order());
}

ListOf<Shape<CodeText>> code_texts() {
    return ListOf(Shape<CodeText>()
                      .required("code", &CodeText::code, Whole(-highest_code, highest_code))
                      .required("text", &CodeText::text, Text()));
}

ListOf<Whole> codes() { return ListOf(Whole(-highest_code, highest_code)); }

Shape<CounterField> counter_shape() {
    return Shape<CounterField>()
        .required("field", &CounterField::field, field_shape())
        .optional("lowest", &CounterField::lowest, Whole64{})
        .optional("highest", &CounterField::highest, Whole64{});
}

Shape<ProgramField> program_shape() {
    return Shape<ProgramField>()
        .required("field", &ProgramField::field, field_shape())
        .optional("names", &ProgramField::names, code_texts());
}

Shape<TorqueField> torque_shape() {
    return Shape<TorqueField>()
        .required("field", &TorqueField::field, field_shape())
        .required("unit", &TorqueField::unit, torque_unit_word());
}

Shape<DirectionField> direction_shape() {
    return Shape<DirectionField>()
        .required("field", &DirectionField::field, field_shape())
        .optional("mask", &DirectionField::mask, Whole(1, highest_code))
        .required("tighten", &DirectionField::tighten, codes())
        .required("loosen", &DirectionField::loosen, codes());
}

Shape<VerdictField> verdict_shape() {
    return Shape<VerdictField>()
        .required("field", &VerdictField::field, field_shape())
        .optional("mask", &VerdictField::mask, Whole(1, highest_code))
        .required("ok", &VerdictField::ok, codes())
        .optional("not_ok", &VerdictField::not_ok, codes())
        .optional("aborted", &VerdictField::aborted, codes())
        .optional("reasons", &VerdictField::reasons, code_texts());
}

Shape<StampField> stamp_shape() {
    constexpr std::int64_t one_day = 1440;
    return Shape<StampField>()
        .required("field", &StampField::field, field_shape())
        .required("kind", &StampField::kind,
                  OneOf<StampKind>({{"unix_seconds", StampKind::unix_seconds},
                                    {"unix_milliseconds", StampKind::unix_milliseconds},
                                    {"calendar", StampKind::calendar}}))
        .optional("utc_offset_minutes", &StampField::utc_offset_minutes, Whole(-one_day, one_day))
        .optional("marks_result", &StampField::marks_result, Flag{});
}

Shape<Handshake> handshake_shape() {
    return Shape<Handshake>()
        .required("ready", &Handshake::ready, field_shape())
        .required("address", &Handshake::address, Whole(0, highest_address))
        .optional("table", &Handshake::table, register_table())
        .optional("value", &Handshake::value, Whole(0, highest_address))
        .optional("cleared", &Handshake::cleared, Whole(0, highest_address));
}

Shape<ControlWrite> control_write_shape() {
    return Shape<ControlWrite>()
        .required("address", &ControlWrite::address, Whole(0, highest_address))
        .optional("table", &ControlWrite::table, register_table())
        .optional("on", &ControlWrite::on, Whole(0, highest_address))
        .optional("off", &ControlWrite::off, Whole(0, highest_address));
}

Shape<RegisterControl> control_shape() {
    return Shape<RegisterControl>()
        .required("enable", &RegisterControl::enable, control_write_shape())
        .required("enabled", &RegisterControl::enabled, field_shape())
        .optional("program", &RegisterControl::program, Whole(0, highest_address))
        .optional("selected", &RegisterControl::selected, field_shape())
        .optional("programs", &RegisterControl::programs, code_texts());
}

Shape<ResultRing> ring_shape() {
    return Shape<ResultRing>()
        .required("newest", &ResultRing::newest, field_shape())
        .required("slots", &ResultRing::slots, Whole(1, highest_address))
        .required("stride", &ResultRing::stride, Whole(1, highest_address));
}

Shape<SampleFields> samples_shape() {
    return Shape<SampleFields>()
        .required("field", &SampleFields::field, field_shape())
        .optional("apart", &SampleFields::apart, Whole(1, highest_address));
}

Shape<TraceFields> trace_shape() {
    return Shape<TraceFields>()
        .required("belongs_to", &TraceFields::belongs_to, field_shape())
        .required("samples", &TraceFields::samples, Whole(1, static_cast<std::int64_t>(trace_samples_limit)))
        .optional("count", &TraceFields::count, field_shape())
        .optional("interval_us", &TraceFields::interval_us, Whole(1, trace_time_limit_us))
        .optional("interval", &TraceFields::interval, field_shape())
        .optional("time", &TraceFields::time, samples_shape())
        .required("torque", &TraceFields::torque, samples_shape())
        .required("torque_unit", &TraceFields::torque_unit, torque_unit_word())
        .optional("angle", &TraceFields::angle, samples_shape());
}

Shape<LimitFields> limits_shape() {
    return Shape<LimitFields>()
        .optional("torque_min", &LimitFields::torque_min, field_shape())
        .optional("torque_max", &LimitFields::torque_max, field_shape())
        .optional("angle_min", &LimitFields::angle_min, field_shape())
        .optional("angle_max", &LimitFields::angle_max, field_shape());
}

}  // namespace

Shape<RegisterProfile> register_profile_shape() {
    return Shape<RegisterProfile>()
        .required("name", &RegisterProfile::name, Text())
        .optional("table", &RegisterProfile::table, register_table())
        .optional("start", &RegisterProfile::start, Whole(0, highest_address))
        .optional("length", &RegisterProfile::length, Whole(1, bits_per_read))
        .optional("counter", &RegisterProfile::counter, counter_shape())
        .optional("toggle", &RegisterProfile::toggle, field_shape())
        .optional("second_read", &RegisterProfile::second_read,
                  OneOf<SecondRead>({{"counter", SecondRead::counter}, {"block", SecondRead::block}}))
        .optional("written_within_ms", &RegisterProfile::written_within, Whole(0, longest_writing_ms))
        .optional("epoch", &RegisterProfile::epoch, field_shape())
        .optional("ring", &RegisterProfile::ring, ring_shape())
        .optional("program", &RegisterProfile::program, program_shape())
        .optional("program_text", &RegisterProfile::program_text, text_shape())
        .optional("torque", &RegisterProfile::torque, torque_shape())
        .optional("angle", &RegisterProfile::angle, field_shape())
        .optional("direction", &RegisterProfile::direction, direction_shape())
        .optional("verdict", &RegisterProfile::verdict, verdict_shape())
        .optional("limits", &RegisterProfile::limits, limits_shape())
        .optional("stamp", &RegisterProfile::stamp, stamp_shape())
        .optional("position", &RegisterProfile::position, field_shape())
        .optional("acknowledge", &RegisterProfile::acknowledge, Whole(0, highest_address))
        .optional("handshake", &RegisterProfile::handshake, handshake_shape())
        .optional("trace", &RegisterProfile::trace, trace_shape())
        .optional("control", &RegisterProfile::control, control_shape())
        .required("range", &RegisterProfile::range, measuring_range_shape());
}

}  // namespace tautgate::config
