// What we send on a serial line and what we take from it, against frames with the CRC that the standard
// defines.
//
// MODBUS Application Protocol Specification V1.1b3 (26 April 2012), sections 6.1, 6.2, 6.3, 6.5; frames and
// CRC as in MODBUS over Serial Line Specification V1.02 (20 December 2006), sections 2.5.1 and 6.2.2.
// Provenance: the frames of 6.1, 6.2 and 6.5 are public test frames, their CRC recomputed (CRC-16/MODBUS:
// initial FFFF, reflected polynomial A001, low byte sent first; check value of "123456789" 4B37); the others
// were recomputed the same way.
#include <catch2/catch.hpp>

#include <array>
#include <chrono>
#include <cstdint>
#include <stdexcept>
#include <string>
#include <thread>
#include <vector>

#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <unistd.h>

#include <boost/crc.hpp>

#include "service/links/serial_bus.hpp"
#include "tests/standards/links/raw_peer.hpp"

namespace {

using namespace tautgate;
using protocol::BlockRange;
using protocol::RegisterTable;
using tests::Bytes;
using tests::from_hex;
using tests::to_hex;

constexpr std::chrono::milliseconds answer_within{300};

// The near end of a pseudo-terminal, whose far end is the serial line. It answers once, with given bytes.
class FarDevice {
  public:
    FarDevice() : near_(posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC)) {
        std::array<char, 64> name{};
        if (near_ < 0 || grantpt(near_) != 0 || unlockpt(near_) != 0 ||
            ptsname_r(near_, name.data(), name.size()) != 0)
            throw std::runtime_error("no pseudo-terminal");
        device_ = name.data();
    }
    ~FarDevice() {
        if (thread_.joinable())
            thread_.join();
        close(near_);
    }
    FarDevice(const FarDevice&) = delete;
    FarDevice& operator=(const FarDevice&) = delete;
    FarDevice(FarDevice&&) = delete;
    FarDevice& operator=(FarDevice&&) = delete;

    [[nodiscard]] config::SerialLine line() const { return {.device = device_}; }
    // Waits for a request of so many bytes.
    void answer(const std::string& answer_hex, std::size_t request_bytes = 8) {
        thread_ = std::thread([this, answer_hex, request_bytes] {
            pollfd waiting{near_, POLLIN, 0};
            while (asked_.size() < request_bytes && poll(&waiting, 1, 5000) > 0) {
                std::array<std::uint8_t, 64> bytes{};
                const auto count = read(near_, bytes.data(), bytes.size());
                if (count <= 0)
                    break;
                asked_.insert(asked_.end(), bytes.begin(), bytes.begin() + count);
            }
            const Bytes bytes = from_hex(answer_hex);
            written_ = write(near_, bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size());
        });
    }
    // The same, one byte at a time with this pause before each; until the other end is gone.
    void trickle(const std::string& answer_hex, std::chrono::milliseconds pause) {
        thread_ = std::thread([this, answer_hex, pause] {
            pollfd waiting{near_, POLLIN, 0};
            if (poll(&waiting, 1, 5000) <= 0)
                return;
            for (const std::uint8_t byte : from_hex(answer_hex)) {
                pollfd gone{near_, 0, 0};  // nothing but its end wakes us
                if (poll(&gone, 1, static_cast<int>(pause.count())) > 0 || write(near_, &byte, 1) != 1)
                    return;
            }
            written_ = true;
        });
    }
    [[nodiscard]] std::string asked() {
        thread_.join();
        REQUIRE(written_);
        return to_hex(asked_);
    }

  private:
    int near_;
    std::string device_;
    std::thread thread_;
    Bytes asked_;
    bool written_ = false;
};

std::string with_crc(const std::string& hex) {
    const Bytes bytes = from_hex(hex);
    boost::crc_optimal<16, 0x8005, 0xFFFF, 0, true, true> crc;
    crc.process_bytes(bytes.data(), bytes.size());
    const auto sum = crc.checksum();
    return hex + to_hex({static_cast<std::uint8_t>(sum & 0xFFU), static_cast<std::uint8_t>(sum >> 8U)});
}

struct Asked {
    std::string request;
    links::SerialBus::Done done;
    std::vector<std::uint16_t> values;
};
Asked read_over(const BlockRange& block, std::uint8_t unit, const std::string& answer_hex) {
    FarDevice device;
    links::SerialBus bus(device.line());
    REQUIRE(bus.open());
    device.answer(answer_hex);
    Asked asked;
    asked.values.resize(block.length);
    asked.done = bus.read(unit, block, asked.values, answer_within);
    asked.request = device.asked();
    return asked;
}

}  // namespace

TEST_CASE("the checksum is CRC-16/MODBUS, low byte first") {
    CHECK(with_crc("313233343536373839") == "313233343536373839374b");  // its check value is 4B37
    CHECK(with_crc("0207") == "02074112");                              // 6.2.2, figure 30
}

TEST_CASE("coils are read as in 6.1, and the first of them is the lowest bit of the first byte") {
    const auto read = read_over({RegisterTable::coils, 0x13, 0x13}, 0x11, "110103cd6b054012");
    CHECK(read.request == "1101001300138e92");
    REQUIRE(read.done);
    // coils 27 to 20: 1100 1101, 35 to 28: 0110 1011, 38 to 36: 101
    CHECK(read.values == std::vector<std::uint16_t>{1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1});
}

TEST_CASE("discrete inputs are read as in 6.2") {
    const auto read = read_over({RegisterTable::discrete_inputs, 0xC4, 0x16}, 0x11, "110203acdb352018");
    CHECK(read.request == "110200c40016baa9");
    REQUIRE(read.done);
    // inputs 204 to 197: 1010 1100, 212 to 205: 1101 1011, 218 to 213: 11 0101
    CHECK(read.values ==
          std::vector<std::uint16_t>{0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1});
}

TEST_CASE("holding registers are read as in 6.3") {
    const auto read = read_over({RegisterTable::holding, 0x6B, 3}, 0x11, with_crc("110306022b00000064"));
    CHECK(read.request == with_crc("1103006b0003"));
    REQUIRE(read.done);
    CHECK(read.values == std::vector<std::uint16_t>{0x022B, 0, 0x0064});
}

TEST_CASE("a coil is written as in 6.5") {
    FarDevice device;
    links::SerialBus bus(device.line());
    REQUIRE(bus.open());
    device.answer("010500acff004c1b");
    CHECK(bus.write_coil(1, 0xAC, true, answer_within));
    CHECK(device.asked() == "010500acff004c1b");
}

TEST_CASE("an answer with a wrong checksum, of another unit or function, or of another length is none") {
    const std::string good = with_crc("110306022b00000064");
    const std::string rows[] = {
        good.substr(0, good.size() - 1) + (good.back() == '0' ? "1" : "0"),
        with_crc("120306022b00000064"),
        with_crc("110406022b00000064"),
        with_crc("110304022b0000"),
        "110306022b",
    };
    for (const std::string& answer : rows) {
        INFO(answer);
        CHECK_FALSE(read_over({RegisterTable::holding, 0x6B, 3}, 0x11, answer).done);
    }
}

TEST_CASE("an exception on the line is told as what it is, as in section 7") {
    const auto read = read_over({RegisterTable::holding, 0x6B, 3}, 1, "018302c0f1");
    REQUIRE_FALSE(read.done);
    CHECK(read.done.error() == "it refuses: it has no such registers (exception 2)");
}

TEST_CASE("an answer that trickles has no more time than another, and the line is free for the others") {
    const std::string answer = with_crc("110306022b00000064");
    FarDevice device;
    {
        links::SerialBus bus(device.line());
        REQUIRE(bus.open());
        // Each byte in time, all of them in nine times the time.
        device.trickle(answer, answer_within - std::chrono::milliseconds{50});
        std::vector<std::uint16_t> values(3);
        const auto done = bus.read(0x11, {RegisterTable::holding, 0x6B, 3}, values, answer_within);
        REQUIRE_FALSE(done);
        CHECK(done.error() == "no answer in time");
    }
}

TEST_CASE("an answer that takes its time on a slow line is whole") {
    // 125 registers at 300 baud are nearly ten seconds on the wire.
    FarDevice device;
    auto line = device.line();
    line.baud = 300;
    links::SerialBus bus(line);
    REQUIRE(bus.open());
    std::string answer = "1103fa";
    for (int i = 0; i < 125; ++i)
        answer += "0102";
    device.trickle(with_crc(answer), std::chrono::milliseconds{2});
    std::vector<std::uint16_t> values(125);
    CHECK(bus.read(0x11, {RegisterTable::holding, 0, 125}, values, std::chrono::milliseconds{100}));
    CHECK(values == std::vector<std::uint16_t>(125, 0x0102));
}
