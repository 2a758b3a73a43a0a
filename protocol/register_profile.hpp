// How a tool that is polled over Modbus lays out its newest result in registers. Plain data, read and checked
// once; any thread. What is read for it is in register_plan.hpp, what a reading says in register_decode.hpp,
// and whether it is a new one in result_watch.hpp.
//
// Every address is the zero-based offset on the wire (the first holding register is 0, not 40001).
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/quantity.hpp"

namespace tautgate::protocol {

// Most registers that one Modbus read returns (MODBUS Application Protocol V1.1b3, 6.3 and 6.4).
inline constexpr std::uint16_t registers_per_read = 125;

// The four tables of a Modbus device. A coil and a discrete input are one bit each, the others 16.
enum class RegisterTable : std::uint8_t { holding, input, coils, discrete_inputs };
TAUTGATE_ENUM(RegisterTable, holding, input, coils, discrete_inputs);
[[nodiscard]] constexpr bool is_bit_table(RegisterTable table) noexcept {
    return table == RegisterTable::coils || table == RegisterTable::discrete_inputs;
}

// Whole numbers in two's complement, binary32 and binary64 of IEEE 754, decimal digits of four bits each, and
// the one bit of a coil or a discrete input.
enum class FieldType : std::uint8_t {
    int16,
    uint16,
    int32,
    uint32,
    int64,
    uint64,
    float32,
    float64,
    bcd16,
    bcd32,
    bit
};
TAUTGATE_ENUM(FieldType, int16, uint16, int32, uint32, int64, uint64, float32, float64, bcd16, bcd32, bit);

// A is the most significant byte, in the order in which the bytes come over the wire. For a single register
// abcd and cdab mean high byte first, badc and dcba low byte first. In four registers abcd has the high word
// first, cdab the low word first; badc and dcba are the same with the bytes of each word swapped.
enum class WordOrder : std::uint8_t { abcd, cdab, badc, dcba };
TAUTGATE_ENUM(WordOrder, abcd, cdab, badc, dcba);

// Some of the bits of a number, counted from the least significant one, which is 0.
struct BitRange {
    std::uint16_t first = 0;
    std::uint16_t count = 1;
    bool operator==(const BitRange&) const = default;
};
TAUTGATE_FIELDS(BitRange, first, count);

// One number in the block. Its value is raw * scale + offset, computed in decimal, exactly; `raw` is the
// whole number, or what its `bits` are by themselves.
struct RegisterField {
    std::uint16_t address = 0;
    FieldType type = FieldType::uint16;
    std::optional<WordOrder> order =
        std::nullopt;  // needed for everything longer than one register; never defaulted
    Decimal scale{1, 0};
    Decimal offset{0, 0};
    std::optional<BitRange> bits = std::nullopt;        // of an unsigned type
    std::optional<RegisterTable> table = std::nullopt;  // if it is not that of the profile
    bool operator==(const RegisterField&) const = default;
};
TAUTGATE_FIELDS(RegisterField, address, type, order, scale, offset, bits, table);

// Printable ASCII, two characters to a register; a NUL ends it, and spaces at its end are dropped. With abcd
// the high byte comes first, with badc the low byte.
struct TextField {
    std::uint16_t address = 0;
    std::uint16_t registers = 1;
    std::optional<WordOrder> order = std::nullopt;  // needed; never defaulted
    bool operator==(const TextField&) const = default;
};
TAUTGATE_FIELDS(TextField, address, registers, order);

struct CodeText {
    std::int64_t code = 0;
    std::string text;
    bool operator==(const CodeText&) const = default;
};
TAUTGATE_FIELDS(CodeText, code, text);

// The count of results: goes on by one with each, from `highest` back to `lowest`. With `lowest` 1 a zero
// means that the tool has no result yet.
struct CounterField {
    RegisterField field;
    std::uint64_t lowest = 0;
    std::uint64_t highest = 0xFFFF;
    bool operator==(const CounterField&) const = default;
};
TAUTGATE_FIELDS(CounterField, field, lowest, highest);

// What is read a second time to notice a block that was written meanwhile. A tool that writes its counter
// after the values needs only the counter; one that writes it first (or does not say) needs the whole block.
enum class SecondRead : std::uint8_t { counter, block };
TAUTGATE_ENUM(SecondRead, counter, block);

// A number that names something; a number without a name is shown in decimal.
struct ProgramField {
    RegisterField field;
    std::vector<CodeText> names;
    bool operator==(const ProgramField&) const = default;
};
TAUTGATE_FIELDS(ProgramField, field, names);

struct TorqueField {
    RegisterField field;
    std::optional<TorqueUnit> unit;  // needed; never defaulted
    bool operator==(const TorqueField&) const = default;
};
TAUTGATE_FIELDS(TorqueField, field, unit);

// Codes, or a status word (perhaps that of the verdict) of which `mask` keeps the bits that matter. A code
// that is in neither list makes the block a DecodeFault: a loosening must not pass for a tightening.
struct DirectionField {
    RegisterField field;
    std::uint32_t mask = 0xFFFFFFFF;
    std::vector<std::int64_t> tighten;
    std::vector<std::int64_t> loosen;
    bool operator==(const DirectionField&) const = default;
};
TAUTGATE_FIELDS(DirectionField, field, mask, tighten, loosen);

// A verdict code, or a status word of which `mask` keeps the bits that matter. Only a code listed under `ok`
// is OK; one that is in no list is not OK, with the code itself as the tool's reason.
struct VerdictField {
    RegisterField field;
    std::uint32_t mask = 0xFFFFFFFF;
    std::vector<std::int64_t> ok;
    std::vector<std::int64_t> not_ok;
    std::vector<std::int64_t> aborted;  // not OK, and ended before anything was measured
    std::vector<CodeText> reasons;      // the tool's own word for a code
    bool operator==(const VerdictField&) const = default;
};
TAUTGATE_FIELDS(VerdictField, field, mask, ok, not_ok, aborted, reasons);

enum class StampKind : std::uint8_t {
    unix_seconds,       // one number
    unix_milliseconds,  // one number
    calendar            // six registers in a row: year, month, day, hour, minute, second
};
TAUTGATE_ENUM(StampKind, unix_seconds, unix_milliseconds, calendar);
inline constexpr std::uint16_t calendar_registers = 6;

struct StampField {
    RegisterField field;  // for calendar the first of the six, type uint16
    StampKind kind = StampKind::unix_seconds;
    std::int16_t utc_offset_minutes = 0;  // the tool's clock minus UTC
    // Of a tool that does not count: another stamp means another result.
    bool marks_result = false;
    bool operator==(const StampField&) const = default;
};
TAUTGATE_FIELDS(StampField, field, kind, utc_offset_minutes, marks_result);

// Of a tool that shows one result and waits: `ready` is not 0 while it waits. Once the result is stored,
// `value` is written to `address`; once `ready` has fallen, `cleared` is written there.
struct Handshake {
    RegisterField ready;
    std::uint16_t address = 0;
    RegisterTable table = RegisterTable::holding;  // or coils: then the values are 0 and 1
    std::uint16_t value = 1;
    std::uint16_t cleared = 0;
    bool operator==(const Handshake&) const = default;
};
TAUTGATE_FIELDS(Handshake, ready, address, table, value, cleared);

// A value that the station writes.
struct ControlWrite {
    std::uint16_t address = 0;
    RegisterTable table = RegisterTable::holding;  // or coils: then the values are 0 and 1
    std::uint16_t on = 1;
    std::uint16_t off = 0;
    bool operator==(const ControlWrite&) const = default;
};
TAUTGATE_FIELDS(ControlWrite, address, table, on, off);

// Of a tool that runs only while it is let: `enable` lets it, `enabled` is not 0 while it may run. Where the
// station chooses its program, the number goes to the holding register `program`, and `selected` says which
// one is set. See register_control.hpp.
struct RegisterControl {
    ControlWrite enable;
    RegisterField enabled;
    std::optional<std::uint16_t> program;
    std::optional<RegisterField> selected;
    std::vector<CodeText> programs;  // number and name, as the plans' passes name them
    bool operator==(const RegisterControl&) const = default;
};
TAUTGATE_FIELDS(RegisterControl, enable, enabled, program, selected, programs);

// The last results, each in a slot of its own. The fields of the profile are those of the first slot; the
// others follow every `stride` registers. The result with count c lies in slot (c - lowest) mod slots, and
// its own counter says so; `newest` is the count of the newest, outside of the slots, and written after its
// slot.
struct ResultRing {
    RegisterField newest;
    std::uint16_t slots = 0;
    std::uint16_t stride = 0;
    bool operator==(const ResultRing&) const = default;
};
TAUTGATE_FIELDS(ResultRing, newest, slots, stride);

struct LimitFields {
    std::optional<RegisterField> torque_min;  // in the unit of the torque field
    std::optional<RegisterField> torque_max;
    std::optional<RegisterField> angle_min;
    std::optional<RegisterField> angle_max;
    bool operator==(const LimitFields&) const = default;
};
TAUTGATE_FIELDS(LimitFields, torque_min, torque_max, angle_min, angle_max);

// Samples of one quantity: the field is that of the first, the others follow every `apart` registers, or (0)
// one directly after the other.
struct SampleFields {
    RegisterField field;
    std::uint16_t apart = 0;
    bool operator==(const SampleFields&) const = default;
};
TAUTGATE_FIELDS(SampleFields, field, apart);

// The curve of the newest result, read block by block between the polls. `belongs_to` is the count of the
// result whose curve stands there, in the form of the counter; it is read before the samples and after them.
struct TraceFields {
    RegisterField belongs_to;
    std::uint16_t samples = 0;           // how many there are, or with `count` the most that there can be
    std::optional<RegisterField> count;  // how many there are
    // At most one of these three; none where the angle stands beside the torque.
    std::optional<std::uint32_t> interval_us;
    std::optional<RegisterField> interval;  // its scale brings it to microseconds
    std::optional<SampleFields> time;       // the same, since the start of the run
    SampleFields torque;
    std::optional<TorqueUnit> torque_unit;  // needed; never defaulted
    std::optional<SampleFields> angle;      // degrees
    bool operator==(const TraceFields&) const = default;
};
TAUTGATE_FIELDS(TraceFields, belongs_to, samples, count, interval_us, interval, time, torque, torque_unit,
                angle);

// A new result is recognised by its counter; where the tool has none, by a value that is another one after
// each result (`toggle`), by its stamp, or by the `ready` of a handshake. Exactly one of the four. Only a
// counter tells that results were lost.
struct RegisterProfile {
    std::string name;
    RegisterTable table = RegisterTable::holding;
    // The one block that is read. Length 0: whatever blocks the fields lie in, see register_plan.hpp.
    std::uint16_t start = 0;
    std::uint16_t length = 0;
    std::optional<CounterField> counter;
    std::optional<RegisterField> toggle;
    SecondRead second_read = SecondRead::block;
    // How long after its count or mark shows a new result the tool may still be writing that result's values.
    // Nothing to say of a tool that writes its counter last (SecondRead::counter).
    std::chrono::milliseconds written_within{100};
    // A number that changes with every restart of the tool. Without it a restart is a gap in the counter.
    std::optional<RegisterField> epoch;
    std::optional<ResultRing> ring;
    std::optional<ProgramField> program;
    std::optional<TextField> program_text;  // instead of `program`, where the tool writes a name
    std::optional<TorqueField> torque;
    std::optional<RegisterField> angle;       // degrees
    std::optional<DirectionField> direction;  // without it every result is a tightening
    std::optional<VerdictField> verdict;
    LimitFields limits;
    std::optional<StampField> stamp;
    std::optional<RegisterField> position;  // fastener number, 0: the tool does not know
    // Where the low word(s) of the counter are written once the result is stored, in the form of the
    // counter field; a holding register outside of what the tool writes.
    std::optional<std::uint16_t> acknowledge;
    std::optional<Handshake> handshake;  // instead of `acknowledge`
    std::optional<TraceFields> trace;
    std::optional<RegisterControl> control;
    MeasuringRange range;
    bool operator==(const RegisterProfile&) const = default;
};
TAUTGATE_FIELDS(RegisterProfile, name, table, start, length, counter, toggle, second_read, written_within,
                epoch, ring, program, program_text, torque, angle, direction, verdict, limits, stamp,
                position, acknowledge, handshake, trace, control, range);

// The tool keeps what it has until the station confirms that it is stored.
[[nodiscard]] constexpr bool waits_for_the_station(const RegisterProfile& profile) noexcept {
    return profile.acknowledge.has_value() || profile.handshake.has_value();
}

// One mistake in a profile. `place` is a JSON pointer relative to the profile whose keys are the names of the
// members: "/torque/unit", "/torque/field/scale", "/limits/angle_min/order".
struct ProfileFault {
    std::string place;
    std::string finding;
    std::string remedy;
    bool operator==(const ProfileFault&) const = default;
};
TAUTGATE_FIELDS(ProfileFault, place, finding, remedy);

// All mistakes, one each.
[[nodiscard]] std::vector<ProfileFault> check(const RegisterProfile& profile);

// Those of the range of a tool that reports these; places as above.
[[nodiscard]] std::vector<ProfileFault> range_faults(const MeasuringRange& range, bool torque, bool angle);

// Registers that a field takes up: 1, 2 or 4.
[[nodiscard]] std::uint16_t width(FieldType type) noexcept;
[[nodiscard]] bool is_bcd(FieldType type) noexcept;
// A number as its lowest 16 decimal digits of four bits each.
[[nodiscard]] std::uint64_t to_bcd(std::uint64_t value) noexcept;

}  // namespace tautgate::protocol
