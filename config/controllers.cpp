#include "config/controllers.hpp"

#include <algorithm>

#include <fmt/format.h>

namespace tautgate::config {

namespace {

bool carried_elsewhere(const Bay& bay, const std::string& permissive) {
    return std::ranges::any_of(bay.further_controllers, [&](const FurtherController& further) {
        return std::ranges::find(further.permissives, permissive) != further.permissives.end();
    });
}

}  // namespace

std::vector<BayController> controllers_of(const Station& station, const Bay& bay) {
    std::vector<BayController> all{
        {.id = {}, .link = &bay.controller, .permissives = {}, .key = "/controller"}};
    for (const Permissive& permissive : station.permissives) {
        if (permissive.bay == bay.id && !carried_elsewhere(bay, permissive.id)) {
            all.front().permissives.push_back(&permissive);
        }
    }
    for (std::size_t index = 0; index < bay.further_controllers.size(); ++index) {
        const FurtherController& further = bay.further_controllers[index];
        BayController one{.id = further.id,
                          .link = &further.link,
                          .permissives = {},
                          .key = fmt::format("/further_controllers/{}", index)};
        for (const std::string& id : further.permissives) {
            const auto found = std::ranges::find(station.permissives, id, &Permissive::id);
            if (found != station.permissives.end() && found->bay == bay.id) {
                one.permissives.push_back(&*found);
            }
        }
        all.push_back(std::move(one));
    }
    return all;
}

Station alone(const Station& station, const Bay& bay, const BayController& controller) {
    Station cut;
    cut.number = station.number;
    cut.bays.push_back(bay);
    cut.bays.front().controller = *controller.link;
    cut.bays.front().further_controllers.clear();
    for (const Permissive* permissive : controller.permissives) {
        cut.permissives.push_back(*permissive);
    }
    return cut;
}

std::string name_of(const BayController& controller) {
    return controller.id.empty() ? "its main controller" : fmt::format("controller {}", controller.id);
}

}  // namespace tautgate::config
