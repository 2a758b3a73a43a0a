// The other ends of the simulated devices' wires, as blocking scripts for the tests: a station that accepts a
// line tool, a Modbus master.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <memory>
#include <optional>
#include <stdexcept>
#include <string>
#include <variant>
#include <vector>

#include <modbus.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include "protocol/line.hpp"

namespace tautgate::simulation::testing {

inline constexpr std::chrono::milliseconds deadline{5000};

// Listens at a free port of the loopback; reads and writes bytes as the test says.
class RawPeer {
  public:
    RawPeer() : listener_(socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
        sockaddr_in address{};
        address.sin_family = AF_INET;
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        socklen_t length = sizeof address;
        if (bind(listener_, reinterpret_cast<sockaddr*>(&address), length) != 0 ||
            listen(listener_, 4) != 0 ||
            getsockname(listener_, reinterpret_cast<sockaddr*>(&address), &length) != 0)
            throw std::runtime_error("the scripted peer cannot listen");
        port_ = ntohs(address.sin_port);
    }
    ~RawPeer() {
        hang_up();
        close(listener_);
    }
    RawPeer(const RawPeer&) = delete;
    RawPeer& operator=(const RawPeer&) = delete;
    RawPeer(RawPeer&&) = delete;
    RawPeer& operator=(RawPeer&&) = delete;

    [[nodiscard]] std::uint16_t port() const { return port_; }
    void accept_one() {
        hang_up();
        if (!readable(listener_))
            throw std::runtime_error("nobody called");
        peer_ = accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC);
    }
    void hang_up() {
        if (peer_ >= 0)
            close(peer_);
        peer_ = -1;
    }
    void write(const std::string& bytes) const {
        if (send(peer_, bytes.data(), bytes.size(), MSG_NOSIGNAL) != static_cast<ssize_t>(bytes.size()))
            throw std::runtime_error("the caller does not take what is sent");
    }
    // What was there when the caller hung up or said nothing in time; empty: nothing.
    [[nodiscard]] std::string read_some() const {
        std::array<char, 4096> bytes{};
        if (!readable(peer_))
            return {};
        const auto count = recv(peer_, bytes.data(), bytes.size(), 0);
        return count <= 0 ? std::string{} : std::string(bytes.data(), static_cast<std::size_t>(count));
    }
    // Reads on until the bytes end so.
    [[nodiscard]] std::string read_until(const std::string& end) const {
        std::string all;
        while (!all.ends_with(end)) {
            const auto more = read_some();
            if (more.empty())
                break;
            all += more;
        }
        return all;
    }

  private:
    [[nodiscard]] static bool readable(int socket) {
        pollfd waiting{socket, POLLIN, 0};
        return poll(&waiting, 1, static_cast<int>(deadline.count())) > 0;
    }
    int listener_ = -1;
    int peer_ = -1;
    std::uint16_t port_ = 0;
};

// Speaks the station's side of the line protocol by hand.
class ScriptedStation {
  public:
    [[nodiscard]] std::uint16_t port() const { return wire_.port(); }
    void answer_call() {
        wire_.accept_one();
        splitter_ = {};
    }
    void say(const std::string& line) const { wire_.write(line); }
    // The next line but beats; nothing if the tool hung up or said nothing in time.
    [[nodiscard]] std::optional<protocol::LineMessage> hear() {
        const protocol::MeasuringRange range{
            .torque_resolution = {100'000}, .angle_resolution = {100'000}, .torque_max = {1'000'000'000}};
        while (true) {
            while (auto line = splitter_.next()) {
                if (!*line)
                    throw std::runtime_error(line->error().what);
                const auto message = protocol::parse_line(**line, range);
                if (!message)
                    throw std::runtime_error(message.error().what);
                if (!std::holds_alternative<protocol::Beat>(*message))
                    return *message;
            }
            const auto bytes = wire_.read_some();
            if (bytes.empty())
                return std::nullopt;
            splitter_.feed(bytes);
        }
    }
    [[nodiscard]] protocol::Hello hear_hello() { return std::get<protocol::Hello>(hear().value()); }
    [[nodiscard]] std::uint64_t hear_counter() {
        return std::get<protocol::LineResult>(hear().value()).reading.counter;
    }

  private:
    RawPeer wire_;
    protocol::LineSplitter splitter_;
};

class Master {
  public:
    explicit Master(std::uint16_t port) : context_(modbus_new_tcp("127.0.0.1", port)) {
        modbus_set_slave(context_.get(), 1);
        modbus_set_response_timeout(context_.get(), 0, 300'000);
        connected_ = modbus_connect(context_.get()) == 0;
    }
    [[nodiscard]] bool connected() const { return connected_; }
    // Nothing: no answer.
    [[nodiscard]] std::optional<std::vector<std::uint16_t>> read(std::uint16_t address, std::size_t count) {
        std::vector<std::uint16_t> words(count);
        const auto wanted = static_cast<int>(count);
        if (modbus_read_registers(context_.get(), address, wanted, words.data()) != wanted)
            return std::nullopt;
        return words;
    }
    [[nodiscard]] bool write(std::uint16_t address, const std::vector<std::uint16_t>& words) {
        const auto wanted = static_cast<int>(words.size());
        return modbus_write_registers(context_.get(), address, wanted, words.data()) == wanted;
    }

  private:
    struct Free {
        void operator()(modbus_t* context) const {
            modbus_close(context);
            modbus_free(context);
        }
    };
    std::unique_ptr<modbus_t, Free> context_;
    bool connected_ = false;
};

}  // namespace tautgate::simulation::testing
