// The simulated controller of the first bay of a description, quick enough for a test.
#pragma once

#include <chrono>
#include <memory>
#include <stdexcept>
#include <utility>

#include "config/station.hpp"
#include "tools/simulation/controller.hpp"

namespace tautgate::links::testing {

inline std::unique_ptr<simulation::Controller> controller_for(const config::Station& station,
                                                              std::chrono::milliseconds beat_limit) {
    auto settings = simulation::controller_settings(station, station.bays.front());
    settings.scan = std::chrono::milliseconds(5);
    settings.beat_limit = beat_limit;
    auto opened = simulation::Controller::open(std::move(settings), {});
    if (!opened)
        throw std::runtime_error(opened.error());
    return std::move(*opened);
}

}  // namespace tautgate::links::testing
