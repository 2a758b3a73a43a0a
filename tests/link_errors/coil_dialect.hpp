// The line to simple equipment that knows coils and inputs only: requests to read bits and to write single
// coils, over Modbus TCP. Nothing in it is guarded by more than the transport.
//
// MODBUS Application Protocol V1.1b3, sections 6.1, 6.2, 6.5 and 6.11.
#pragma once

#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "tests/link_errors/modbus_dialect.hpp"

namespace tautgate::link_errors {

// What a request to write one coil says.
struct CoilWrite {
    std::uint16_t coil = 0;
    bool on = false;
    bool operator==(const CoilWrite&) const = default;
};

class CoilDialect final : public ModbusDialect {
  public:
    // `alive` and `releases` are the coils.
    CoilDialect(std::uint16_t alive, std::vector<std::uint16_t> releases)
        : ModbusDialect(Transport::tcp), alive_(alive), releases_(std::move(releases)) {}

    [[nodiscard]] bool is_target(Way, const Bytes&) const override { return true; }
    // Frames may be taken for each other, since nothing forbids it.
    [[nodiscard]] bool is_guarded(Way, const Bytes&) const override { return true; }
    [[nodiscard]] bool is_foreign_order(Way, const Bytes&) const override { return false; }
    // Somebody else writes a coil, mostly a release; or other equipment answers.
    [[nodiscard]] std::optional<Bytes> masquerade(Way way, const Bytes& frame, Dice& dice) const override;
    [[nodiscard]] std::optional<Bytes> misaddress(Way way, const Bytes& frame, Dice& dice) const override;

    [[nodiscard]] static std::optional<CoilWrite> write_in(Way way, const Bytes& frame);

  private:
    std::uint16_t alive_;
    std::vector<std::uint16_t> releases_;
};

}  // namespace tautgate::link_errors
