// Profiles and blocks of registers. The first 48 bytes become a profile, sensible or not; the rest registers.
#include <span>
#include <variant>
#include <vector>

#include "protocol/result_watch.hpp"
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
    return field;
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
    return 0;
}
