#include "tests/link_errors/line_dialect.hpp"

#include <algorithm>
#include <variant>

#include "protocol/line.hpp"

namespace tautgate::link_errors {

namespace {

const protocol::MeasuringRange range_of_any{
    .torque_resolution = {1}, .angle_resolution = {1}, .torque_max = {1'000'000'000'000}};

[[nodiscard]] std::string text_of_line(const Bytes& frame) { return {frame.begin(), frame.end() - 1}; }

// The name of the message, with its quotes, without the seal before it.
[[nodiscard]] std::string message_of(const Bytes& frame) {
    const auto begin = std::ranges::find(frame, '{');
    return {begin, std::find(begin, frame.end(), ':')};
}

[[nodiscard]] std::optional<Bytes> hello_of(const std::string& tool, const Bytes& frame) {
    const auto message = protocol::parse_line(text_of_line(frame), range_of_any);
    if (!message)
        return std::nullopt;
    const auto* hello = std::get_if<protocol::Hello>(&*message);
    if (hello == nullptr)
        return std::nullopt;
    const std::string line =
        protocol::to_line(protocol::Hello{tool, hello->epoch, hello->last, hello->nonce});
    return Bytes(line.begin(), line.end());
}

}  // namespace

std::size_t LineDialect::frame_length(Way, std::span<const std::uint8_t> bytes) const {
    const auto end = std::ranges::find(bytes, std::uint8_t{'\n'});
    return end == bytes.end() ? 0 : static_cast<std::size_t>(end - bytes.begin()) + 1;
}

bool LineDialect::is_like(const Bytes& one, const Bytes& other) const {
    return message_of(one) == message_of(other);
}

std::optional<Bytes> LineDialect::masquerade(Way way, const Bytes& frame, Dice&) const {
    return way == Way::asked ? hello_of(stranger_, frame) : std::nullopt;
}

std::optional<Bytes> LineDialect::misaddress(Way way, const Bytes& frame, Dice&) const {
    return way == Way::asked ? hello_of("of another station", frame) : std::nullopt;
}

}  // namespace tautgate::link_errors
