#include "service/links/serial_bus.hpp"

#include <algorithm>
#include <cerrno>
#include <thread>
#include <utility>
#include <vector>

#include <fmt/format.h>
#include <modbus.h>
#include <sys/ioctl.h>

#include "service/links/serial_device.hpp"

namespace tautgate::links {

using std::chrono::milliseconds;

namespace {

using Broken = std::unexpected<std::string>;

// Of the others on the line, each with an answer that does not come.
constexpr milliseconds longest_turn{2000};
constexpr int data_bits = 8;

[[nodiscard]] char letter(config::Parity parity) noexcept {
    switch (parity) {
    case config::Parity::none: return 'N';
    case config::Parity::even: return 'E';
    case config::Parity::odd: return 'O';
    }
    std::unreachable();
}

[[nodiscard]] bool is_answer(int error) noexcept {
    return error >= EMBXILFUN && error <= EMBXGTAR;  // the device refuses: it did answer
}

}  // namespace

SerialBus::Done SerialBus::open_device() {
    if (context_)
        return {};
    ModbusContext context{modbus_new_rtu(line_.device.c_str(), static_cast<int>(line_.baud),
                                         letter(line_.parity), data_bits, line_.stop_bits)};
    if (!context || modbus_set_error_recovery(context.get(), MODBUS_ERROR_RECOVERY_NONE) != 0)
        return Broken(
            fmt::format("cannot prepare the serial line {}: {}", line_.device, last_modbus_error()));
    if (modbus_connect(context.get()) != 0)
        return Broken(why_not_open(line_.device, errno));
    // Nobody else may talk between. A device that does not know the request is left as it is.
    static_cast<void>(::ioctl(modbus_get_socket(context.get()), TIOCEXCL));
    static_cast<void>(modbus_flush(context.get()));
    context_ = std::move(context);
    return {};
}

SerialBus::Done SerialBus::open() {
    const std::unique_lock turn{mutex_, longest_turn};
    if (!turn)
        return Broken(fmt::format("the serial line {} is busy", line_.device));
    return open_device();
}

void SerialBus::let_settle(milliseconds answer_within) {
    std::this_thread::sleep_for(answer_within);
    if (modbus_flush(context_.get()) < 0)
        context_.reset();
}

template <class Ask>
SerialBus::Done SerialBus::request(std::uint8_t unit, milliseconds answer_within, int wanted, Ask ask) {
    const std::unique_lock turn{mutex_, longest_turn};
    if (!turn)
        return Broken(fmt::format("the serial line {} is busy", line_.device));
    if (auto opened = open_device(); !opened)
        return opened;
    if (modbus_set_slave(context_.get(), unit) != 0 || !set_answer_time(context_.get(), answer_within))
        return Broken(fmt::format("unit {}: {}", unit, last_modbus_error()));
    static_cast<void>(modbus_flush(context_.get()));  // what came since the last answer is for nobody
    const int done = ask(context_.get());
    if (done == wanted)
        return {};
    const int error = errno;
    std::string why =
        done < 0 ? last_modbus_error() : "the answer has another number of registers than was asked for";
    if (error == EIO || error == EBADF || error == ENXIO)
        context_.reset();  // the adapter was pulled out
    else if (done >= 0 || !is_answer(error))
        let_settle(answer_within);
    return Broken(std::move(why));
}

SerialBus::Done SerialBus::read(std::uint8_t unit, const protocol::BlockRange& block,
                                std::span<std::uint16_t> into, milliseconds answer_within) {
    const int count = block.length;
    if (!protocol::is_bit_table(block.table))
        return request(unit, answer_within, count, [&](modbus_t* line) {
            return block.table == protocol::RegisterTable::holding
                       ? modbus_read_registers(line, block.start, count, into.data())
                       : modbus_read_input_registers(line, block.start, count, into.data());
        });
    std::vector<std::uint8_t> bits(into.size());
    auto done = request(unit, answer_within, count, [&](modbus_t* line) {
        return block.table == protocol::RegisterTable::coils
                   ? modbus_read_bits(line, block.start, count, bits.data())
                   : modbus_read_input_bits(line, block.start, count, bits.data());
    });
    if (done)
        std::ranges::copy(bits, into.begin());
    return done;
}

SerialBus::Done SerialBus::write(std::uint8_t unit, std::uint16_t address,
                                 std::span<const std::uint16_t> words, milliseconds answer_within) {
    const auto count = static_cast<int>(words.size());
    return request(unit, answer_within, count, [&](modbus_t* line) {
        return modbus_write_registers(line, address, count, words.data());
    });
}

SerialBus::Done SerialBus::write_coil(std::uint8_t unit, std::uint16_t address, bool on,
                                      milliseconds answer_within) {
    return request(unit, answer_within, 1,
                   [&](modbus_t* line) { return modbus_write_bit(line, address, on ? TRUE : FALSE); });
}

std::shared_ptr<SerialBus> SerialBuses::bus(const config::SerialLine& line) {
    const std::lock_guard lock{mutex_};
    auto& bus = by_device_[line.device];
    if (!bus)
        bus = std::make_shared<SerialBus>(line);
    return bus;
}

}  // namespace tautgate::links
