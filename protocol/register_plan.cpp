#include "protocol/register_plan.hpp"

#include <algorithm>
#include <utility>

namespace tautgate::protocol {

namespace {

constexpr std::uint32_t widest_gap = 16;

void add(std::vector<FieldPlace>& places, const RegisterProfile& profile,
         const std::optional<RegisterField>& field) {
    if (field)
        places.push_back(place_of(profile, *field));
}

// Of all fields that every result has for itself.
std::vector<FieldPlace> places_in_result(const RegisterProfile& profile) {
    std::vector<FieldPlace> places;
    if (profile.counter)
        places.push_back(place_of(profile, profile.counter->field));
    add(places, profile, profile.toggle);
    if (profile.handshake)
        places.push_back(place_of(profile, profile.handshake->ready));
    if (!profile.ring)
        add(places, profile, profile.epoch);
    if (profile.program)
        places.push_back(place_of(profile, profile.program->field));
    if (profile.program_text)
        places.push_back({profile.table, profile.program_text->address, profile.program_text->registers});
    if (profile.torque)
        places.push_back(place_of(profile, profile.torque->field));
    add(places, profile, profile.angle);
    if (profile.direction)
        places.push_back(place_of(profile, profile.direction->field));
    if (profile.verdict)
        places.push_back(place_of(profile, profile.verdict->field));
    for (const auto* limit : {&profile.limits.torque_min, &profile.limits.torque_max,
                              &profile.limits.angle_min, &profile.limits.angle_max})
        add(places, profile, *limit);
    if (profile.stamp) {
        places.push_back(place_of(profile, profile.stamp->field));
        if (profile.stamp->kind == StampKind::calendar)
            places.back().count = calendar_registers;
    }
    add(places, profile, profile.position);
    return places;
}

// As few blocks as the limits allow. What lies beyond the last register of a table is left to check().
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

}  // namespace

FieldPlace place_of(const RegisterProfile& profile, const RegisterField& field) noexcept {
    return {field.table.value_or(profile.table), field.address, width(field.type)};
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
    add(places, profile, profile.epoch);
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
