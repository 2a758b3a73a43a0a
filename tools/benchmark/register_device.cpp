#include "tools/benchmark/register_device.hpp"

#include <algorithm>
#include <cerrno>

#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sys/socket.h>

#include "tools/benchmark/child.hpp"

namespace tautgate::benchmark {
namespace {

// MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: transaction, protocol, length, unit; then the
// function.
constexpr std::size_t length_at = 4;
constexpr std::size_t head = 6;
constexpr std::size_t function_at = 7;
// MODBUS Application Protocol V1.1b3, 6.3, 6.6 and 6.12.
constexpr std::uint8_t read_holding = 0x03;
constexpr std::uint8_t read_input = 0x04;
constexpr std::uint8_t write_one = 0x06;
constexpr std::uint8_t write_many = 0x10;

std::size_t word_at(std::span<const std::uint8_t> bytes, std::size_t at) {
    return static_cast<std::size_t>(bytes[at] << 8U | bytes[at + 1]);
}

void put_word(std::vector<std::uint8_t>& bytes, std::size_t word) {
    bytes.push_back(static_cast<std::uint8_t>(word >> 8U));
    bytes.push_back(static_cast<std::uint8_t>(word & 0xFFU));
}

std::uint64_t ms(Clock::time_point time) {
    return static_cast<std::uint64_t>(
        std::chrono::duration_cast<std::chrono::milliseconds>(time.time_since_epoch()).count());
}

}  // namespace

RegisterDevice::RegisterDevice(std::uint16_t port) : listener_(listen_at(port)) {}

std::vector<int> RegisterDevice::handles() const {
    std::vector<int> all{listener_.handle()};
    for (const Peer& peer : peers_)
        all.push_back(peer.socket.handle());
    return all;
}

void RegisterDevice::look(Clock::time_point /*now*/) {}

bool RegisterDevice::readable(int handle) {
    if (handle == listener_.handle()) {
        Socket accepted{accept4(handle, nullptr, nullptr, SOCK_CLOEXEC)};
        const int on = 1;
        setsockopt(accepted.handle(), IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
        if (accepted)
            peers_.push_back({std::move(accepted), {}});
        return true;
    }
    const auto peer =
        std::ranges::find_if(peers_, [&](const Peer& one) { return one.socket.handle() == handle; });
    if (peer == peers_.end())
        return true;
    std::array<std::uint8_t, 1024> bytes{};
    const auto count = recv(handle, bytes.data(), bytes.size(), MSG_DONTWAIT);
    const auto at = Clock::now();
    if (count < 0 && (errno == EAGAIN || errno == EINTR))
        return false;
    if (count <= 0) {
        peers_.erase(peer);
        return true;
    }
    peer->pending.insert(peer->pending.end(), bytes.begin(), bytes.begin() + count);
    if (serve(*peer, at))
        return false;
    peers_.erase(peer);
    return true;
}

bool RegisterDevice::serve(Peer& peer, Clock::time_point at) {
    while (peer.pending.size() >= head) {
        const std::size_t whole = head + word_at(peer.pending, length_at);
        if (peer.pending.size() < whole)
            break;
        const auto reply = answer(std::span(peer.pending).first(whole), at);
        if (reply.empty() || send(peer.socket.handle(), reply.data(), reply.size(), MSG_NOSIGNAL) !=
                                 static_cast<ssize_t>(reply.size()))
            return false;
        peer.pending.erase(peer.pending.begin(), peer.pending.begin() + static_cast<std::ptrdiff_t>(whole));
    }
    return true;
}

// Empty: a request that no part of the benchmark makes; the caller is hung up on, and the benchmark ends for
// lack of an answer.
std::vector<std::uint8_t> RegisterDevice::answer(std::span<const std::uint8_t> request,
                                                 Clock::time_point at) {
    ++requests_;
    if (request.size() < function_at + 5)
        return {};
    const std::uint8_t function = request[function_at];
    const std::size_t first = word_at(request, function_at + 1);
    const std::size_t count = function == write_one ? 1 : word_at(request, function_at + 3);
    if (first + count > registers_.size())
        return {};
    std::vector<std::uint8_t> reply(request.begin(),
                                    request.begin() + static_cast<std::ptrdiff_t>(length_at));
    if (function == read_holding || function == read_input) {
        before_read();
        put_word(reply, 3 + 2 * count);
        reply.insert(reply.end(), {request[head], function, static_cast<std::uint8_t>(2 * count)});
        for (const std::uint16_t word : std::span(registers_).subspan(first, count))
            put_word(reply, word);
        return reply;
    }
    if (function != write_one && function != write_many)
        return {};
    const std::size_t values_at = function == write_one ? function_at + 3 : function_at + 6;
    if (request.size() < values_at + 2 * count)
        return {};
    for (std::size_t i = 0; i < count; ++i)
        registers_.at(first + i) = static_cast<std::uint16_t>(word_at(request, values_at + 2 * i));
    written(at);
    put_word(reply, head);
    reply.insert(reply.end(), request.begin() + head, request.begin() + function_at + 5);
    return reply;
}

// ---- the controller
// ------------------------------------------------------------------------------------------------

PolledTool::PolledTool(std::uint16_t port) : RegisterDevice(port) { registers()[100] = 1; }

void PolledTool::make() {
    // binary32: 71.0 N.m and 20 degrees, the high word first.
    constexpr std::array<std::uint16_t, 5> values{1, 0x428E, 0, 0x41A0, 0};
    std::ranges::copy(values, registers().subspan(101).begin());
    registers()[109] = static_cast<std::uint16_t>(++made_);
}

ControllerDevice::ControllerDevice(std::uint16_t port, const std::vector<protocol::BlockAddress>& permissives)
    : RegisterDevice(port) {
    for (const auto& own : permissives)
        points_.push_back({{.own = own, .beat_limit_ms = 2000}, protocol::plc_start({})});
}

void ControllerDevice::written(Clock::time_point at) {
    ++blocks_;
    const auto block = protocol::decode_permissive(
        registers().subspan(permissive_address, protocol::permissive_words), points_.front().settings.own);
    if (!block)
        return;
    if (!first_good_)
        first_good_ = at;
    if (block->code != code_) {
        code_ = block->code;
        changed_ = at;
    }
    scan(at);
}

void ControllerDevice::before_read() {
    scan(Clock::now());
    for (std::size_t i = 0; i < points_.size(); ++i) {
        const auto words = protocol::encode(protocol::feedback(points_[i].state, points_[i].settings));
        std::ranges::copy(words, registers().subspan(feedback_address + i * words.size()).begin());
    }
}

void ControllerDevice::scan(Clock::time_point at) {
    for (std::size_t i = 0; i < points_.size(); ++i) {
        const auto words = registers().subspan(permissive_address + i * protocol::permissive_words,
                                               protocol::permissive_words);
        points_[i].state =
            protocol::plc_step(points_[i].state, points_[i].settings, words, ms(at), {.present = present_});
    }
}

void ControllerDevice::forget() {
    blocks_ = 0;
    first_good_.reset();
    code_ = protocol::Code::withheld;
}

bool ControllerDevice::moves() const {
    return protocol::movement(points_.front().state) == protocol::Movement::allowed;
}

}  // namespace tautgate::benchmark
