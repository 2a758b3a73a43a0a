// Modbus frames, over TCP or on a serial line (RTU), and the two uses that the station makes of them: the
// permissive blocks of a bay, and the result block of a polled tool.
//
// MODBUS Application Protocol V1.1b3, sections 6.3 and 6.12; MODBUS Messaging on TCP/IP V1.0b, section 3.1.3;
// MODBUS over Serial Line V1.02, sections 2.5.1 and 6.2.2 (CRC-16).
#pragma once

#include <functional>
#include <utility>
#include <vector>

#include "protocol/permissive_block.hpp"
#include "tests/link_errors/dialect.hpp"

namespace tautgate::link_errors {

enum class Transport : std::uint8_t { tcp, serial };

// What is the same for every use of Modbus.
class ModbusDialect : public Dialect {
  public:
    explicit ModbusDialect(Transport transport) : transport_(transport) {}

    [[nodiscard]] std::size_t frame_length(Way way, std::span<const std::uint8_t> bytes) const override;
    [[nodiscard]] bool has_check() const override { return transport_ == Transport::serial; }
    void seal(Bytes& frame) const override;
    [[nodiscard]] bool is_like(const Bytes& one, const Bytes& other) const override {
        return one.size() == other.size();
    }
    [[nodiscard]] Bytes in_place_of(const Bytes& content, const Bytes& present) const override;

  protected:
    // Where the function code stands, and how many bytes follow the PDU.
    [[nodiscard]] std::size_t head() const noexcept { return transport_ == Transport::tcp ? 7 : 1; }
    [[nodiscard]] std::size_t tail() const noexcept { return transport_ == Transport::tcp ? 0 : 2; }
    [[nodiscard]] std::uint8_t function_of(const Bytes& frame) const { return frame.at(head()); }
    // Where the registers stand that a frame carries, and how many; none: 0.
    struct Carried {
        std::size_t at = 0;
        std::size_t words = 0;
    };
    [[nodiscard]] Carried carried(Way way, const Bytes& frame) const;
    [[nodiscard]] static std::vector<std::uint16_t> words_of(const Bytes& frame, const Carried& carried);
    static void put_words(Bytes& frame, const Carried& carried, std::span<const std::uint16_t> words);
    // Another unit, or, of a request, other registers.
    [[nodiscard]] Bytes with_other_unit(Bytes frame, Dice& dice) const;
    [[nodiscard]] Bytes with_other_address(Bytes frame, int shift) const;

  private:
    Transport transport_;
};

// The line to the controller: permissive blocks one way, feedback blocks the other. Which way depends on who
// calls.
class PermissiveDialect final : public ModbusDialect {
  public:
    // Of each permissive, in the order of their blocks, whether a release is for one movement.
    explicit PermissiveDialect(std::vector<bool> one_shot)
        : ModbusDialect(Transport::tcp), one_shot_(std::move(one_shot)) {}

    [[nodiscard]] bool is_target(Way, const Bytes&) const override { return true; }
    [[nodiscard]] bool is_guarded(Way, const Bytes&) const override { return true; }
    [[nodiscard]] bool is_foreign_order(Way, const Bytes&) const override { return false; }
    [[nodiscard]] std::optional<Bytes> masquerade(Way way, const Bytes& frame, Dice& dice) const override;
    [[nodiscard]] std::optional<Bytes> misaddress(Way way, const Bytes& frame, Dice& dice) const override;

    // The blocks that a frame carries to the controller, whole ones only.
    [[nodiscard]] std::vector<protocol::PermissiveBlock> blocks_in(Way way, const Bytes& frame) const;

  private:
    std::vector<bool> one_shot_;
};

// A polled tool.
class PolledDialect final : public ModbusDialect {
  public:
    // `foreign` gives the registers that another tool of the kind would show.
    using Foreign = std::function<std::vector<std::uint16_t>(Dice&)>;
    PolledDialect(Transport transport, Foreign foreign)
        : ModbusDialect(transport), foreign_(std::move(foreign)) {}

    [[nodiscard]] bool is_target(Way, const Bytes&) const override { return true; }
    // What is written to the tool, and the answer to it, is guarded by the transport alone: the answer
    // repeats nothing of what was written.
    [[nodiscard]] bool is_guarded(Way way, const Bytes& frame) const override;
    [[nodiscard]] bool is_foreign_order(Way way, const Bytes& spoilt) const override;
    [[nodiscard]] std::optional<Bytes> masquerade(Way way, const Bytes& frame, Dice& dice) const override;
    [[nodiscard]] std::optional<Bytes> misaddress(Way way, const Bytes& frame, Dice& dice) const override;

  private:
    Foreign foreign_;
};

}  // namespace tautgate::link_errors
