#include "protocol/register_plan.hpp"

#include <algorithm>
#include <utility>

namespace tautgate::protocol {

namespace {

constexpr std::uint32_t widest_gap = 16;

void add(std::vector<RegisterField>& fields, const std::optional<RegisterField>& field) {
    if (field)
        fields.push_back(*field);
}

// Registers that hold no number: of a text, of the parts of a stamp.
void add_words(std::vector<RegisterField>& fields, std::uint16_t first, std::uint16_t count,
               std::optional<RegisterTable> table) {
    for (std::uint16_t i = 0; i < count; ++i)
        fields.push_back({.address = static_cast<std::uint16_t>(first + i), .table = table});
}

void add_stamp(std::vector<RegisterField>& fields, const StampField& stamp) {
    if (stamp.kind == StampKind::calendar)
        add_words(fields, stamp.field.address, calendar_registers, stamp.field.table);
    else
        fields.push_back(stamp.field);
}

// Of all fields that every result has for itself.
std::vector<FieldPlace> places_in_result(const RegisterProfile& profile) {
    std::vector<RegisterField> fields = result_fields(profile);
    add(fields, profile.toggle);
    if (profile.handshake)
        fields.push_back(profile.handshake->ready);
    std::vector<FieldPlace> places;
    places.reserve(fields.size());
    for (const RegisterField& field : fields)
        places.push_back(place_of(profile, field));
    return places;
}

}  // namespace

std::vector<BlockRange> cover(std::vector<FieldPlace> places) {
    std::ranges::sort(places, {},
                      [](const FieldPlace& place) { return std::pair(place.table, place.address); });
    std::vector<BlockRange> blocks;
    for (const FieldPlace& place : places) {
        const std::uint32_t end = std::min<std::uint32_t>(place.address + place.count, 65536);
        if (!blocks.empty() && blocks.back().table == place.table) {
            BlockRange& last = blocks.back();
            const std::uint32_t end_of_last = std::uint32_t{last.start} + last.length;
            const std::uint32_t together = std::max(end, end_of_last) - last.start;
            if (place.address <= end_of_last + widest_gap && together <= most_per_read(place.table)) {
                last.length = static_cast<std::uint16_t>(together);
                continue;
            }
        }
        blocks.push_back({place.table, place.address, static_cast<std::uint16_t>(end - place.address)});
    }
    return blocks;
}

FieldPlace place_of(const RegisterProfile& profile, const RegisterField& field) noexcept {
    return {field.table.value_or(profile.table), field.address, width(field.type)};
}

std::vector<RegisterField> result_fields(const RegisterProfile& profile) {
    std::vector<RegisterField> fields;
    if (profile.counter)
        fields.push_back(profile.counter->field);
    if (!profile.ring)
        add(fields, profile.epoch);
    if (profile.program)
        fields.push_back(profile.program->field);
    if (profile.program_text)
        add_words(fields, profile.program_text->address, profile.program_text->registers, std::nullopt);
    if (profile.torque)
        fields.push_back(profile.torque->field);
    add(fields, profile.angle);
    if (profile.direction)
        fields.push_back(profile.direction->field);
    if (profile.verdict)
        fields.push_back(profile.verdict->field);
    for (const auto* limit : {&profile.limits.torque_min, &profile.limits.torque_max,
                              &profile.limits.angle_min, &profile.limits.angle_max})
        add(fields, *limit);
    if (profile.stamp)
        add_stamp(fields, *profile.stamp);
    add(fields, profile.position);
    return fields;
}

std::vector<BlockRange> result_blocks(const RegisterProfile& profile) {
    if (profile.length != 0)
        return {{profile.table, profile.start, profile.length}};
    return cover(places_in_result(profile));
}

std::vector<BlockRange> reads_of(const RegisterProfile& profile) {
    if (!profile.ring)
        return result_blocks(profile);
    std::vector<FieldPlace> places{place_of(profile, profile.ring->newest)};
    if (profile.epoch)
        places.push_back(place_of(profile, *profile.epoch));
    return cover(std::move(places));
}

BlockRange slot_of(const RegisterProfile& profile, std::uint64_t counter) {
    // As many counts as slots fit into it without a rest, so that the turn of the count changes nothing.
    const std::uint64_t slot = (counter - profile.counter->lowest) % profile.ring->slots;
    BlockRange block = result_blocks(profile).front();
    block.start = static_cast<std::uint16_t>(block.start + slot * profile.ring->stride);
    return block;
}

std::size_t words_in(std::span<const BlockRange> blocks) noexcept {
    std::size_t words = 0;
    for (const BlockRange& block : blocks)
        words += block.length;
    return words;
}

std::optional<std::size_t> offset_in(std::span<const BlockRange> blocks, const FieldPlace& place) noexcept {
    std::size_t before = 0;
    for (const BlockRange& block : blocks) {
        if (block.table == place.table && place.address >= block.start &&
            place.address + place.count <= std::uint32_t{block.start} + block.length)
            return before + (place.address - block.start);
        before += block.length;
    }
    return std::nullopt;
}

}  // namespace tautgate::protocol
