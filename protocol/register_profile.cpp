// The checks of a profile: every mistake once, each with its place, before a tool is polled with it.
#include "protocol/register_profile.hpp"

#include <algorithm>
#include <cstdlib>
#include <iterator>
#include <span>
#include <string_view>
#include <utility>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/register_apart.hpp"
#include "protocol/register_control.hpp"
#include "protocol/register_places.hpp"
#include "protocol/register_plan.hpp"
#include "protocol/trace_registers.hpp"
#include "protocol/value_worth.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::int64_t torque_limit_micro_nm = 1'000'000'000'000'000;

struct Placed {
    std::string place;
    RegisterField field;
    FieldPlace at;
    bool status_word = false;  // only some of its bits, so that another field may have others
    bool in_slots = true;      // of a ring; otherwise beside them
};

// Whether each means only some of the bits of the same number.
bool share_a_word(const Placed& one, const Placed& other) {
    const auto partial = [](const Placed& each) { return each.status_word || each.field.bits; };
    const bool same_word =
        one.at == other.at && one.field.type == other.field.type && one.field.order == other.field.order;
    if (!same_word || !partial(one) || !partial(other))
        return false;
    if (!one.field.bits || !other.field.bits)
        return true;
    const auto [lower, upper] = std::minmax(*one.field.bits, *other.field.bits,
                                            [](const auto& a, const auto& b) { return a.first < b.first; });
    // A verdict and a direction may be told apart by their masks.
    const bool same_bits = one.field.bits == other.field.bits && one.status_word && other.status_word;
    return lower.first + lower.count <= upper.first || same_bits;
}

// What a whole number of up to 32 bits can be, before its scale; nothing: it is another kind of number.
struct RawRange {
    std::int64_t lowest = 0;
    std::int64_t highest = 0;
};
std::optional<RawRange> raw_range(const RegisterField& field) {
    if (is_fraction(field.type) || width(field.type) > 2)
        return std::nullopt;
    const auto all = static_cast<std::int64_t>(highest_of(field.type, field.bits));
    return is_signed(field.type) ? RawRange{-(all / 2) - 1, all / 2} : RawRange{0, all};
}

// "12", "12 to 13": in the numbers of the description.
std::string taken_by(const FieldPlace& at) {
    return at.count == 1 ? std::to_string(at.address)
                         : fmt::format("{} to {}", at.address, at.address + at.count - 1);
}

class Checker {
  public:
    explicit Checker(const RegisterProfile& profile) : profile_(profile) {}

    std::vector<ProfileFault> run() {
        check_block();
        check_news();
        check_ring();
        check_measured();
        check_codes();
        check_stamp();
        std::ranges::move(
            range_faults(profile_.range, profile_.torque.has_value(), profile_.angle.has_value()),
            std::back_inserter(faults_));
        check_places();
        return std::move(faults_);
    }

    std::vector<RegisterPlace> places() {
        static_cast<void>(run());
        std::vector<RegisterPlace> places;
        places.reserve(placed_.size());
        for (const Placed& each : placed_)
            places.push_back({each.place, each.at});
        return places;
    }

  private:
    void fault(std::string place, std::string finding, std::string remedy) {
        faults_.push_back({std::move(place), std::move(finding), std::move(remedy)});
    }

    void check_block() {
        if (profile_.name.empty())
            fault("/name", "the profile has no name", "give it the name of the kind of tool");
        if (profile_.length == 0 && profile_.start != 0)
            fault("/length", "a start without a length", "give both, or leave both out");
        const std::uint16_t most = most_per_read(profile_.table);
        if (profile_.length > most)
            fault("/length", fmt::format("{} registers", profile_.length),
                  fmt::format("use at most {}, what one Modbus read returns, or leave start and length out",
                              most));
        else if (profile_.length != 0 && std::uint32_t{profile_.start} + profile_.length > 65536)
            fault("/length", "the block ends beyond register 65535", "lower start or length");
        if (!profile_.torque && !profile_.angle)
            fault("", "the profile names neither torque nor angle", "name at least one measured value");
    }

    void place_field(const std::string& place, const RegisterField& field, bool status_word = false) {
        placed_.push_back({place, field, place_of(profile_, field), status_word});
        const bool one_bit = is_bit_table(placed_.back().at.table);
        if (one_bit != (field.type == FieldType::bit))
            fault(place + "/type",
                  one_bit ? "a coil or a discrete input is one bit" : "a register is not one bit",
                  one_bit ? "use the type bit" : "use a number type, with bits to take one out");
        if (!field.bits)
            return;
        if (field.type == FieldType::bit || is_fraction(field.type) || is_bcd(field.type) ||
            is_signed(field.type))
            fault(place + "/bits", "only an unsigned number can be taken apart",
                  "use uint16, uint32 or uint64");
        else if (field.bits->count == 0 || field.bits->first + field.bits->count > 16 * width(field.type))
            fault(place + "/bits",
                  fmt::format("{} bits from bit {} on", field.bits->count, field.bits->first),
                  fmt::format("use at least one of the bits 0 to {}", 16 * width(field.type) - 1));
    }

    // A field whose raw number is used as it is.
    void check_whole(const std::string& place, const RegisterField& field, bool status_word = false) {
        place_field(place, field, status_word);
        if (is_fraction(field.type))
            fault(place + "/type", "a fraction cannot count", "use a whole number type");
        if (field.scale != Decimal{1, 0})
            fault(place + "/scale", "this number is not a measurement and cannot be scaled", "remove scale");
        if (field.offset.mantissa != 0)
            fault(place + "/offset", "this number is not a measurement and cannot be shifted",
                  "remove offset");
    }

    void check_unsigned(const std::string& place, const RegisterField& field) {
        check_whole(place, field);
        if (is_signed(field.type))
            fault(place + "/type", "a count cannot be negative",
                  "use uint16, uint32, uint64, bcd16 or bcd32");
    }

    void check_code(const std::string& place, const RegisterField& field, bool status_word = false) {
        check_whole(place, field, status_word);
        if (width(field.type) > 2 && !is_fraction(field.type))
            fault(place + "/type", "64 bits are too wide for a code", "use at most 32 bits");
    }

    void check_measurement(const std::string& place, const RegisterField& field) {
        place_field(place, field);
        if (field.type == FieldType::bit)
            fault(place + "/type", "one bit is no measured value", "use a number type");
        if (field.scale.mantissa == 0)
            fault(place + "/scale", "a scale of 0 makes every value 0",
                  "give the worth of one count, such as 0.1");
        for (const auto& [key, value] :
             {std::pair{"/scale", field.scale}, std::pair{"/offset", field.offset}})
            if (!has_few_digits(value))
                fault(place + key, to_text(value) + " has too many digits",
                      "use at most 9 digits and at most 9 decimals");
        if (field.scale.mantissa < 0 && field.offset.mantissa <= 0 && !is_signed(field.type) &&
            !is_fraction(field.type))
            fault(place + "/scale", to_text(field.scale) + " would make every value negative",
                  "give the worth of one count, such as 0.1");
        if (is_fraction(field.type) && field.offset.mantissa != 0)
            fault(place + "/offset", "a fraction takes no offset", "remove offset");
        // Its 17 digits and those of a scale are more than a decimal holds.
        if (field.type == FieldType::float64 && std::abs(field.scale.mantissa) > 1)
            fault(place + "/scale", to_text(field.scale) + " for a float64",
                  "use a power of ten, such as 0.001, and name the unit that the tool sends");
    }

    // Exactly one thing says that there is a new result.
    void check_news() {
        const bool by_stamp = profile_.stamp && profile_.stamp->marks_result;
        const int ways = int{profile_.counter.has_value()} + int{profile_.toggle.has_value()} + int{by_stamp};
        if (ways == 0 && !profile_.handshake)
            fault(
                "/counter", "missing",
                "name the tool's counter; without one a toggle, a stamp that marks results, or a handshake");
        if (ways > 1)
            fault(profile_.toggle ? "/toggle" : "/stamp/marks_result",
                  "new results are recognised in two ways", "keep one; a counter tells the most");
        if (profile_.counter)
            check_counter(*profile_.counter);
        if (profile_.toggle)
            check_code("/toggle", *profile_.toggle);
        if (profile_.epoch) {
            check_unsigned("/epoch", *profile_.epoch);
            placed_.back().in_slots = !profile_.ring;
            if (!profile_.counter)
                fault("/epoch", "it tells of restarts of a counter, and the profile has none",
                      "remove epoch");
        }
        if (!profile_.counter && profile_.second_read == SecondRead::counter)
            fault("/second_read", "the profile names no counter to read again", "use block");
        if (profile_.handshake)
            check_handshake(*profile_.handshake);
    }

    void check_counter(const CounterField& counter) {
        check_unsigned("/counter/field", counter.field);
        if (counter.lowest > 1)
            fault("/counter/lowest", fmt::format("a counter that starts again at {}", counter.lowest),
                  "use 0 or 1");
        const std::uint64_t most = highest_of(counter.field.type, counter.field.bits);
        if (counter.highest <= counter.lowest || counter.highest > most)
            fault("/counter/highest", fmt::format("{} does not fit the counter", counter.highest),
                  fmt::format("use the last count before it starts again, at most {}", most));
    }

    void check_handshake(const Handshake& shake) {
        check_unsigned("/handshake/ready", shake.ready);
        if (profile_.acknowledge)
            fault("/handshake", "results are acknowledged in two ways", "remove acknowledge or handshake");
        if (shake.table != RegisterTable::holding && shake.table != RegisterTable::coils)
            fault("/handshake/table", "nothing can be written there", "use holding or coils");
        if (shake.table == RegisterTable::coils && (shake.value > 1 || shake.cleared > 1))
            fault("/handshake/value", "a coil holds 0 or 1", "use 0 and 1");
        if (shake.value == shake.cleared)
            fault("/handshake/cleared", fmt::format("{} is the acknowledgement itself", shake.cleared),
                  "give the value that stands there while nothing is acknowledged");
    }

    void check_ring() {
        if (!profile_.ring)
            return;
        const ResultRing& ring = *profile_.ring;
        check_unsigned("/ring/newest", ring.newest);
        placed_.back().in_slots = false;
        if (!profile_.counter) {
            fault("/ring", "a ring of results without a counter", "name the counter that each result bears");
            return;
        }
        const CounterField& counter = *profile_.counter;
        if (counter.highest > highest_of(ring.newest.type, ring.newest.bits))
            fault("/ring/newest/type", fmt::format("it cannot count to {}", counter.highest),
                  "use a type as wide as the counter's");
        if (counter.field.type == ring.newest.type && counter.field.order != ring.newest.order &&
            counter.field.order && ring.newest.order)
            fault("/ring/newest/order", "the counter of the results, which it names, has another order",
                  "give both the order in which the tool writes its count");
        if (ring.slots < 2) {
            fault("/ring/slots", fmt::format("a ring of {} slots", ring.slots), "use 2 or more");
            return;
        }
        const std::uint64_t last = counter.highest - counter.lowest;  // one less than there are counts
        if (counter.highest > counter.lowest && last % ring.slots != std::uint64_t{ring.slots} - 1)
            fault("/ring/slots",
                  fmt::format(
                      "{} slots do not go into the counts {} to {} without a rest, so that the slot of a "
                      "result would change with each turn of the count",
                      ring.slots, counter.lowest, counter.highest),
                  "check the number of slots and the range of the counter");
        if (profile_.toggle || profile_.handshake)
            fault("/ring", "a ring keeps results without being told that they are stored",
                  "remove the toggle or the handshake");
        check_slots(ring);
    }

    void check_slots(const ResultRing& ring) {
        const auto blocks = result_blocks(profile_);
        if (blocks.size() != 1) {
            fault("/ring", fmt::format("one result lies in {} blocks", blocks.size()),
                  "the fields of a slot must lie together; give start and length of the first slot");
            return;
        }
        if (ring.stride < blocks.front().length)
            fault("/ring/stride",
                  fmt::format("{} registers for a result of {}", ring.stride, blocks.front().length),
                  "give the distance from one slot to the next");
        const std::uint64_t end =
            blocks.front().start + std::uint64_t{ring.stride} * (ring.slots - 1) + blocks.front().length;
        if (end > 65536)
            fault("/ring/slots", "the last slot ends beyond register 65535", "lower start, slots or stride");
        const FieldPlace slots{blocks.front().table, blocks.front().start,
                               static_cast<std::uint32_t>(end - blocks.front().start)};
        for (const Placed& each : placed_)
            if (!each.in_slots && overlap(each.at, slots))
                fault(each.place + "/address", "lies in the slots of the ring",
                      "what is not of one result lies outside of them");
        if (reads_of(profile_).size() > 1)
            fault("/epoch/address", "too far from the count of the newest result to be read with it",
                  "both must fit into one read");
    }

    void check_measured() {
        if (profile_.torque) {
            check_measurement("/torque/field", profile_.torque->field);
            check_worth(*profile_.torque);
            if (!profile_.torque->unit)
                fault("/torque/unit", "missing", "name the unit: N.m, cN.m, lbf.ft, lbf.in or kgf.m");
        }
        if (profile_.angle) {
            check_measurement("/angle", *profile_.angle);
            check_worth(*profile_.angle);
        }
        const LimitFields& limits = profile_.limits;
        check_limit("/limits/torque_min", limits.torque_min, profile_.torque.has_value(), "/torque");
        check_limit("/limits/torque_max", limits.torque_max, profile_.torque.has_value(), "/torque");
        check_limit("/limits/angle_min", limits.angle_min, profile_.angle.has_value(), "/angle");
        check_limit("/limits/angle_max", limits.angle_max, profile_.angle.has_value(), "/angle");
    }

    // One count, and all of them, beside what the sensor is said to tell.
    void check_worth(const TorqueField& torque) {
        const auto raw = raw_range(torque.field);
        if (!raw || !torque.unit)
            return;
        const CountedTorque counted{raw->lowest, raw->highest, torque.field.scale, torque.field.offset,
                                    *torque.unit};
        for (auto& worth : worth_faults(counted, profile_.range))
            fault("/torque/field/" + worth.key, std::move(worth.finding), std::move(worth.remedy));
    }
    void check_worth(const RegisterField& angle) {
        if (is_fraction(angle.type))
            return;
        for (auto& worth : angle_worth_faults(angle.scale, profile_.range))
            fault("/angle/" + worth.key, std::move(worth.finding), std::move(worth.remedy));
    }

    void check_limit(const std::string& place, const std::optional<RegisterField>& field, bool measured,
                     std::string_view of) {
        if (!field)
            return;
        check_measurement(place, *field);
        if (!measured)
            fault(place, "a limit of a value that the profile does not name", fmt::format("name {} too", of));
    }

    void check_held(const std::string& place, const RegisterField& field, std::int64_t code) {
        const auto raw = raw_range(field);
        if (raw && (code < raw->lowest || code > raw->highest))
            fault(place,
                  fmt::format("code {} can never stand there: the number goes from {} to {}", code,
                              raw->lowest, raw->highest),
                  "correct the code or the type");
    }

    // No code may mean two things.
    void
    check_lists(const std::string& place, const RegisterField& field, std::uint32_t mask,
                std::initializer_list<std::pair<std::string_view, const std::vector<std::int64_t>*>> lists) {
        if (mask == 0)
            fault(place + "/mask", "a mask of 0 keeps no bit", "set the bits that matter");
        std::vector<std::int64_t> met;
        for (const auto& [key, codes] : lists)
            for (const std::int64_t code : *codes) {
                if (std::ranges::find(met, code) != met.end())
                    fault(fmt::format("{}/{}", place, key), fmt::format("code {} is listed twice", code),
                          "give each code one meaning");
                met.push_back(code);
                check_held(fmt::format("{}/{}", place, key), field, code);
                if (mask != 0xFFFFFFFF && (code < 0 || (code & ~std::int64_t{mask}) != 0))
                    fault(fmt::format("{}/{}", place, key),
                          fmt::format("code {} has bits outside the mask", code),
                          "list what is left after the mask");
            }
    }

    void check_names(const std::string& place, const RegisterField& field,
                     const std::vector<CodeText>& names) {
        for (std::size_t i = 0; i < names.size(); ++i) {
            check_held(fmt::format("{}/{}", place, i), field, names[i].code);
            if (names[i].text.empty())
                fault(fmt::format("{}/{}", place, i), fmt::format("code {} has an empty text", names[i].code),
                      "give it a text");
            for (std::size_t j = 0; j < i; ++j)
                if (names[j].code == names[i].code)
                    fault(fmt::format("{}/{}", place, i),
                          fmt::format("code {} is named twice", names[i].code), "give each code one text");
        }
    }

    void check_codes() {
        if (profile_.program) {
            check_code("/program/field", profile_.program->field);
            check_names("/program/names", profile_.program->field, profile_.program->names);
        }
        if (profile_.program_text)
            check_text("/program_text", *profile_.program_text);
        if (profile_.program && profile_.program_text)
            fault("/program_text", "the program is read from two places", "remove program or program_text");
        if (profile_.position)
            check_code("/position", *profile_.position);
        if (const auto& direction = profile_.direction) {
            check_code("/direction/field", direction->field, true);
            check_lists("/direction", direction->field, direction->mask,
                        {{"tighten", &direction->tighten}, {"loosen", &direction->loosen}});
            if (direction->tighten.empty())
                fault("/direction/tighten", "no code means tightening", "list at least one");
            if (direction->loosen.empty())
                fault("/direction/loosen", "no code means loosening", "list at least one");
        }
        if (const auto& verdict = profile_.verdict) {
            check_code("/verdict/field", verdict->field, true);
            check_lists("/verdict", verdict->field, verdict->mask,
                        {{"ok", &verdict->ok}, {"not_ok", &verdict->not_ok}, {"aborted", &verdict->aborted}});
            check_names("/verdict/reasons", verdict->field, verdict->reasons);
            if (verdict->ok.empty())
                fault("/verdict/ok", "no code means OK", "list at least one, or leave the verdict out");
        }
    }

    void check_text(const std::string& place, const TextField& text) {
        placed_.push_back({place,
                           {.address = text.address, .order = text.order},
                           {profile_.table, text.address, text.registers}});
        if (is_bit_table(profile_.table))
            fault(place, "coils and discrete inputs hold no text", "use a table of registers");
        if (text.registers == 0)
            fault(place + "/registers", "a text of no registers", "say how many registers the text takes up");
        if (!text.order || *text.order == WordOrder::cdab || *text.order == WordOrder::dcba)
            fault(place + "/order", text.order ? "words of a text have no order of their own" : "missing",
                  "use abcd where the high byte of a register comes first, badc where the low byte does");
    }

    void check_stamp() {
        if (!profile_.stamp)
            return;
        const StampField& stamp = *profile_.stamp;
        check_whole("/stamp/field", stamp.field);
        if (stamp.kind == StampKind::calendar) {
            placed_.back().at.count = calendar_registers;
            if (stamp.field.type != FieldType::uint16)
                fault("/stamp/field/type", "calendar stamps are six registers of their own", "use uint16");
        }
        if (std::abs(int{stamp.utc_offset_minutes}) >= 24 * 60)
            fault("/stamp/utc_offset_minutes", fmt::format("{} minutes", stamp.utc_offset_minutes),
                  "use less than a day");
    }

    void check_places() {
        const auto blocks = result_blocks(profile_);
        constexpr std::size_t most_blocks = 8;
        if (blocks.size() > most_blocks)
            fault("",
                  fmt::format("the fields lie so far apart that each poll takes {} requests", blocks.size()),
                  "read fewer fields, or those that lie together");
        for (std::size_t i = 0; i < placed_.size(); ++i) {
            check_place(placed_[i], blocks);
            for (std::size_t j = 0; j < i; ++j)
                check_overlap(placed_[i], placed_[j]);
        }
        check_written();
    }

    void check_place(const Placed& one, std::span<const BlockRange> blocks) {
        if (width(one.field.type) > 1 && !one.field.order)
            fault(one.place + "/order", "missing",
                  "spell out the order of the bytes: abcd, cdab, badc or dcba");
        if (one.at.address + one.at.count > 65536)
            fault(one.place + "/address",
                  fmt::format("register {} and its width end beyond 65535", one.at.address),
                  "addresses are zero-based wire offsets; correct it");
        else if (one.in_slots && profile_.length != 0 && !offset_in(blocks, one.at))
            fault(one.place + "/address",
                  fmt::format("register {} is outside the block ({} to {})", one.at.address, profile_.start,
                              int{profile_.start} + profile_.length - 1),
                  "addresses are zero-based wire offsets; correct it, widen the block, or leave start and "
                  "length "
                  "out");
    }

    // What the station writes must not destroy what the tool wrote.
    void check_written() {
        if (profile_.length > most_per_read(profile_.table))
            return;  // the length is the mistake
        if (const auto written = acknowledged_at(profile_))
            check_apart("/acknowledge", *written);
        if (profile_.acknowledge && !profile_.counter)
            fault("/acknowledge", "without a counter there is no count to write",
                  "describe a handshake instead");
        if (profile_.handshake)
            check_apart("/handshake/address", {profile_.handshake->table, profile_.handshake->address, 1});
    }

    void check_apart(const std::string& place, const FieldPlace& written) {
        if (written.address + written.count > 65536) {
            fault(place, "the counter does not fit below register 65536", "correct the address");
            return;
        }
        if (auto kept = kept_by_tool(profile_, written))
            fault(place, std::move(*kept), "give a register of its own, which the tool does not write");
    }

    void check_overlap(const Placed& one, const Placed& other) {
        if (overlap(one.at, other.at) && !share_a_word(one, other))
            fault(one.place + "/address",
                  fmt::format("takes {} and overlaps {}, which takes {}", taken_by(one.at), other.place,
                              taken_by(other.at)),
                  "give each field registers of its own");
    }

    const RegisterProfile& profile_;
    std::vector<ProfileFault> faults_;
    std::vector<Placed> placed_;
};

}  // namespace

std::vector<ProfileFault> range_faults(const MeasuringRange& range, bool torque, bool angle) {
    std::vector<ProfileFault> faults;
    if (torque && range.torque_resolution.micro_nm <= 0)
        faults.push_back(
            {"/range/torque_resolution", "missing or not positive", "give the step in which torque counts"});
    if (torque && (range.torque_max.micro_nm < range.torque_resolution.micro_nm ||
                   range.torque_max.micro_nm <= 0 || range.torque_max.micro_nm > torque_limit_micro_nm))
        faults.push_back({"/range/torque_max", to_text(range.torque_max),
                          "give the highest torque that the sensor measures"});
    if (angle && range.angle_resolution.micro_deg <= 0)
        faults.push_back(
            {"/range/angle_resolution", "missing or not positive", "give the step in which angle counts"});
    if (angle &&
        (range.angle_max.micro_deg < range.angle_resolution.micro_deg || range.angle_max.micro_deg <= 0))
        faults.push_back(
            {"/range/angle_max", to_text(range.angle_max), "give the highest angle that the tool measures"});
    return faults;
}

std::uint16_t width(FieldType type) noexcept {
    switch (type) {
    case FieldType::int16:
    case FieldType::uint16:
    case FieldType::bcd16:
    case FieldType::bit: return 1;
    case FieldType::int32:
    case FieldType::uint32:
    case FieldType::float32:
    case FieldType::bcd32: return 2;
    case FieldType::int64:
    case FieldType::uint64:
    case FieldType::float64: return 4;
    }
    std::unreachable();
}

bool is_bcd(FieldType type) noexcept { return type == FieldType::bcd16 || type == FieldType::bcd32; }

std::vector<RegisterPlace> places_in(const RegisterProfile& profile) { return Checker(profile).places(); }

std::vector<ProfileFault> check(const RegisterProfile& profile) {
    auto faults = Checker(profile).run();
    std::ranges::move(check_trace(profile), std::back_inserter(faults));
    std::ranges::move(check_control(profile), std::back_inserter(faults));
    return faults;
}

}  // namespace tautgate::protocol
