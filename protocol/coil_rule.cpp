#include "protocol/coil_rule.hpp"

namespace tautgate::protocol {

CoilLine coil_line_step(CoilLine line, const CoilSettings& settings, bool alive,
                        std::uint64_t now_ms) noexcept {
    if (!line.scanned) {
        // What stands there may be older than the start.
        line.scanned = true;
        line.alive = alive;
        line.switched_ms = now_ms;
        line.heartbeat_ms = now_ms;
        line.good = false;
        line.interrupted = true;
        line.switched = false;
        return line;
    }
    line.interrupted = !line.good || now_ms - line.switched_ms >= settings.beat_limit_ms;
    line.switched = alive != line.alive;
    if (line.switched) {
        line.alive = alive;
        line.switched_ms = now_ms;
        line.good = true;
    } else if (line.interrupted) {
        line.good = false;
    }
    if (now_ms - line.heartbeat_ms >= settings.heartbeat_ms) {
        line.heartbeat = !line.heartbeat;
        line.heartbeat_ms = now_ms;
    }
    return line;
}

CoilPointState coil_point_step(CoilPointState point, const CoilSettings& settings, const CoilLine& line,
                               const CoilInputs& inputs, std::uint64_t now_ms) noexcept {
    const bool made = point.scanned && inputs.moved && !point.moved;
    const bool unit_changed = point.scanned && inputs.present != point.present;
    if (!point.scanned || line.interrupted || made || unit_changed)
        point.armed = false;
    if (line.good && inputs.present && !inputs.release)
        point.armed = true;
    if (!point.armed || !inputs.release) {
        point.seen_on = false;
        point.counts = false;
    } else if (line.switched) {
        point.counts = point.seen_on;
        point.seen_on = true;
    }
    if (made)
        point.shows_moved = true;
    if (!point.scanned || inputs.release || !line.good || made)
        point.not_off_ms = now_ms;
    else if (!inputs.moved && now_ms - point.not_off_ms >= settings.moved_ms)
        point.shows_moved = false;
    point.scanned = true;
    point.release = inputs.release;
    point.present = inputs.present;
    point.moved = inputs.moved;
    return point;
}

bool may_move(const CoilLine& line, const CoilPointState& point) noexcept {
    return line.good && point.armed && point.counts && point.present && point.release;
}

}  // namespace tautgate::protocol
