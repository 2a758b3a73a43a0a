// The frames of the two invented tools. What guards a guarded one is its own and looked at by the code under
// test, so it is never made right again after a corruption.
#pragma once

#include "tests/link_errors/dialect.hpp"
#include "tests/link_errors/frame_device.hpp"

namespace tautgate::link_errors {

class FrameDialect final : public Dialect {
  public:
    explicit FrameDialect(FrameKind kind) : kind_(kind) {}

    [[nodiscard]] std::size_t frame_length(Way, std::span<const std::uint8_t> bytes) const override {
        return frame_bytes(kind_, bytes);
    }
    [[nodiscard]] bool is_target(Way, const Bytes&) const override { return true; }
    [[nodiscard]] bool has_check() const override { return kind_ == FrameKind::guarded; }
    void seal(Bytes&) const override {}
    [[nodiscard]] bool is_guarded(Way, const Bytes&) const override { return true; }
    [[nodiscard]] bool is_foreign_order(Way, const Bytes&) const override { return false; }
    // The same message.
    [[nodiscard]] bool is_like(const Bytes& one, const Bytes& other) const override {
        return message_of(kind_, one) == message_of(kind_, other);
    }
    [[nodiscard]] Bytes in_place_of(const Bytes& content, const Bytes&) const override { return content; }
    // A result that this tool did not make, under a number that it may have given or may give next; to the
    // tool, that one is stored.
    [[nodiscard]] std::optional<Bytes> masquerade(Way way, const Bytes& frame, Dice& dice) const override;
    // What another tool of the kind says of its own count, or is told of it.
    [[nodiscard]] std::optional<Bytes> misaddress(Way way, const Bytes& frame, Dice& dice) const override;

  private:
    FrameKind kind_;
};

// Differs from most others in its values.
[[nodiscard]] FramedResult draw_framed_result(Dice& dice);

}  // namespace tautgate::link_errors
