// The registers that the station shows where the equipment's controller is the Modbus master: permissive
// blocks to read, feedback blocks to write whole. Any number of masters up to a limit; one that sends half a
// request, or nothing, keeps nobody else waiting. Belongs to one thread.
//
// Served: 0x03 within either area and 0x10 of whole feedback blocks (MODBUS Application Protocol V1.1b3, 6.3
// and 6.12). Everything else is answered with the exception that the standard has for it; what is no request
// at all ends the connection. Both are told, with the master's address; and one that asks without a pause is
// read no faster than it may ask, so that it costs the others nothing.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <functional>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "config/station.hpp"
#include "service/links/freshness.hpp"
#include "service/links/modbus_wire.hpp"

struct _modbus_mapping_t;  // NOLINT(readability-identifier-naming): libmodbus names it

namespace tautgate::links {

class BlockServer {
  public:
    static constexpr std::size_t masters_at_once = 16;
    // Several times what a controller with a scan of a few milliseconds asks.
    static constexpr double requests_a_second = 2000;

    struct Refused {
        std::string raw;  // the request, as far as it is there
        std::string why;  // a sentence with the remedy
    };

    // Listens at link.host and link.port (0: any free one). The error is one sentence.
    [[nodiscard]] static std::expected<std::unique_ptr<BlockServer>, std::string>
    open(const config::ControllerLink& link, std::size_t points);
    ~BlockServer();
    BlockServer(const BlockServer&) = delete;
    BlockServer& operator=(const BlockServer&) = delete;
    BlockServer(BlockServer&&) = delete;
    BlockServer& operator=(BlockServer&&) = delete;

    [[nodiscard]] std::uint16_t port() const noexcept { return port_; }
    // What masters read from now on: all permissive blocks in a row.
    void show(std::span<const std::uint16_t> words);
    // Answers what comes until woken or `until`; returns after the first requests that came. `before_read`
    // may show newer words. True: feedback was written.
    [[nodiscard]] bool serve(const Waker& waker, SteadyTime until, const std::function<void()>& before_read);
    // What masters asked in vain since this was called last.
    [[nodiscard]] std::vector<Refused> take_refused();
    // All feedback blocks in a row, as last written; zero where none was.
    [[nodiscard]] std::span<const std::uint16_t> feedback() const noexcept;
    // Serves on until every master has read what is shown now, at most for `limit`.
    void linger(std::chrono::milliseconds limit);

  private:
    struct Peer;
    struct FreeMapping {
        void operator()(_modbus_mapping_t* mapping) const noexcept;
    };
    struct Area {
        std::uint32_t first = 0;
        std::uint32_t length = 0;
        [[nodiscard]] bool holds(std::uint32_t address, std::uint32_t count) const noexcept {
            return address >= first && address + count <= first + length;
        }
    };

    BlockServer(const config::ControllerLink& link, std::size_t points);
    [[nodiscard]] std::span<std::uint16_t> words(const Area& area) const noexcept;
    void welcome();
    // False: the connection is over.
    [[nodiscard]] bool hear(Peer& peer, const std::function<void()>& before_read);
    [[nodiscard]] bool answer(Peer& peer, std::span<const std::uint8_t> request,
                              const std::function<void()>& before_read);
    [[nodiscard]] unsigned exception_for(std::span<const std::uint8_t> request) const;
    void refuse(const Peer& peer, std::span<const std::uint8_t> request, std::string_view what);
    [[nodiscard]] std::string in_vain(std::span<const std::uint8_t> request, unsigned exception) const;

    Area permissives_;
    Area feedback_;
    std::uint8_t unit_;
    ModbusContext context_;
    std::unique_ptr<_modbus_mapping_t, FreeMapping> mapping_;
    int listener_ = -1;
    std::uint16_t port_ = 0;
    std::vector<Peer> peers_;
    std::vector<Refused> refused_;
    bool written_ = false;
};

}  // namespace tautgate::links
