#include "service/links/register_line.hpp"

#include <utility>

#include "service/links/register_calls.hpp"
#include "service/links/serial_bus.hpp"

namespace tautgate::links {

namespace {

class TcpRegisterLine final : public RegisterLine {
  public:
    explicit TcpRegisterLine(RegisterCalls calls) : calls_(std::move(calls)) {}

    Done read(const protocol::BlockRange& block, std::span<std::uint16_t> into) override {
        return answered(calls_.ask_to_read(block.table, block.start, into));
    }
    Done write(std::uint16_t address, std::span<const std::uint16_t> words) override {
        return answered(calls_.ask_to_write(address, words));
    }
    Done write_coil(std::uint16_t address, bool on) override {
        return answered(calls_.ask_to_write_coil(address, on));
    }

  private:
    // Without the first answer there is no second request: the tool may be writing, and the order matters.
    [[nodiscard]] Done answered(Done asked) { return asked ? calls_.finish() : asked; }

    RegisterCalls calls_;
};

class SerialRegisterLine final : public RegisterLine {
  public:
    SerialRegisterLine(std::shared_ptr<SerialBus> bus, std::uint8_t unit,
                       std::chrono::milliseconds answer_within)
        : bus_(std::move(bus)), unit_(unit), answer_within_(answer_within) {}

    Done read(const protocol::BlockRange& block, std::span<std::uint16_t> into) override {
        return bus_->read(unit_, block, into, answer_within_);
    }
    Done write(std::uint16_t address, std::span<const std::uint16_t> words) override {
        return bus_->write(unit_, address, words, answer_within_);
    }
    Done write_coil(std::uint16_t address, bool on) override {
        return bus_->write_coil(unit_, address, on, answer_within_);
    }

  private:
    std::shared_ptr<SerialBus> bus_;
    std::uint8_t unit_;
    std::chrono::milliseconds answer_within_;
};

}  // namespace

std::expected<std::unique_ptr<RegisterLine>, std::string>
open_line(const config::RegisterLink& link, std::chrono::milliseconds answer_within, SerialBuses& buses) {
    if (link.serial) {
        auto bus = buses.bus(*link.serial);
        if (auto opened = bus->open(); !opened)
            return std::unexpected(std::move(opened.error()));
        return std::make_unique<SerialRegisterLine>(std::move(bus), link.unit, answer_within);
    }
    auto dialled = dial(link.host, link.port, link.unit, answer_within);
    if (!dialled)
        return std::unexpected(std::move(dialled.error()));
    return std::make_unique<TcpRegisterLine>(RegisterCalls(std::move(*dialled), link.unit, answer_within));
}

}  // namespace tautgate::links
