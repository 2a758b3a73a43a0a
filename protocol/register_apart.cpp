#include "protocol/register_apart.hpp"

#include <algorithm>
#include <vector>

#include <fmt/format.h>

#include "protocol/trace_registers.hpp"

namespace tautgate::protocol {

namespace {

struct Kept {
    FieldPlace at;
    const char* what;
};

FieldPlace place_of_block(const BlockRange& block) { return {block.table, block.start, block.length}; }

// All slots, with what lies between them.
FieldPlace place_of_slots(const ResultRing& ring, const BlockRange& first) {
    const std::uint32_t last = std::uint32_t{ring.stride} * (std::max<std::uint32_t>(ring.slots, 1) - 1);
    return {first.table, first.start, last + first.length};
}

std::vector<Kept> kept_of(const RegisterProfile& profile) {
    std::vector<Kept> kept;
    for (const BlockRange& block : result_blocks(profile))
        kept.push_back(profile.ring ? Kept{place_of_slots(*profile.ring, block), "the slots of the ring"}
                                    : Kept{place_of_block(block), "the result block"});
    if (profile.ring)
        kept.push_back({place_of(profile, profile.ring->newest), "the count of the newest result"});
    if (profile.epoch)
        kept.push_back({place_of(profile, *profile.epoch), "the epoch"});
    if (profile.control) {
        kept.push_back(
            {place_of(profile, profile.control->enabled), "where the tool says whether it may run"});
        if (profile.control->selected)
            kept.push_back(
                {place_of(profile, *profile.control->selected), "where the tool says its program"});
    }
    for (const FieldPlace& place : trace_places(profile))
        kept.push_back({place, "the curve"});
    return kept;
}

}  // namespace

bool overlap(const FieldPlace& one, const FieldPlace& other) noexcept {
    return one.table == other.table && one.address < other.address + other.count &&
           other.address < one.address + one.count;
}

std::optional<std::string> kept_by_tool(const RegisterProfile& profile, const FieldPlace& written) {
    for (const auto& [at, what] : kept_of(profile))
        if (overlap(written, at))
            return at.count == 1 ? fmt::format("register {} is {}, which the tool writes", at.address, what)
                                 : fmt::format("register {} lies in {} ({} to {}), which the tool writes",
                                               std::max(written.address, at.address), what, at.address,
                                               at.address + at.count - 1);
    return std::nullopt;
}

std::optional<FieldPlace> acknowledged_at(const RegisterProfile& profile) {
    if (!profile.acknowledge || !profile.counter)
        return std::nullopt;
    return FieldPlace{RegisterTable::holding, *profile.acknowledge, width(profile.counter->field.type)};
}

}  // namespace tautgate::protocol
