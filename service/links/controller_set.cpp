#include "service/links/controller_set.hpp"

#include <algorithm>
#include <cassert>
#include <iterator>
#include <utility>

#include <fmt/format.h>

namespace tautgate::links {

using interlock::ControllerLinkChanged;
using interlock::ControllerReported;
using interlock::Presence;
using interlock::Quality;

namespace {

// The worse, the higher.
[[nodiscard]] int badness(Quality quality) noexcept {
    switch (quality) {
    case Quality::good: return 0;
    case Quality::stale: return 1;
    case Quality::unknown: return 2;
    case Quality::failed: return 3;
    }
    return 3;
}

void add_missing(ControllerSet::Released& to, const ControllerSet::Released& from) {
    for (const domain::PermissiveId& id : from)
        if (std::ranges::find(to, id) == to.end())
            to.push_back(id);
}

}  // namespace

ControllerSet::ControllerSet(domain::BayId bay, std::vector<Member> members) : bay_(std::move(bay)) {
    assert(members.size() > 1);
    for (Member& member : members)
        devices_.push_back({.member = std::move(member), .why = "nothing was heard yet", .said = {}});
}

// ---- what comes in --------------------------------------------------------------------------------------

ControllerSet::Told ControllerSet::take(std::size_t member, ControllerReported report,
                                        const Released& released, SteadyTime now) {
    Told told;
    const bool is_main = member == 0;
    if (is_main && devices_.front().said && (!waiting_.empty() || brings_news_of_a_unit(report))) {
        waiting_.push_back({std::move(report), released, now});
        let_out(told, now);
        return told;
    }
    const bool were_all_heard = all_heard();
    devices_[member].said = std::move(report);
    if (!all_heard())
        return told;
    if (!were_all_heard)
        for (Device& device : devices_)
            device.ahead = ahead_now(device);
    compare(now);
    tell(told, {}, false);
    return told;
}

ControllerSet::Told ControllerSet::take(std::size_t member, const ControllerLinkChanged& changed,
                                        SteadyTime now) {
    Told told;
    Device& device = devices_[member];
    device.quality = changed.quality;
    device.why = changed.why;
    const Device& last = worst();
    const auto named = static_cast<std::size_t>(&last - devices_.data());
    // As after each time that a link came up, the bay is told anew what is known.
    const bool came_up = last.quality == Quality::good && (quality_ != Quality::good || changed.changes > 1);
    const bool other = last.quality != quality_ || (last.quality != Quality::good && named != named_);
    if (other || changed.changes > 1) {
        quality_ = last.quality;
        named_ = named;
        told.emplace_back(ControllerLinkChanged{
            .bay = bay_,
            .quality = quality_,
            .why = quality_ == Quality::good ? "every controller of the bay is heard"
                                             : fmt::format("{}: {}", last.member.name, last.why),
            .changes = changed.changes});
    }
    // What waited for this one need not wait any longer.
    let_out(told, now);
    compare(now);
    if (all_heard())
        tell(told, {}, came_up);
    return told;
}

ControllerSet::Told ControllerSet::alive(std::size_t member, SteadyTime as_of, SteadyTime now) {
    Told told;
    devices_[member].alive_as_of = as_of;
    let_out(told, now);
    return told;
}

void ControllerSet::tries_wiring(const std::vector<bool>& members) {
    for (std::size_t i = 0; i < devices_.size(); ++i)
        devices_[i].tried = members[i];
}

ControllerSet::Told ControllerSet::look(SteadyTime now) {
    Told told;
    if (!all_heard())
        return told;
    compare(now);
    tell(told, {}, false);
    return told;
}

// ---- news of a unit -------------------------------------------------------------------------------------

bool ControllerSet::brings_news_of_a_unit(const ControllerReported& report) const {
    return report.arrivals != of_main().arrivals || report.departures != of_main().departures;
}

bool ControllerSet::may_be_told(const Waiting& waiting) const {
    return std::all_of(std::next(devices_.begin()), devices_.end(), [&](const Device& device) {
        return device.quality != Quality::good ||
               (device.alive_as_of && *device.alive_as_of >= waiting.since);
    });
}

void ControllerSet::let_out(Told& told, SteadyTime now) {
    while (!waiting_.empty() && may_be_told(waiting_.front())) {
        devices_.front().said = std::move(waiting_.front().report);
        const Released released = std::move(waiting_.front().released);
        waiting_.pop_front();
        if (!all_heard())
            continue;
        compare(now);
        tell(told, released, false);
    }
}

// ---- whether they see the same unit ---------------------------------------------------------------------

bool ControllerSet::all_heard() const {
    return std::ranges::all_of(devices_, [](const Device& device) { return device.said.has_value(); });
}

bool ControllerSet::all_good() const {
    return std::ranges::all_of(devices_,
                               [](const Device& device) { return device.quality == Quality::good; });
}

std::uint16_t ControllerSet::ahead_now(const Device& device) const {
    return static_cast<std::uint16_t>(device.said->arrivals - of_main().arrivals);
}

bool ControllerSet::differs(const Device& device) const {
    return device.said->present != of_main().present || ahead_now(device) != device.ahead;
}

// One that is not heard may differ only because its news have not come.
void ControllerSet::compare(SteadyTime now) {
    if (!all_heard())
        return;
    const bool good = all_good();
    for (Device& device : devices_) {
        if (!good || !differs(device)) {
            device.differs_since.reset();
            device.differs_long = false;
            continue;
        }
        if (!device.differs_since)
            device.differs_since = now;
        if (now - *device.differs_since <= device.member.presence_within)
            continue;
        device.differs_long = true;
        device.ahead = ahead_now(device);
    }
}

// ---- what goes out --------------------------------------------------------------------------------------

const ControllerSet::Device& ControllerSet::worst() const {
    return *std::ranges::max_element(devices_, {},
                                     [](const Device& device) { return badness(device.quality); });
}

// Empty is what all of them call empty.
Presence ControllerSet::presence() const {
    const bool seen_elsewhere = std::ranges::any_of(devices_, [&](const Device& device) {
        return device.differs_long && device.said->present != Presence::absent;
    });
    return of_main().present == Presence::absent && seen_elsewhere ? Presence::unknown : of_main().present;
}

// Each start of any of them changes it, and so does a count of arrivals that went apart. The factor is odd,
// so that no single change is lost, and large, so that few starts of one do not make up for those of another.
std::uint16_t ControllerSet::starts() const {
    constexpr std::uint32_t factor = 257;
    std::uint32_t figure = of_main().starts;
    for (auto device = std::next(devices_.begin()); device != devices_.end(); ++device)
        figure = (figure * factor + device->said->starts) * factor + device->ahead;
    return static_cast<std::uint16_t>(figure);
}

// That of all; none before all have it, for one that one of them has alone is no echo.
domain::Token ControllerSet::echoed() const {
    const bool tried = std::ranges::any_of(devices_, &Device::tried);
    std::optional<domain::Token> common;
    for (const Device& device : devices_) {
        if (tried && !device.tried)
            continue;
        if (differs(device) || (common && *common != device.said->echoed))
            return {};
        common = device.said->echoed;
    }
    return common.value_or(domain::Token{});
}

ControllerReported ControllerSet::merged() const {
    ControllerReported report = of_main();
    report.present = presence();
    report.starts = starts();
    report.echoed = echoed();
    for (auto device = std::next(devices_.begin()); device != devices_.end(); ++device) {
        const ControllerReported& said = *device->said;
        std::ranges::copy(said.moved, std::back_inserter(report.moved));
        report.fault = report.fault || said.fault;
        add_missing(report.on_wire_released, said.on_wire_released);
        add_missing(report.moved_wrongly, said.moved_wrongly);
    }
    return report;
}

void ControllerSet::tell(Told& told, const Released& released, bool again) {
    ControllerReported report = merged();
    if (!again && told_ == report)
        return;
    told_ = report;
    add_missing(report.on_wire_released, released);
    told.emplace_back(std::move(report));
}

}  // namespace tautgate::links
