#include "tools/benchmark/line_tool.hpp"

#include <array>
#include <cerrno>
#include <charconv>
#include <utility>

#include <sys/socket.h>

#include <fmt/format.h>

#include "tools/benchmark/child.hpp"

namespace tautgate::benchmark {
namespace {

constexpr std::chrono::milliseconds beat_interval{300};

}  // namespace

std::string result_line(const Run& run, std::uint64_t counter) {
    const bool tighten = run.direction == Direction::tighten;
    return fmt::format(
        R"({{"result":{{"counter":"{}","program":"{}","direction":"{}",)"
        R"("torque":{{"value":{},"unit":"N.m"}},"angle":{{"value":{},"unit":"deg"}},"verdict":"ok","reason":"",)"
        R"("limits":{{"torque_min":{{"value":67,"unit":"N.m"}},"torque_max":{{"value":75,"unit":"N.m"}}}},)"
        R"("position":{},"stamp":"2026-11-25T06:14:03.120Z"}}}})",
        counter, run.program, tighten ? "tighten" : "loosen", tighten ? "71.2" : "58.4",
        tighten ? "18.5" : "90.0", run.position);
}

bool LineTool::connect(std::uint16_t port) {
    socket_ = call(port);
    welcomed_ = false;
    pending_.clear();
    seal_.reset();
    if (!socket_)
        return false;
    const std::string nonce = key_ ? fmt::format(R"(,"nonce":"{}")", protocol::fresh_nonce()) : std::string();
    hello_ = fmt::format(R"({{"hello":{{"tool":"{}","epoch":"{}","last":"{}"{}}}}})", id_, epoch_, counter_,
                         nonce);
    say(hello_);
    return true;
}

void LineTool::hang_up() { socket_ = Socket{}; }

void LineTool::begin_anew(std::string epoch) {
    epoch_ = std::move(epoch);
    counter_ = 0;
    stored_ = 0;
}

Clock::time_point LineTool::send(const Run& run) {
    const std::string line = sealed(result_line(run, ++counter_) + '\n');
    const auto at = Clock::now();
    if (::send(socket_.handle(), line.data(), line.size(), MSG_NOSIGNAL) != static_cast<ssize_t>(line.size()))
        give_up(fmt::format("tool {} cannot send its result", id_));
    said_ = at;
    return at;
}

void LineTool::say(const std::string& line) {
    const std::string whole = sealed(line + '\n');
    if (::send(socket_.handle(), whole.data(), whole.size(), MSG_NOSIGNAL) !=
        static_cast<ssize_t>(whole.size()))
        give_up(fmt::format("tool {} cannot send: the station hung up", id_));
    said_ = Clock::now();
}

std::vector<int> LineTool::handles() const {
    return socket_ ? std::vector{socket_.handle()} : std::vector<int>{};
}

bool LineTool::readable(int handle) {
    std::array<char, 4096> bytes{};
    const auto count = recv(handle, bytes.data(), bytes.size(), MSG_DONTWAIT);
    if (count < 0 && (errno == EAGAIN || errno == EINTR))
        return false;
    if (count <= 0) {
        hang_up();
        return true;
    }
    pending_.append(bytes.data(), static_cast<std::size_t>(count));
    for (std::size_t end = 0; (end = pending_.find('\n')) != std::string::npos; pending_.erase(0, end + 1))
        hear(std::string_view(pending_).substr(0, end));
    return false;
}

std::string LineTool::sealed(std::string line) { return seal_ ? seal_->seal(line) : std::move(line); }

std::string_view LineTool::opened(std::string_view line) {
    if (!seal_)
        return line;
    const auto content = seal_->open(line);
    if (!content)
        give_up(fmt::format("tool {} was told a line whose seal is wrong: {}", id_, line));
    return *content;
}

void LineTool::hear(std::string_view sealed_line) {
    constexpr std::string_view acknowledge = R"({"acknowledge":{"counter":")";
    constexpr std::string_view challenge = R"({"challenge":{"nonce":")";
    const std::string_view line = opened(sealed_line);
    if (key_ && !seal_ && line.starts_with(challenge)) {
        seal_.emplace(*key_, protocol::LineSeal::Side::tool, hello_,
                      line.substr(challenge.size(), protocol::nonce_length));
        say(R"({"beat":{}})");  // proves who it is
    } else if (line.starts_with(acknowledge)) {
        const auto digits = line.substr(acknowledge.size());
        std::from_chars(digits.data(), digits.data() + digits.size(), stored_);
    } else if (line.starts_with(R"({"welcome")")) {
        welcomed_ = true;
    } else if (line.starts_with(R"({"beat")")) {
        say(std::string(line));  // its answer is the same line
    } else {
        give_up(fmt::format("tool {} was told: {}", id_, line));
    }
}

void LineTool::look(Clock::time_point now) {
    if (socket_ && (!key_ || seal_) && now - said_ >= beat_interval)
        say(R"({"beat":{}})");
}

}  // namespace tautgate::benchmark
