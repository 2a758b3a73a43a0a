// The line protocol of protocol/LINE.md: a frame is a line, with its seal where it has one. Without a key a
// line bears no check of its own: what changes a line into another good one is left to TCP.
#pragma once

#include <string>
#include <utility>

#include "tests/link_errors/dialect.hpp"

namespace tautgate::link_errors {

class LineDialect final : public Dialect {
  public:
    // `stranger`: a tool that the station knows and that may not call from here.
    explicit LineDialect(std::string stranger) : stranger_(std::move(stranger)) {}

    [[nodiscard]] std::size_t frame_length(Way way, std::span<const std::uint8_t> bytes) const override;
    [[nodiscard]] bool is_target(Way, const Bytes&) const override { return true; }
    [[nodiscard]] bool has_check() const override { return false; }
    void seal(Bytes&) const override {}
    [[nodiscard]] bool is_guarded(Way, const Bytes&) const override { return true; }
    [[nodiscard]] bool is_foreign_order(Way, const Bytes&) const override { return false; }
    // The same message.
    [[nodiscard]] bool is_like(const Bytes& one, const Bytes& other) const override;
    [[nodiscard]] Bytes in_place_of(const Bytes& content, const Bytes&) const override { return content; }
    // Only a hello says who calls, and to whom.
    [[nodiscard]] std::optional<Bytes> masquerade(Way way, const Bytes& frame, Dice& dice) const override;
    [[nodiscard]] std::optional<Bytes> misaddress(Way way, const Bytes& frame, Dice& dice) const override;

  private:
    std::string stranger_;
};

}  // namespace tautgate::link_errors
