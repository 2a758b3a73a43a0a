#include "protocol/frame_count.hpp"

#include <algorithm>
#include <utility>

#include "protocol/register_image.hpp"

namespace tautgate::protocol {

std::uint64_t FrameCount::unroll(const FrameCounter& counter, std::uint64_t raw,
                                 const std::string& epoch) const {
    constexpr std::uint64_t sent_again_most = 16;
    if (!known_ || known_->epoch != epoch || known_->counter < counter.lowest || raw < counter.lowest ||
        raw > counter.highest)
        return raw;
    const std::uint64_t last = counter.highest - counter.lowest;  // ring size minus one, which always fits
    const auto ring = static_cast<WideSigned>(last) + 1;
    const WideSigned distance = (WideSigned{raw} - known_->counter) % ring;
    const auto forward = static_cast<std::uint64_t>(distance < 0 ? distance + ring : distance);
    if (forward == 0)
        return known_->counter;
    const std::uint64_t back = last - forward + 1;
    // Of a small ring what is newer comes first.
    const bool is_newer = forward <= last / 2 + last % 2;
    if (back <= sent_again_most && (!is_newer || back < forward))
        return known_->counter >= counter.lowest + back ? known_->counter - back : raw;
    return is_newer ? known_->counter + forward : raw;
}

std::uint64_t FrameCount::by_mark(const std::string& mark) const {
    if (known_ && is_newest(mark))
        return known_->counter;
    return known_ && !unwatched_ ? known_->counter + 1 : 1;
}

std::string FrameCount::epoch_by_mark(const std::string& mark) const {
    if (unwatched_ && !is_newest(mark))
        return *unwatched_;
    return known_ ? known_->epoch : std::string();
}

bool FrameCount::is_newest(const std::string& mark) const {
    return known_ && !mark.empty() && known_->mark == mark;
}

void FrameCount::heard(const std::string& epoch, std::uint64_t counter, const std::string& mark) {
    unwatched_.reset();
    if (!known_ || known_->epoch != epoch || counter > known_->counter)
        known_ = Known{epoch, counter, mark};
}

void FrameCount::unwatched(std::string new_epoch) { unwatched_ = std::move(new_epoch); }

}  // namespace tautgate::protocol
