// The description of a small bay whose equipment knows coils and inputs only.
#pragma once

#include <chrono>
#include <cstdint>

#include "config/station.hpp"

namespace tautgate::links::testing {

// Coils below 16, what comes back from 16 on.
inline config::Station coil_station(std::uint16_t port) {
    config::Station station;
    station.number = 3;
    config::Bay bay;
    bay.id = "J1";
    bay.number = 2;
    bay.controller.host = "127.0.0.1";
    bay.controller.port = port;
    bay.controller.beat_interval = std::chrono::milliseconds(20);
    bay.controller.echo_timeout = std::chrono::milliseconds(300);
    bay.controller.beat_timeout = std::chrono::milliseconds(400);
    bay.controller.settling = std::chrono::milliseconds(60);
    bay.controller.coils = config::CoilPlan{.alive = 0,
                                            .echo = {.number = 16},
                                            .heartbeat = {.number = 17},
                                            .present = config::ControllerBit{.number = 18},
                                            .debounce = std::chrono::milliseconds(0),
                                            .permissives = {{.permissive = "lift-beam",
                                                             .release = 1,
                                                             .moved = config::ControllerBit{.number = 19},
                                                             .acting = config::ControllerBit{.number = 20}},
                                                            {.permissive = "carrier",
                                                             .release = 2,
                                                             .moved = config::ControllerBit{.number = 21},
                                                             .acting = config::ControllerBit{.number = 22}}}};
    station.bays.push_back(bay);
    std::uint16_t number = 0;
    for (const auto& point : bay.controller.coils->permissives) {
        config::Permissive permissive;
        permissive.id = point.permissive;
        permissive.number = ++number;
        permissive.bay = "J1";
        permissive.one_shot = true;
        station.permissives.push_back(permissive);
    }
    return station;
}

}  // namespace tautgate::links::testing
