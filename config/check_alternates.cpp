// The other ways of doing a joint. Each is checked as what it may become: the station with that joint done
// so, by every rule that holds for the planned one.
#include <algorithm>

#include "config/findings.hpp"

namespace tautgate::config {
namespace {

bool same(const ConfigFinding& one, const ConfigFinding& other) {
    return one.severity == other.severity && one.pointer == other.pointer && one.what == other.what;
}

// Both lie in the joint: what is the alternate's own is named there.
std::string moved_into(const std::string& pointer, const std::string& joint, const std::string& alternate) {
    return pointer.starts_with(joint) ? alternate + pointer.substr(joint.size()) : pointer;
}

// What is found of the station so and was not found of it as planned. What nothing uses any more, and the
// like, is none of it.
void check_one(std::vector<ConfigFinding>& found, const Station& station, std::size_t index,
               std::size_t which, CheckOfStation check) {
    const auto joint = fmt::format("/joints/{}", index);
    const auto here = fmt::format("{}/alternates/{}", joint, which);
    Station so = station;
    so.joints[index] = station.joints[index].alternates[which];
    const std::string id = so.joints[index].alternate->id;
    const auto known = found;
    for (ConfigFinding& one : check(so)) {
        const bool of_joint = one.pointer == joint || one.pointer.starts_with(joint + "/");
        const bool new_one =
            std::ranges::none_of(known, [&](const ConfigFinding& other) { return same(one, other); });
        if (new_one && (of_joint || one.severity == Severity::error))
            found.push_back({one.severity, moved_into(one.pointer, joint, here),
                             fmt::format("done as \"{}\": {}", id, one.what), std::move(one.remedy)});
    }
}

}  // namespace

std::vector<ConfigFinding> check_with_alternates(const Station& station, CheckOfStation check) {
    std::vector<ConfigFinding> found = check(station);
    for (std::size_t index = 0; index < station.joints.size(); ++index)
        for (std::size_t which = 0; which < station.joints[index].alternates.size(); ++which)
            check_one(found, station, index, which, check);
    return found;
}

void check_alternates(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        const Joint& joint = station.joints[index];
        check_unique(
            findings, joint.alternates,
            [](const Joint& other) { return fmt::format("\"{}\"", other.alternate->id); },
            [&](std::size_t which) { return fmt::format("/joints/{}/alternates/{}/id", index, which); },
            "alternate");
    }
}

}  // namespace tautgate::config
