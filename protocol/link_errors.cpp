#include "protocol/link_errors.hpp"

#include <algorithm>
#include <array>
#include <utility>

#include <fmt/format.h>

#include "protocol/frame_splitter.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::array every_link_error{LinkError::corruption,     LinkError::repetition, LinkError::loss,
                                      LinkError::wrong_sequence, LinkError::insertion,  LinkError::delay,
                                      LinkError::masquerade,     LinkError::addressing};

template <class Is>
std::vector<LinkError> those(Is is) {
    std::vector<LinkError> errors;
    std::ranges::copy_if(every_link_error, std::back_inserter(errors), is);
    return errors;
}

bool counts(const FrameProfile& profile) {
    const ResultMessage* result = result_of(profile);
    return result != nullptr && result->counter;
}

// A count that ends before it begins is found by the check of the counter itself.
template <class Counter>
bool goes_far(const Counter& counter) {
    return counter.highest <= counter.lowest || counter.highest - counter.lowest >= shortest_count_span;
}

// So far that no number comes again while an old frame could.
bool counts_far(const FrameProfile& profile) {
    return counts(profile) && goes_far(*result_of(profile)->counter);
}

bool is_detected(const FrameProfile& profile, LinkError error) {
    switch (error) {
    case LinkError::corruption: return profile.checksum && is_crc(profile.checksum->kind);
    case LinkError::repetition:
    case LinkError::wrong_sequence:
    case LinkError::insertion: return counts_far(profile);
    case LinkError::loss: return counts_far(profile) && tells_newest(profile) && newest_has_epoch(profile);
    // Nothing that comes is tied to when it was asked for: what lags a little more each time is never silent.
    case LinkError::delay:
    case LinkError::masquerade:
    case LinkError::addressing: return false;
    }
    std::unreachable();
}

bool is_detected(const RegisterProfile& profile, bool serial, LinkError error) {
    const bool whole = profile.second_read == SecondRead::block;
    switch (error) {
    case LinkError::corruption: return serial || whole;
    case LinkError::repetition:
    case LinkError::insertion:
    case LinkError::delay: return true;
    case LinkError::loss: return profile.counter && goes_far(*profile.counter);
    case LinkError::wrong_sequence: return !serial || whole;
    case LinkError::masquerade:
    case LinkError::addressing: return whole;
    }
    std::unreachable();
}

bool is_detected_by_lines(bool keyed, LinkError error) {
    switch (error) {
    case LinkError::repetition:
    case LinkError::loss:
    case LinkError::wrong_sequence:
    case LinkError::insertion:
    case LinkError::delay: return true;
    case LinkError::corruption:
    case LinkError::masquerade:
    case LinkError::addressing: return keyed;
    }
    std::unreachable();
}

NotDetected count_too_short(const FrameCounter& counter) {
    return {
        fmt::format(
            "the count goes from {} to {} and then round again, so that an old frame can pass for the "
            "next result",
            counter.lowest, counter.highest),
        fmt::format("use a tool that counts {} results before it begins again, correct lowest and highest",
                    shortest_count_span + 1)};
}

}  // namespace

std::vector<LinkError> detected(const FrameProfile& profile) {
    return those([&](LinkError error) { return is_detected(profile, error); });
}

std::vector<LinkError> detected(const RegisterProfile& profile, bool serial) {
    return those([&](LinkError error) { return is_detected(profile, serial, error); });
}

std::vector<LinkError> detected_by_lines(bool keyed) {
    return those([&](LinkError error) { return is_detected_by_lines(keyed, error); });
}

bool newest_has_epoch(const FrameProfile& profile) noexcept {
    const ResultMessage* result = result_of(profile);
    if (result == nullptr || !result->epoch)
        return true;
    return std::ranges::all_of(profile.messages, [](const FrameMessage& message) {
        const auto* status = std::get_if<StatusMessage>(&message.what);
        return status == nullptr || !status->newest || status->epoch;
    });
}

bool detects(const std::vector<LinkError>& detected, LinkError error) noexcept {
    return std::ranges::find(detected, error) != detected.end();
}

std::string_view link_error_text(LinkError error) noexcept {
    switch (error) {
    case LinkError::corruption: return "corruption";
    case LinkError::repetition: return "repetition";
    case LinkError::loss: return "loss";
    case LinkError::wrong_sequence: return "wrong sequence";
    case LinkError::insertion: return "insertion";
    case LinkError::delay: return "delay";
    case LinkError::masquerade: return "masquerade";
    case LinkError::addressing: return "addressing";
    }
    std::unreachable();
}

NotDetected why_not(const FrameProfile& profile, LinkError error) {
    const bool by_count = error == LinkError::repetition || error == LinkError::wrong_sequence ||
                          error == LinkError::insertion || error == LinkError::loss;
    if (by_count && counts(profile) && !counts_far(profile))
        return count_too_short(*result_of(profile)->counter);
    switch (error) {
    case LinkError::corruption:
        return {profile.checksum ? "a checksum of 8 bits lets one disturbed frame in 256 through"
                                 : "no checksum guards the frames",
                "have the tool send a CRC of 16 bits and describe it under checksum"};
    case LinkError::repetition:
    case LinkError::wrong_sequence:
    case LinkError::insertion:
        return {"without a count a result that came before, or between, looks like a new one",
                "name the tool's counter"};
    case LinkError::loss:
        if (!newest_has_epoch(profile))
            return {
                "a status that tells the newest count without its epoch hides what was lost over a restart",
                "name the epoch in each status with newest, too"};
        return {counts(profile) ? "a lost result shows only when the next one comes"
                                : "without a count nobody sees that a result is missing",
                "name the tool's counter, and a status that tells its newest"};
    case LinkError::delay:
        return {"silence shows, and a lag that grows little by little does not: nothing that the tool says "
                "is tied "
                "to when it was asked for",
                "leave it out; use a tool that is polled or speaks the line protocol where it is needed"};
    case LinkError::masquerade:
    case LinkError::addressing:
        return {"nothing in a frame proves who sent it and for whom",
                "leave it out; use a tool that speaks the line protocol with a key where it is needed"};
    }
    std::unreachable();
}

}  // namespace tautgate::protocol
