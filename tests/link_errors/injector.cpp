#include "tests/link_errors/injector.hpp"

#include <algorithm>
#include <iterator>
#include <utility>

#include <fmt/format.h>

#include "protocol/link_errors.hpp"

namespace tautgate::link_errors {

namespace {

// More than any link here has under way, and few enough that no beat among them comes round again.
constexpr std::size_t frames_remembered = 2000;

std::string hex(const Bytes& bytes) {
    std::string text;
    for (const std::uint8_t byte : bytes)
        text += fmt::format("{:02x}", byte);
    return text;
}

void flip(Bytes& frame, std::uint64_t bit) { frame[bit / 8] ^= static_cast<std::uint8_t>(1U << bit % 8); }

std::string flip_bits(Bytes& frame, Dice& dice) {
    const std::uint64_t count = 1 + dice.below(3);
    for (std::uint64_t i = 0; i < count; ++i)
        flip(frame, dice.below(frame.size() * 8));
    return "bits";
}
std::string flip_burst(Bytes& frame, Dice& dice) {
    const std::uint64_t bits = frame.size() * 8;
    const std::uint64_t first = dice.below(bits);
    const std::uint64_t length = std::min<std::uint64_t>(2 + dice.below(31), bits - first);
    flip(frame, first);
    for (std::uint64_t i = 1; i < length; ++i)
        if (dice.one_in(2))
            flip(frame, first + i);
    return "a burst";
}
std::string overwrite(Bytes& frame, Dice& dice) {
    const std::uint64_t first = dice.below(frame.size());
    const std::uint64_t length = std::min<std::uint64_t>(1 + dice.below(4), frame.size() - first);
    const std::uint64_t choice = dice.below(3);
    for (std::uint64_t i = first; i < first + length; ++i)
        frame[i] = static_cast<std::uint8_t>(choice == 0 ? 0x00 : choice == 1 ? 0xFF : dice.below(256));
    return "bytes";
}

}  // namespace

std::string to_text(const Injection& injection) {
    std::string text = fmt::format("{} of {} ({}): {} became", protocol::link_error_text(injection.error),
                                   injection.way == Way::asked ? "a request" : "an answer", injection.how,
                                   hex(injection.before));
    if (injection.after.empty())
        text += " nothing";
    for (const Parcel& parcel : injection.after)
        text +=
            fmt::format(" {}{}", hex(parcel.bytes),
                        parcel.delay.count() > 0 ? fmt::format(" after {} ms", parcel.delay.count()) : "");
    return text;
}

void Injector::arm(LinkError error, Way way) {
    disarm();
    armed_ = Armed{error, way};
}

void Injector::disarm() {
    armed_.reset();
    held_.reset();
    done_.reset();
}

void Injector::reconnected() {
    held_.reset();
    swallow_after_.reset();
    unanswered_ = 0;
}

void Injector::remember(Way way, const Bytes& frame) {
    auto& frames = history(way);
    frames.push_back(frame);
    if (frames.size() > frames_remembered)
        frames.pop_front();
}

std::vector<Parcel> Injector::pass(Way way, const Bytes& frame) {
    if (seen_)
        seen_(way, frame);
    if (cut_)
        return {};
    if (way == Way::asked) {
        ++unanswered_;
    } else {
        unanswered_ -= std::min<std::size_t>(unanswered_, 1);
        if (swallow_after_ && (*swallow_after_)-- == 0) {
            swallow_after_.reset();
            return {};
        }
    }
    std::vector<Parcel> parcels{{.bytes = frame}};
    if (held_ && held_->way == way && dialect_.is_like(held_frame_, frame)) {
        parcels.front().bytes = dialect_.in_place_of(held_frame_, frame);
        dialect_.seal(parcels.front().bytes);
        held_.reset();
    } else if (armed_ && armed_->way == way && dialect_.is_target(way, frame)) {
        if (auto spoilt = spoil(*armed_, frame)) {
            parcels = spoilt->parcels;
            done_ = Injection{armed_->error, way, std::move(spoilt->how), frame, std::move(spoilt->parcels)};
            armed_.reset();
        }
    }
    remember(way, frame);
    return parcels;
}

std::optional<Injector::Spoilt> Injector::spoil(const Armed& armed, const Bytes& frame) {
    const auto one = [](std::optional<Bytes> bytes, std::string how) -> std::optional<Spoilt> {
        if (!bytes)
            return std::nullopt;
        return Spoilt{std::move(how), {{.bytes = std::move(*bytes)}}};
    };
    switch (armed.error) {
    case LinkError::corruption: return corrupt(armed.way, frame);
    case LinkError::repetition: return repeat(armed.way, frame);
    case LinkError::loss: return Spoilt{"dropped", {}};
    case LinkError::wrong_sequence: return swap(armed.way, frame);
    case LinkError::insertion: return insert(armed.way, frame);
    case LinkError::delay: return keep_waiting(frame);
    case LinkError::masquerade: return one(dialect_.masquerade(armed.way, frame, dice_), "another sender");
    case LinkError::addressing: return one(dialect_.misaddress(armed.way, frame, dice_), "another place");
    }
    return std::nullopt;
}

std::optional<Injector::Spoilt> Injector::corrupt(Way way, const Bytes& frame) {
    const bool guarded = dialect_.is_guarded(way, frame);
    if (!guarded && !dialect_.has_check())
        return std::nullopt;
    Bytes bytes = frame;
    std::string how;
    while (bytes == frame || (guarded && dialect_.is_foreign_order(way, bytes))) {
        bytes = frame;
        switch (dice_.below(8)) {
        case 0:
            bytes.resize(dice_.below(bytes.size()));
            return Spoilt{"cut short", {{.bytes = std::move(bytes)}}};
        case 1:
        case 2: how = flip_burst(bytes, dice_); break;
        case 3: how = overwrite(bytes, dice_); break;
        default: how = flip_bits(bytes, dice_); break;
        }
        if (guarded && dice_.one_in(2)) {
            dialect_.seal(bytes);
            how += ", sealed";
        }
    }
    return Spoilt{std::move(how), {{.bytes = std::move(bytes)}}};
}

std::optional<Bytes> Injector::earlier(Way way, const Bytes& like, std::size_t within) {
    const auto& frames = history(way);
    std::vector<const Bytes*> found;
    for (auto frame = frames.rbegin(); frame != frames.rend() && found.size() < within; ++frame)
        if (dialect_.is_like(*frame, like))
            found.push_back(&*frame);
    return found.empty() ? std::nullopt : std::optional(*found[dice_.below(found.size())]);
}

// Twice at once, or an old one once more before or after the present one.
std::optional<Injector::Spoilt> Injector::repeat(Way way, const Bytes& frame) {
    if (dice_.one_in(2))
        return Spoilt{"twice", {{.bytes = frame}, {.bytes = frame}}};
    auto old = earlier(way, frame, 20);
    if (!old)
        return std::nullopt;
    if (dice_.one_in(2))
        return Spoilt{"an old one before it", {{.bytes = std::move(*old)}, {.bytes = frame}}};
    return Spoilt{"an old one after it", {{.bytes = frame}, {.bytes = std::move(*old)}}};
}

// An old one comes in the place of this one, and this one in the place of the next.
std::optional<Injector::Spoilt> Injector::swap(Way way, const Bytes& frame) {
    if (!dialect_.is_guarded(way, frame))
        return std::nullopt;
    const auto old = earlier(way, frame, 8);
    if (!old)
        return std::nullopt;
    held_ = Armed{LinkError::wrong_sequence, way};
    held_frame_ = frame;
    Bytes bytes = dialect_.in_place_of(*old, frame);
    dialect_.seal(bytes);
    return Spoilt{"in the order of another time", {{.bytes = std::move(bytes)}}};
}

// One from any time, which nobody sent now; of a request the answer may be kept from whoever did not ask.
std::optional<Injector::Spoilt> Injector::insert(Way way, const Bytes& frame) {
    if (!dialect_.is_guarded(way, frame))
        return std::nullopt;
    const auto old = earlier(way, frame, frames_remembered);
    if (!old)
        return std::nullopt;
    Bytes bytes = dice_.one_in(2) ? dialect_.in_place_of(*old, frame) : *old;
    dialect_.seal(bytes);
    if (way == Way::asked && dice_.one_in(2)) {
        swallow_after_ = unanswered_;
        return Spoilt{"one more request, its answer taken away",
                      {{.bytes = frame}, {.bytes = std::move(bytes)}}};
    }
    if (dice_.one_in(2))
        return Spoilt{"one more before it", {{.bytes = std::move(bytes)}, {.bytes = frame}}};
    return Spoilt{"one more after it", {{.bytes = frame}, {.bytes = std::move(bytes)}}};
}

Injector::Spoilt Injector::keep_waiting(const Bytes& frame) {
    if (dice_.one_in(2)) {
        const auto little = 1 + dice_.below(static_cast<std::uint64_t>(delays_.longest_short.count()));
        return {"a little", {{frame, std::chrono::milliseconds(little)}}};
    }
    const auto span = static_cast<std::uint64_t>((delays_.at_most - delays_.at_least).count()) + 1;
    const auto much = delays_.at_least + std::chrono::milliseconds(dice_.below(span));
    return {"beyond the limit", {{frame, much}}};
}

}  // namespace tautgate::link_errors
