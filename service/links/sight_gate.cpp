#include "service/links/sight_gate.hpp"

#include <utility>
#include <variant>

#include <fmt/format.h>

namespace tautgate::links {

SightGate::SightGate(const config::Station& station, Links links, Onward onward)
    : links_(std::move(links)), onward_(std::move(onward)) {
    for (const config::Tool& tool : station.tools)
        bays_[tool.id] = config::bays_of(tool);
}

void SightGate::take(interlock::Payload told) {
    if (const auto* changed = std::get_if<interlock::ControllerLinkChanged>(&told))
        seen_[changed->bay.text] = changed->quality == interlock::Quality::good;
    else if (const auto* result = std::get_if<interlock::ResultReceived>(&told))
        look(result->tool.text);
    onward_(std::move(told));
}

// At each bay where it may work.
void SightGate::look(const std::string& tool) {
    const auto bays = bays_.find(tool);
    if (bays == bays_.end())
        return;
    for (const std::string& bay : bays->second) {
        const auto seen = seen_.find(bay);
        if (seen == seen_.end() || !seen->second)
            continue;
        const Sight sight = links_.sight({bay});
        if (!sight.too_old)
            continue;
        seen->second = false;
        onward_(interlock::ControllerLinkChanged{
            .bay = {bay},
            .quality = interlock::Quality::stale,
            .why = fmt::format("nobody looked for {} ms, since the service stood still", sight.age.count())});
        links_.lose_sight({bay});
    }
}

}  // namespace tautgate::links
