// How a tool that is polled over Modbus lays out its newest result in registers, and what a block read from
// it says. The profile is plain data, read and checked once; decoding is pure; any thread.
//
// In doubt nothing is made up: one value that is no measurement becomes Unreadable in an otherwise whole
// reading; a block that cannot be understood is a DecodeFault; a block that was written while we read it is
// Torn and must be read again; a counter that did not go on by one is a Jump, never a result.
//
// Every address is the zero-based offset on the wire (the first holding register is 0, not 40001).
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>
#include <variant>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/quantity.hpp"
#include "protocol/reading.hpp"

namespace tautgate::protocol {

// Most registers that one Modbus read returns (MODBUS Application Protocol V1.1b3, 6.3 and 6.4).
inline constexpr std::uint16_t registers_per_read = 125;

enum class RegisterTable : std::uint8_t { holding, input };
TAUTGATE_ENUM(RegisterTable, holding, input);

// Whole numbers in two's complement, binary32 and binary64 of IEEE 754, and decimal digits of four bits each.
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
    bcd32
};
TAUTGATE_ENUM(FieldType, int16, uint16, int32, uint32, int64, uint64, float32, float64, bcd16, bcd32);

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
    std::optional<BitRange> bits = std::nullopt;  // of an unsigned type
    bool operator==(const RegisterField&) const = default;
};
TAUTGATE_FIELDS(RegisterField, address, type, order, scale, offset, bits);

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

struct StampField {
    RegisterField field;  // for calendar the first of the six, type uint16
    StampKind kind = StampKind::unix_seconds;
    std::int16_t utc_offset_minutes = 0;  // the tool's clock minus UTC
    bool operator==(const StampField&) const = default;
};
TAUTGATE_FIELDS(StampField, field, kind, utc_offset_minutes);

struct LimitFields {
    std::optional<RegisterField> torque_min;  // in the unit of the torque field
    std::optional<RegisterField> torque_max;
    std::optional<RegisterField> angle_min;
    std::optional<RegisterField> angle_max;
    bool operator==(const LimitFields&) const = default;
};
TAUTGATE_FIELDS(LimitFields, torque_min, torque_max, angle_min, angle_max);

struct RegisterProfile {
    std::string name;
    RegisterTable table = RegisterTable::holding;
    std::uint16_t start = 0;
    std::uint16_t length = 0;  // 1 to 125 registers, read in one request
    CounterField counter;
    SecondRead second_read = SecondRead::block;
    // A number that changes with every restart of the tool. Without it a restart is a gap in the counter.
    std::optional<RegisterField> epoch;
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
    // counter field; its address is outside the block or within, as the tool has it.
    std::optional<std::uint16_t> acknowledge;
    MeasuringRange range;
    bool operator==(const RegisterProfile&) const = default;
};
TAUTGATE_FIELDS(RegisterProfile, name, table, start, length, counter, second_read, epoch, program,
                program_text, torque, angle, direction, verdict, limits, stamp, position, acknowledge, range);

// One mistake in a profile. `place` is a JSON pointer relative to the profile whose keys are the names of the
// members: "/torque/unit", "/torque/field/scale", "/limits/angle_min/order".
struct ProfileFault {
    std::string place;
    std::string finding;
    std::string remedy;
    bool operator==(const ProfileFault&) const = default;
};
TAUTGATE_FIELDS(ProfileFault, place, finding, remedy);

// All mistakes, one each. Everything below asks for a profile in which this finds none; a profile with faults
// is still never read beyond the words given: such a read is a DecodeFault.
[[nodiscard]] std::vector<ProfileFault> check(const RegisterProfile& profile);

// Why a block as a whole is no reading. Its counter, where it could be read, tells which result is missing.
struct DecodeFault {
    std::string field;  // "direction"; empty: the block itself
    std::string what;
    std::string remedy;
    std::optional<std::uint64_t> counter;
    bool operator==(const DecodeFault&) const = default;
};
TAUTGATE_FIELDS(DecodeFault, field, what, remedy, counter);

// `words` is the block as read, profile.length registers. The reading's counter is the number in the
// register; use the one that ResultWatch gives instead, which does not start again at a roll-over.
[[nodiscard]] std::expected<Reading, DecodeFault> decode(const RegisterProfile& profile,
                                                         std::span<const std::uint16_t> words);

// The registers of an acknowledgement of the result with this counter (as ResultWatch gave it), in wire
// order: the number as the type of the counter's field has it, without its bits.
[[nodiscard]] std::vector<std::uint16_t> acknowledge_words(const RegisterProfile& profile,
                                                           std::uint64_t counter);

// What two reads of a polled tool mean, against what is known of it.
struct NoNew {
    constexpr bool operator==(const NoNew&) const = default;
};
struct NewResult {
    std::uint64_t counter = 0;
    constexpr bool operator==(const NewResult&) const = default;
};
// The first look at a tool of which nothing is known: its newest result may be of any age and counts for
// nothing.
struct Baseline {
    std::uint64_t counter = 0;
    constexpr bool operator==(const Baseline&) const = default;
};
// The block changed while it was read: read again, soon.
struct Torn {
    constexpr bool operator==(const Torn&) const = default;
};
// Results are missing before the one that the block holds. `lost` is absent where the counter went back or
// is outside its range, so that nobody knows.
struct Jump {
    std::uint64_t expected = 0;
    std::uint64_t got = 0;
    std::optional<std::uint64_t> lost;
    constexpr bool operator==(const Jump&) const = default;
};
// The tool's epoch changed: its counter starts anew, and results from before may be lost.
struct Restarted {
    std::uint64_t epoch_before = 0;
    std::uint64_t epoch = 0;
    std::uint64_t counter = 0;
    constexpr bool operator==(const Restarted&) const = default;
};
TAUTGATE_NO_FIELDS(NoNew);
TAUTGATE_FIELDS(NewResult, counter);
TAUTGATE_FIELDS(Baseline, counter);
TAUTGATE_NO_FIELDS(Torn);
TAUTGATE_FIELDS(Jump, expected, got, lost);
TAUTGATE_FIELDS(Restarted, epoch_before, epoch, counter);
using WatchOutcome = std::variant<NoNew, NewResult, Baseline, Torn, Jump, Restarted>;

// What is known of the tool: the counter of its newest known result and its epoch. Counters here are never
// rolled back: after 65535 in a 16-bit register comes 65536, and so each is the key of one result for ever.
struct KnownResult {
    std::uint64_t counter = 0;
    std::optional<std::uint64_t> epoch;
    bool operator==(const KnownResult&) const = default;
};
TAUTGATE_FIELDS(KnownResult, counter, epoch);

// Follows one polled tool. Give it what the journal knows at start, then every pair of reads. It goes on from
// any outcome but NoNew and Torn: what a Jump or a Restarted means is decided elsewhere.
class ResultWatch {
  public:
    explicit ResultWatch(std::optional<KnownResult> known = std::nullopt) : known_(known) {}

    // `again` is the second read: the registers of the counter field, or the whole block, as
    // profile.second_read says. A read of the wrong length is a DecodeFault.
    [[nodiscard]] std::expected<WatchOutcome, DecodeFault> observe(const RegisterProfile& profile,
                                                                   std::span<const std::uint16_t> block,
                                                                   std::span<const std::uint16_t> again);
    [[nodiscard]] const std::optional<KnownResult>& known() const noexcept { return known_; }

  private:
    std::optional<KnownResult> known_;
};

// Registers that a field takes up: 1, 2 or 4.
[[nodiscard]] std::uint16_t width(FieldType type) noexcept;
[[nodiscard]] bool is_bcd(FieldType type) noexcept;
// A number as its lowest 16 decimal digits of four bits each.
[[nodiscard]] std::uint64_t to_bcd(std::uint64_t value) noexcept;

// The number in `words` (as many as the type is wide) in every order, for a person who is looking for the
// right one.
struct EveryOrder {
    std::string abcd;
    std::string cdab;
    std::string badc;
    std::string dcba;
    bool operator==(const EveryOrder&) const = default;
};
TAUTGATE_FIELDS(EveryOrder, abcd, cdab, badc, dcba);
[[nodiscard]] std::expected<EveryOrder, DecodeFault> in_every_order(FieldType type,
                                                                    std::span<const std::uint16_t> words);

}  // namespace tautgate::protocol
