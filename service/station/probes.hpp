// How a test looks into a running station and breaks it on purpose. The service itself leaves all of it
// empty.
#pragma once

#include <functional>
#include <string_view>

namespace tautgate::station {

struct Probes {
    // Called at named points: on the loop's thread "turn" (each beat), "before_acknowledgement" and
    // "after_acknowledgement" (of results that are durable); on the journal's thread those of its writer.
    std::function<void(std::string_view point)> at_point;
    // Breaks the promise that a release waits for the disk, to show that somebody would notice.
    bool release_before_durable = false;

    void reached(std::string_view point) const {
        if (at_point)
            at_point(point);
    }
};

}  // namespace tautgate::station
