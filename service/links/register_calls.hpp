// Requests for registers over Modbus TCP, as a client. The library dials; the frames are ours, since it
// compares neither protocol nor unit of an answer with its request and waits where nothing else can be sent.
// Here every field of an answer must fit the oldest request that is not answered yet, and while one is waited
// for, another request may still go out: a withhold waits for nobody.
//
// After any error the caller gives the connection up, so that a late answer never serves another request.
// One thread; every wait has an end.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <expected>
#include <functional>
#include <span>
#include <string>
#include <vector>

#include "protocol/register_profile.hpp"
#include "service/links/modbus_wire.hpp"

namespace tautgate::links {

class RegisterCalls {
  public:
    using Done = std::expected<void, std::string>;  // the error is the end of a sentence

    RegisterCalls(ModbusContext connection, std::uint8_t unit, std::chrono::milliseconds answer_within);

    // All send at once and wait for nothing. `into` is filled by `finish` and must live until then; a coil or
    // a discrete input comes as a word of 0 or 1.
    [[nodiscard]] Done ask_to_write(std::uint16_t address, std::span<const std::uint16_t> words);
    [[nodiscard]] Done ask_to_write_coil(std::uint16_t address, bool on);
    [[nodiscard]] Done ask_to_read(protocol::RegisterTable table, std::uint16_t address,
                                   std::span<std::uint16_t> into);
    // Waits until every request is answered. `woken` runs whenever the waker was used meanwhile, and may ask
    // for more; its error ends the wait.
    [[nodiscard]] Done finish(const Waker& waker, const std::function<Done()>& woken);
    // The same, for those who have nothing to add.
    [[nodiscard]] Done finish();

  private:
    struct Request {
        std::uint16_t transaction = 0;
        std::vector<std::uint8_t> pdu;
        std::span<std::uint16_t> into;
        SteadyTime sent{};
    };
    [[nodiscard]] Done send(std::vector<std::uint8_t> pdu, std::span<std::uint16_t> into);
    [[nodiscard]] Done wait(const Waker* waker, const std::function<Done()>& woken);
    [[nodiscard]] Done receive();
    // Takes a whole frame off the front of what came; false: there is none yet.
    [[nodiscard]] std::expected<bool, std::string> take_answer();

    ModbusContext connection_;
    int socket_;
    std::uint8_t unit_;
    std::chrono::milliseconds answer_within_;
    std::uint16_t next_transaction_ = 1;
    std::deque<Request> open_;
    std::vector<std::uint8_t> received_;
};

}  // namespace tautgate::links
