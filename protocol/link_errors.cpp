#include "protocol/link_errors.hpp"

#include <algorithm>
#include <array>
#include <utility>

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

// Whether anything comes while the tool makes no result.
bool gives_sign_of_life(const FrameProfile& profile) {
    return profile.keep_alive || std::ranges::any_of(profile.messages, [](const FrameMessage& message) {
               return std::holds_alternative<StatusMessage>(message.what) ||
                      std::holds_alternative<OtherMessage>(message.what);
           });
}

bool is_detected(const FrameProfile& profile, LinkError error) {
    switch (error) {
    case LinkError::corruption: return profile.checksum && is_crc(profile.checksum->kind);
    case LinkError::repetition:
    case LinkError::wrong_sequence:
    case LinkError::insertion: return counts(profile);
    case LinkError::loss: return counts(profile) && tells_newest(profile);
    case LinkError::delay: return gives_sign_of_life(profile);
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
    case LinkError::loss: return profile.counter.has_value();
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
        return {counts(profile) ? "a lost result shows only when the next one comes"
                                : "without a count nobody sees that a result is missing",
                "name the tool's counter, and a status that tells its newest"};
    case LinkError::delay:
        return {"a tool that is silent while it makes nothing cannot be told from one that is late",
                "describe a keep_alive, or a message that the tool sends as a sign of life"};
    case LinkError::masquerade:
    case LinkError::addressing:
        return {"nothing in a frame proves who sent it and for whom",
                "leave it out; use a tool that speaks the line protocol with a key where it is needed"};
    }
    std::unreachable();
}

}  // namespace tautgate::protocol
