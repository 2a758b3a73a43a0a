// Several controllers at one bay: each has an id of its own and permissives of its own, and the main one,
// which tells of the unit, has at least one to be heard by.
#include <algorithm>
#include <map>

#include "config/controllers.hpp"
#include "config/findings.hpp"

namespace tautgate::config {

namespace {

std::string at_further(std::size_t bay, std::size_t index, std::string_view rest) {
    return fmt::format("/bays/{}/further_controllers/{}/{}", bay, index, rest);
}

// Health names bays and further controllers in one list.
void check_names(Findings& findings, const Station& station) {
    std::map<std::string, std::string> taken;
    for (std::size_t bay = 0; bay < station.bays.size(); ++bay) {
        taken.emplace(station.bays[bay].id, fmt::format("/bays/{}/id", bay));
    }
    for (std::size_t bay = 0; bay < station.bays.size(); ++bay) {
        const auto& further = station.bays[bay].further_controllers;
        for (std::size_t index = 0; index < further.size(); ++index) {
            const auto pointer = at_further(bay, index, "id");
            const auto [first, is_new] = taken.emplace(further[index].id, pointer);
            if (!is_new) {
                findings.error(
                    pointer,
                    fmt::format("the id {} is taken already, at {}", further[index].id, first->second),
                    "give each controller an id of its own, which is no bay's either");
            }
        }
    }
}

void check_carried(Findings& findings, const Station& station, std::size_t at) {
    const Bay& bay = station.bays[at];
    std::map<std::string, std::string> carried;
    for (std::size_t index = 0; index < bay.further_controllers.size(); ++index) {
        const auto& ids = bay.further_controllers[index].permissives;
        for (std::size_t place = 0; place < ids.size(); ++place) {
            const auto pointer = at_further(at, index, fmt::format("permissives/{}", place));
            check_reference(findings, station.permissives, ids[place], "permissive", pointer);
            const Permissive* permissive = by_id(station.permissives, ids[place]);
            if (permissive != nullptr && permissive->bay != bay.id) {
                findings.error(
                    pointer,
                    fmt::format("permissive \"{}\" is at bay \"{}\"", permissive->id, permissive->bay),
                    fmt::format("name permissives of bay \"{}\"", bay.id));
            }
            const auto [first, is_new] = carried.emplace(ids[place], pointer);
            if (!is_new) {
                findings.error(
                    pointer,
                    fmt::format("permissive \"{}\" is carried already, at {}", ids[place], first->second),
                    "name it once: one controller is told of a permissive");
            }
        }
    }
}

// The main one is heard by what it echoes, and it alone tells of the unit.
void check_main(Findings& findings, const Station& station, std::size_t at) {
    const Bay& bay = station.bays[at];
    const auto pointer = fmt::format("/bays/{}/further_controllers", at);
    if (is_by_coils(bay)) {
        findings.error(pointer,
                       "the bay's main controller is spoken to by coils, which carry no unit's token",
                       "connect the main controller by registers, or leave the further ones out");
    } else if (controllers_of(station, bay).front().permissives.empty()) {
        findings.error(pointer,
                       "no permissive is left for the main controller, which tells of the unit and is heard "
                       "by what it echoes",
                       "leave it at least one, or make one of the further controllers the main one");
    }
}

// What the two see of a unit is taken in one after the other: the further one's when it comes, the main one's
// once the further one has answered after it, each with a beat that may just have been missed.
void check_presence_within(Findings& findings, const Bay& bay, std::size_t at) {
    constexpr int fewest_beats = 4;
    for (std::size_t index = 0; index < bay.further_controllers.size(); ++index) {
        const FurtherController& further = bay.further_controllers[index];
        const auto beat = std::max(bay.controller.beat_interval, further.link.beat_interval);
        if (further.presence_within < fewest_beats * beat) {
            findings.error(
                at_further(at, index, "presence_within_ms"),
                fmt::format("{} ms is less than {} beats of {} ms, so that one unit would be taken for two",
                            further.presence_within.count(), fewest_beats, beat.count()),
                fmt::format("give at least {}, and more where the sensors stand apart",
                            fewest_beats * beat.count()));
        }
    }
}

}  // namespace

void check_controllers(Findings& findings, const Station& station) {
    check_names(findings, station);
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        if (!station.bays[index].further_controllers.empty()) {
            check_carried(findings, station, index);
            check_main(findings, station, index);
            check_presence_within(findings, station.bays[index], index);
        }
    }
}

}  // namespace tautgate::config
