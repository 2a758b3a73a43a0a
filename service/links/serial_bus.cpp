#include "service/links/serial_bus.hpp"

#include <algorithm>
#include <cerrno>
#include <cstdint>
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

// What so many bytes take on the line, with those that frame them: a start bit, eight data bits, parity and
// stop bits each. A request without data has 8, an answer 5, and between frames there are 3.5 characters of
// silence (MODBUS over Serial Line V1.02, 2.5.1).
[[nodiscard]] milliseconds on_line(const config::SerialLine& line, std::size_t bytes) {
    constexpr std::size_t besides = 8 + 5 + 7;
    const int bits = 1 + data_bits + (line.parity == config::Parity::none ? 0 : 1) + line.stop_bits;
    constexpr std::uint64_t second = 1000;
    const std::uint64_t all = (bytes + besides) * static_cast<std::uint64_t>(bits);
    return milliseconds(all * second / std::max<std::uint32_t>(line.baud, 1) + 1);
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
SerialBus::Done SerialBus::request(const Wanted& wanted, Ask ask) {
    const std::unique_lock turn{mutex_, longest_turn};
    if (!turn)
        return Broken(fmt::format("the serial line {} is busy", line_.device));
    if (auto opened = open_device(); !opened)
        return opened;
    const milliseconds until_answered = wanted.answer_within + on_line(line_, wanted.bytes);
    if (modbus_set_slave(context_.get(), wanted.unit) != 0 ||
        !set_answer_time(context_.get(), until_answered))
        return Broken(fmt::format("unit {}: {}", wanted.unit, last_modbus_error()));
    static_cast<void>(modbus_flush(context_.get()));  // what came since the last answer is for nobody
    const int done = ask(context_.get());
    if (done == wanted.count)
        return {};
    const int error = errno;
    std::string why =
        done < 0 ? last_modbus_error() : "the answer has another number of registers than was asked for";
    if (error == EIO || error == EBADF || error == ENXIO)
        context_.reset();  // the adapter was pulled out
    else if (done >= 0 || !is_answer(error))
        let_settle(wanted.answer_within);
    return Broken(std::move(why));
}

SerialBus::Done SerialBus::read(std::uint8_t unit, const protocol::BlockRange& block,
                                std::span<std::uint16_t> into, milliseconds answer_within) {
    const bool is_bits = protocol::is_bit_table(block.table);
    const int count = block.length;
    const Wanted wanted{unit, answer_within, count,
                        is_bits ? (into.size() + 7) / 8 : into.size() * sizeof(std::uint16_t)};
    if (!is_bits)
        return request(wanted, [&](modbus_t* line) {
            return block.table == protocol::RegisterTable::holding
                       ? modbus_read_registers(line, block.start, count, into.data())
                       : modbus_read_input_registers(line, block.start, count, into.data());
        });
    std::vector<std::uint8_t> bits(into.size());
    auto done = request(wanted, [&](modbus_t* line) {
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
    return request({unit, answer_within, count, words.size_bytes()}, [&](modbus_t* line) {
        return modbus_write_registers(line, address, count, words.data());
    });
}

SerialBus::Done SerialBus::write_coil(std::uint8_t unit, std::uint16_t address, bool on,
                                      milliseconds answer_within) {
    return request({unit, answer_within, 1, 0},
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
