#include "service/links/register_calls.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <optional>
#include <system_error>
#include <utility>

#include <fmt/format.h>
#include <modbus.h>
#include <poll.h>
#include <sys/socket.h>

#include "service/links/modbus_frame.hpp"

namespace tautgate::links {

namespace {

using Bytes = std::vector<std::uint8_t>;
using Failure = std::unexpected<std::string>;

// MODBUS Application Protocol V1.1b3, section 7.
constexpr std::uint8_t refused = 0x80;
constexpr std::size_t longest_pdu = 253;

void put(Bytes& bytes, std::size_t value) {
    bytes.push_back(static_cast<std::uint8_t>(value >> 8U & 0xFFU));
    bytes.push_back(static_cast<std::uint8_t>(value & 0xFFU));
}

std::string words_of(int error) { return std::generic_category().message(error); }

[[nodiscard]] std::uint8_t function_to_read(protocol::RegisterTable table) noexcept {
    switch (table) {
    case protocol::RegisterTable::holding: return read_holding;
    case protocol::RegisterTable::input: return read_input;
    case protocol::RegisterTable::coils: return read_coils;
    case protocol::RegisterTable::discrete_inputs: return read_discrete_inputs;
    }
    std::unreachable();
}

// Eight to a byte, the first in the lowest bit.
std::optional<std::string> take_bits(std::span<const std::uint8_t> answer, std::span<std::uint16_t> into) {
    const std::size_t bytes = (into.size() + 7) / 8;
    if (answer.size() != 2 + bytes || answer[1] != bytes)
        return "the answer has another number of bits than was asked for";
    for (std::size_t i = 0; i < into.size(); ++i)
        into[i] = static_cast<std::uint16_t>(answer[2 + i / 8] >> (i % 8) & 1U);
    return std::nullopt;
}

// Whether the answer is one to this request. A read's registers go where they are wanted.
std::optional<std::string> misfit(std::span<const std::uint8_t> request, std::span<const std::uint8_t> answer,
                                  std::span<std::uint16_t> into) {
    if (answer.size() == 2 && answer[0] == (request[0] | refused))
        return refusal(answer[1]);
    if (answer.empty() || answer[0] != request[0])
        return "the answer is to another function than was asked for";
    if (request[0] == write_multiple) {
        const bool same = answer.size() == 5 && std::ranges::equal(answer.subspan(1), request.subspan(1, 4));
        return same ? std::nullopt : std::optional<std::string>("the answer is about other registers");
    }
    if (request[0] == write_coil)
        return std::ranges::equal(answer, request)
                   ? std::nullopt
                   : std::optional<std::string>("the answer is about another coil");
    if (request[0] == read_coils || request[0] == read_discrete_inputs)
        return take_bits(answer, into);
    if (answer.size() != 2 + into.size() * 2 || answer[1] != into.size() * 2)
        return "the answer has another number of registers than was asked for";
    for (std::size_t i = 0; i < into.size(); ++i)
        into[i] = word_at(answer, 2 + i * 2);
    return std::nullopt;
}

}  // namespace

RegisterCalls::RegisterCalls(ModbusContext connection, std::uint8_t unit,
                             std::chrono::milliseconds answer_within)
    : connection_(std::move(connection)), socket_(modbus_get_socket(connection_.get())), unit_(unit),
      answer_within_(answer_within) {}

RegisterCalls::Done RegisterCalls::ask_to_write(std::uint16_t address, std::span<const std::uint16_t> words) {
    Bytes pdu{write_multiple};
    put(pdu, address);
    put(pdu, words.size());
    pdu.push_back(static_cast<std::uint8_t>(words.size() * 2));
    for (const std::uint16_t word : words)
        put(pdu, word);
    return send(std::move(pdu), {});
}

RegisterCalls::Done RegisterCalls::ask_to_write_coil(std::uint16_t address, bool on) {
    Bytes pdu{write_coil};
    put(pdu, address);
    put(pdu, on ? 0xFF00 : 0x0000);
    return send(std::move(pdu), {});
}

RegisterCalls::Done RegisterCalls::ask_to_read(protocol::RegisterTable table, std::uint16_t address,
                                               std::span<std::uint16_t> into) {
    Bytes pdu{function_to_read(table)};
    put(pdu, address);
    put(pdu, into.size());
    return send(std::move(pdu), into);
}

RegisterCalls::Done RegisterCalls::send(Bytes pdu, std::span<std::uint16_t> into) {
    Bytes frame;
    put(frame, next_transaction_);
    put(frame, 0);
    put(frame, pdu.size() + 1);
    frame.push_back(unit_);
    frame.insert(frame.end(), pdu.begin(), pdu.end());
    const auto sent = ::send(socket_, frame.data(), frame.size(), MSG_NOSIGNAL | MSG_DONTWAIT);
    if (sent < 0)
        return Failure(errno == EAGAIN ? "it takes nothing any more" : words_of(errno));
    // So little always fits, unless nothing was taken for long.
    if (static_cast<std::size_t>(sent) != frame.size())
        return Failure("it takes nothing any more");
    open_.push_back({next_transaction_++, std::move(pdu), into, std::chrono::steady_clock::now()});
    return {};
}

RegisterCalls::Done RegisterCalls::finish(const Waker& waker, const std::function<Done()>& woken) {
    return wait(&waker, woken);
}

RegisterCalls::Done RegisterCalls::finish() { return wait(nullptr, {}); }

RegisterCalls::Done RegisterCalls::wait(const Waker* waker, const std::function<Done()>& woken) {
    SteadyTime answered{};  // the newest answer; the next one is waited for from then on
    while (!open_.empty()) {
        const auto now = std::chrono::steady_clock::now();
        const auto until = std::max(open_.front().sent, answered) + answer_within_;
        if (now >= until)
            return Failure("no answer in time");
        std::array<pollfd, 2> waiting{
            {{socket_, POLLIN, 0}, {waker != nullptr ? waker->handle() : -1, POLLIN, 0}}};
        if (::poll(waiting.data(), waiting.size(), poll_timeout(now, until)) < 0 && errno != EINTR)
            return Failure(words_of(errno));
        if ((waiting[1].revents & POLLIN) != 0) {
            waker->clear();
            if (auto done = woken(); !done)
                return done;
        }
        if (waiting[0].revents == 0)
            continue;
        if (auto done = receive(); !done)
            return done;
        for (auto taken = take_answer(); !taken || *taken; taken = take_answer()) {
            if (!taken)
                return Failure(taken.error());
            answered = std::chrono::steady_clock::now();
        }
    }
    return {};
}

RegisterCalls::Done RegisterCalls::receive() {
    std::array<std::uint8_t, 512> bytes{};
    const auto count = ::recv(socket_, bytes.data(), bytes.size(), MSG_DONTWAIT);
    if (count == 0)
        return Failure("it closed the connection");
    if (count < 0)
        return errno == EAGAIN || errno == EINTR ? Done{} : Failure(words_of(errno));
    received_.insert(received_.end(), bytes.begin(), bytes.begin() + count);
    return {};
}

std::expected<bool, std::string> RegisterCalls::take_answer() {
    if (received_.size() < frame_header)
        return false;
    const std::size_t length = word_at(received_, 4);
    if (word_at(received_, 2) != 0)
        return Failure(fmt::format("the answer is of protocol {}, not of Modbus", word_at(received_, 2)));
    if (length < 2 || length > longest_pdu + 1)
        return Failure(fmt::format("the answer says it is {} bytes long, which none can be", length));
    if (received_.size() < frame_header - 1 + length)
        return false;
    if (open_.empty() || word_at(received_, 0) != open_.front().transaction)
        return Failure("the answer is to another request");
    if (received_[6] != unit_)
        return Failure(fmt::format("the answer is of unit {}, not of unit {}", received_[6], unit_));
    const std::span<const std::uint8_t> answer{received_.data() + frame_header, length - 1};
    if (auto why = misfit(open_.front().pdu, answer, open_.front().into))
        return Failure(std::move(*why));
    open_.pop_front();
    received_.erase(received_.begin(),
                    received_.begin() + static_cast<std::ptrdiff_t>(frame_header - 1 + length));
    return true;
}

}  // namespace tautgate::links
