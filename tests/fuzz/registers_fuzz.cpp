// Profiles and blocks of registers. The first bytes become a profile, sensible or not; the rest registers.
// What the profile makes of them is read, explained, and taken for whether the tool may run and for a curve.
#include <cstddef>
#include <span>
#include <string>
#include <variant>
#include <vector>

#include "protocol/register_control.hpp"
#include "protocol/register_explain.hpp"
#include "protocol/result_watch.hpp"
#include "protocol/trace_registers.hpp"
#include "tests/fuzz/entry.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

class Source {
  public:
    Source(const std::uint8_t* data, std::size_t size) : data_(data, size) {}
    unsigned byte() {
        if (data_.empty())
            return 0;
        const unsigned value = data_.front();
        data_ = data_.subspan(1);
        return value;
    }
    std::uint16_t word() { return static_cast<std::uint16_t>((byte() << 8U) | byte()); }
    std::vector<std::uint16_t> words(std::size_t most) {
        std::vector<std::uint16_t> all;
        while (!data_.empty() && all.size() < most)
            all.push_back(word());
        return all;
    }

  private:
    std::span<const std::uint8_t> data_;
};

RegisterField field_from(Source& source) {
    RegisterField field;
    field.address = static_cast<std::uint16_t>(source.byte() % 32);
    field.type = static_cast<FieldType>(source.byte() % 11);
    const unsigned order = source.byte();
    if (order % 8 != 7)
        field.order = static_cast<WordOrder>(order % 4);
    if (order >= 128)
        field.scale =
            Decimal{static_cast<std::int8_t>(source.byte()), static_cast<std::int8_t>(source.byte()) / 8};
    if (order >= 192)
        field.offset =
            Decimal{static_cast<std::int8_t>(source.byte()), static_cast<std::int8_t>(source.byte()) / 8};
    if (order % 32 == 5)
        field.bits = BitRange{static_cast<std::uint16_t>(source.byte() % 70),
                              static_cast<std::uint16_t>(source.byte() % 20)};
    if (order % 32 == 9)
        field.table = static_cast<RegisterTable>(source.byte() % 4);
    return field;
}

SampleFields samples_from(Source& source) {
    SampleFields samples{field_from(source), 0};
    samples.apart = static_cast<std::uint16_t>(source.byte() % 8);
    return samples;
}

TraceFields trace_from(Source& source) {
    TraceFields trace;
    const unsigned parts = source.byte();
    trace.belongs_to = field_from(source);
    trace.samples = static_cast<std::uint16_t>(source.byte() % 12);
    trace.torque = samples_from(source);
    trace.torque_unit = static_cast<TorqueUnit>(source.byte() % 5);
    if ((parts & 1U) != 0)
        trace.count = field_from(source);
    if ((parts & 2U) != 0)
        trace.interval_us = source.byte();
    if ((parts & 4U) != 0)
        trace.interval = field_from(source);
    if ((parts & 8U) != 0)
        trace.time = samples_from(source);
    if ((parts & 16U) != 0)
        trace.angle = samples_from(source);
    return trace;
}

RegisterControl control_from(Source& source) {
    RegisterControl control;
    const unsigned parts = source.byte();
    control.enable = {.address = source.word(),
                      .table = static_cast<RegisterTable>(parts % 4),
                      .on = source.word(),
                      .off = source.word()};
    control.enabled = field_from(source);
    if ((parts & 4U) != 0)
        control.program = source.word();
    if ((parts & 8U) != 0)
        control.selected = field_from(source);
    if ((parts & 16U) != 0)
        control.programs = {{static_cast<std::int64_t>(source.byte()), "snug"}, {2, "final"}};
    return control;
}

// What stands last in the profile.
void add_more(Source& source, RegisterProfile& profile) {
    const unsigned more = source.byte();
    if ((more & 1U) != 0)
        profile.program = ProgramField{field_from(source), {{1, "snug"}, {162, "final"}}};
    if ((more & 2U) != 0)
        profile.program_text = TextField{static_cast<std::uint16_t>(source.byte() % 32),
                                         static_cast<std::uint16_t>(source.byte() % 12), std::nullopt};
    if ((more & 2U) != 0 && (more & 32U) != 0)
        profile.program_text->order = static_cast<WordOrder>(source.byte() % 4);
    if ((more & 4U) != 0)
        profile.control = control_from(source);
    if ((more & 8U) != 0)
        profile.trace = trace_from(source);
    if ((more & 16U) != 0)
        profile.start = static_cast<std::uint16_t>(source.byte() % 32);
}

RegisterProfile profile_from(Source& source) {
    RegisterProfile profile;
    profile.name = "any";
    profile.length = static_cast<std::uint16_t>(source.byte() % 33);
    const unsigned parts = source.byte();
    profile.second_read = (parts & 1U) != 0 ? SecondRead::counter : SecondRead::block;
    const unsigned ways = source.byte();
    if (ways % 4 == 0)
        profile.toggle = field_from(source);
    else
        profile.counter = CounterField{field_from(source), source.byte() % 3U, source.word()};
    if ((ways & 4U) != 0)
        profile.table = static_cast<RegisterTable>(source.byte() % 4);
    if ((ways & 8U) != 0)
        profile.handshake = Handshake{.ready = field_from(source), .address = source.word()};
    if ((ways & 16U) != 0)
        profile.ring = ResultRing{field_from(source), static_cast<std::uint16_t>(source.byte()),
                                  static_cast<std::uint16_t>(source.byte())};
    profile.torque = TorqueField{field_from(source), static_cast<TorqueUnit>(source.byte() % 5)};
    if ((parts & 2U) != 0)
        profile.angle = field_from(source);
    if ((parts & 4U) != 0)
        profile.verdict = VerdictField{field_from(source), source.word(), {1}, {2}, {3}, {{2, "low"}}};
    if ((parts & 8U) != 0)
        profile.direction = DirectionField{field_from(source), source.word(), {0, 1}, {2, 3}};
    if ((parts & 16U) != 0)
        profile.stamp = StampField{field_from(source), static_cast<StampKind>(source.byte() % 3), 60};
    if ((parts & 32U) != 0)
        profile.limits.torque_max = field_from(source);
    if ((parts & 64U) != 0)
        profile.position = field_from(source);
    if ((parts & 128U) != 0)
        profile.epoch = field_from(source);
    add_more(source, profile);
    profile.range = {Torque{100'000}, Angle{100'000}, Torque{600'000'000}, Angle{720'000'000}};
    return profile;
}

void check_reading(const RegisterProfile& profile, std::span<const std::uint16_t> block) {
    const auto reading = decode(profile, block);
    if (!reading) {
        promise(!reading.error().what.empty() && !reading.error().remedy.empty(),
                "a fault says what and what to do");
        return;
    }
    promise(block.size() == words_in(result_blocks(profile)), "a block of another length is no reading");
    promise(reading->received.raw.size() == 2 * block.size(), "a reading keeps its registers");
    if (const auto* torque = std::get_if<Torque>(&reading->torque))
        promise(torque->micro_nm >= 0 && *torque <= profile.range.torque_max &&
                    torque->micro_nm % 100'000 == 0,
                "torque lies in the sensor's range, on a step");
    if (const auto* angle = std::get_if<Angle>(&reading->angle))
        promise(angle->micro_deg >= 0 && *angle <= profile.range.angle_max && angle->micro_deg % 100'000 == 0,
                "angle lies in the sensor's range, on a step");
}

// What a person is shown says no more than what was read, and leaves nothing out.
void check_explanation(const Explanation& explanation, std::size_t words) {
    std::size_t shown = 0;
    for (const ExplainedField& field : explanation.fields) {
        shown += field.name.empty() ? field.words.size() : 0;
        promise(field.fault.empty() || !field.remedy.empty(), "a row with a fault says what to do");
        promise(!field.fault.empty() || !field.name.empty() || field.value.empty(),
                "registers of no field say nothing");
    }
    promise(shown <= words, "no register is shown as left over that was not read");
    promise(!explanation.whole.empty(), "a person is told what it is together");
}

void check_explained(const RegisterProfile& profile, Source& source) {
    auto words = source.words(64);
    const auto resized = [&](std::size_t size) -> std::span<const std::uint16_t> {
        words.resize(size);
        return words;
    };
    const auto result = resized(words_in(reads_of(profile)));
    check_explanation(explain(profile, result), result.size());
    if (const auto slot = newest_slot(profile, words))
        check_explanation(explain_slot(profile, *slot, resized(slot->length)), slot->length);
    if (profile.control) {
        const auto block = resized(words_in(control_reads(profile)));
        check_explanation(explain_control(profile, block), block.size());
        const auto seen = decode_control(profile, block);
        promise(seen || !seen.error().what.empty(), "a fault says what");
    }
    if (!profile.trace)
        return;
    const auto head = resized(trace_head(profile).length);
    check_explanation(explain_trace_head(profile, head), head.size());
    const auto read = trace_head_in(profile, head);
    if (!read)
        return promise(!read.error().empty(), "a head that cannot be read says why");
    promise(read->samples <= profile.trace->samples, "no curve is longer than the profile says");
    if (read->samples == 0)
        return;  // there is no curve
    const TracePlan plan = plan_trace(profile, read->samples);
    promise(!fault_of(plan.layout), "a sound profile plans a layout that can be read");
    std::string bytes(2 * (head.size() + words_in(plan.blocks)), '\0');
    for (char& byte : bytes)
        byte = static_cast<char>(source.byte());
    const auto curve = decode_samples(plan.layout, bytes, profile.range);
    promise(curve || !curve.error().empty(), "a curve that is refused says why");
    if (curve)
        promise(curve->samples() == read->samples && !fault_of(*curve, profile.range),
                "a curve that is read is one");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    Source source(data, size);
    const RegisterProfile profile = profile_from(source);
    const bool sound = check(profile).empty();
    auto block = source.words(64);
    check_reading(profile, block);
    block.resize(words_in(result_blocks(profile)));
    check_reading(profile, block);
    block.resize(words_in(reads_of(profile)));

    ResultWatch watch(KnownResult{41, 7});
    std::span<const std::uint16_t> again = block;
    if (const auto part = second_read_of(profile)) {
        const auto at = offset_in(reads_of(profile), {part->table, part->start, part->length});
        if (at)
            again = again.subspan(*at, part->length);
    }
    const auto outcome = watch.observe(profile, block, again);
    const bool may_be_no_number = (profile.counter && is_bcd(profile.counter->field.type)) ||
                                  (profile.epoch && is_bcd(profile.epoch->type));
    promise(outcome || !sound || !profile.counter || may_be_no_number,
            "two equal reads under a sound profile have a meaning");
    promise(!outcome || !std::holds_alternative<Torn>(*outcome), "two equal reads are not torn");
    if (outcome && sound) {
        const auto second = watch.observe(profile, block, again);
        promise(second && std::holds_alternative<NoNew>(*second), "the same block twice is one result");
    }
    (void)acknowledge_words(profile, 41);
    if (sound)
        check_explained(profile, source);
    return 0;
}
