#include "tools/simulation/register_server.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <cerrno>
#include <mutex>
#include <optional>
#include <system_error>
#include <thread>
#include <utility>

#include <arpa/inet.h>
#include <modbus.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

#include <fmt/format.h>

#include "tools/simulation/modbus_context.hpp"
#include "tools/simulation/pseudo_terminal.hpp"

namespace tautgate::simulation {

namespace {

struct FreeMapping {
    void operator()(modbus_mapping_t* mapping) const noexcept { modbus_mapping_free(mapping); }
};

using Mapping = std::unique_ptr<modbus_mapping_t, FreeMapping>;

// Where requests come in: a listening socket, or the near end of a pseudo-terminal.
struct Ends {
    int listener = -1;
    std::uint16_t port = 0;
    int serial = -1;
    int kept_open = -1;  // the far end
    std::string device;
};

constexpr int function_read_coils = 0x01;
constexpr int function_read_discrete = 0x02;
constexpr int function_read_holding = 0x03;
constexpr int function_read_input = 0x04;
constexpr int function_write_coil = 0x05;
constexpr int function_write_one = 0x06;
constexpr int function_write_coils = 0x0F;
constexpr int function_write_many = 0x10;

std::uint16_t word_at(std::span<const std::uint8_t> query, std::size_t place) {
    return static_cast<std::uint16_t>(query[place] << 8U | query[place + 1]);
}

// What the request asks for, by the head of its PDU (MODBUS Application Protocol
// V1.1b3, 6.1 to 6.6, 6.11, 6.12).
std::optional<RegisterRequest> request_of(std::span<const std::uint8_t> query, std::size_t header) {
    if (query.size() < header + 5)
        return std::nullopt;
    const std::uint16_t address = word_at(query, header + 1);
    switch (query[header]) {
    case function_read_coils:
    case function_read_discrete: return RegisterRequest{false, true, address, word_at(query, header + 3)};
    case function_read_holding:
    case function_read_input: return RegisterRequest{false, false, address, word_at(query, header + 3)};
    case function_write_coil: return RegisterRequest{true, true, address, 1};
    case function_write_coils: return RegisterRequest{true, true, address, word_at(query, header + 3)};
    case function_write_one: return RegisterRequest{true, false, address, 1};
    case function_write_many: return RegisterRequest{true, false, address, word_at(query, header + 3)};
    default: return std::nullopt;  // the library answers
    }
}

}  // namespace

class RegisterServer::Wire {
  public:
    Wire(Context context, Mapping mapping, Ends ends, Hooks hooks)
        : context_(std::move(context)), mapping_(std::move(mapping)), ends_(std::move(ends)),
          wake_(eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)), hooks_(std::move(hooks)) {
        if (ends_.serial >= 0)
            peers_.push_back(ends_.serial);
        thread_ = std::thread([this] { run(); });
    }
    ~Wire() {
        stopping_ = true;
        wake();
        thread_.join();
        for (const int end : {ends_.listener, ends_.kept_open, wake_})
            if (end >= 0)
                close(end);
    }
    Wire(const Wire&) = delete;
    Wire& operator=(const Wire&) = delete;
    Wire(Wire&&) = delete;
    Wire& operator=(Wire&&) = delete;

    [[nodiscard]] std::uint16_t port() const noexcept { return ends_.port; }
    [[nodiscard]] const std::string& device() const noexcept { return ends_.device; }
    [[nodiscard]] std::span<std::uint8_t> bits() const noexcept { return {mapping_->tab_bits, size}; }
    [[nodiscard]] std::mutex& mutex() const noexcept { return mutex_; }
    [[nodiscard]] std::span<std::uint16_t> registers() const noexcept {
        return {mapping_->tab_registers, size};
    }
    void cut(bool on) {
        hung_up_ = false;
        cut_ = on;
        wake();
        if (on)
            hung_up_.wait(false);
    }
    void mute(bool on) { muted_ = on; }
    void answer_after(std::chrono::milliseconds delay) { delay_ms_ = delay.count(); }

  private:
    void wake() const {
        const std::uint64_t one = 1;
        // The counter of an eventfd cannot overflow here; a wake that is already pending is enough.
        [[maybe_unused]] const auto written = ::write(wake_, &one, sizeof one);
    }

    void run() {
        while (!stopping_) {
            if (cut_) {
                hang_up();
                hung_up_ = true;
                hung_up_.notify_all();
            }
            std::vector<pollfd> waiting{{wake_, POLLIN, 0}, {ends_.listener, POLLIN, 0}};
            for (const int peer : peers_)
                waiting.push_back({peer, POLLIN, 0});
            if (poll(waiting.data(), waiting.size(), -1) < 0 && errno != EINTR)
                break;
            if (waiting[0].revents != 0) {
                std::uint64_t count = 0;
                [[maybe_unused]] const auto taken = ::read(wake_, &count, sizeof count);
            }
            if (waiting[1].revents != 0)
                welcome();
            for (std::size_t i = 2; i < waiting.size(); ++i)
                if (waiting[i].revents != 0)
                    serve(waiting[i].fd);
        }
        hang_up();
    }

    void hang_up() {
        for (const int peer : peers_)
            close(peer);
        peers_.clear();
    }
    void drop(int peer) {
        std::erase(peers_, peer);
        close(peer);
    }
    void welcome() {
        const int peer = accept4(ends_.listener, nullptr, nullptr, SOCK_CLOEXEC);
        if (peer < 0)
            return;
        if (cut_)
            close(peer);
        else
            peers_.push_back(peer);
    }
    // A device begins anew after a silence; what is left of a broken request must not begin the next one.
    static void clear(int line) {
        std::array<std::uint8_t, MODBUS_RTU_MAX_ADU_LENGTH> rest{};
        pollfd waiting{line, POLLIN, 0};
        while (poll(&waiting, 1, 0) > 0 && ::read(line, rest.data(), rest.size()) > 0) {
        }
    }
    void serve(int peer) {
        std::array<std::uint8_t, MODBUS_TCP_MAX_ADU_LENGTH> query{};
        modbus_set_socket(context_.get(), peer);
        const int length = modbus_receive(context_.get(), query.data());
        if (length <= 0 && ends_.serial >= 0)
            return clear(peer);  // noise on the line, or for another unit
        if (length < 0)
            return drop(peer);
        if (length == 0 || muted_)
            return;
        if (const auto delay = delay_ms_.load(); delay > 0)
            std::this_thread::sleep_for(
                std::chrono::milliseconds(delay));  // the device is slow, nobody waits here
        if (const auto answer = answer_instead({query.data(), static_cast<std::size_t>(length)})) {
            if (!put_on_wire(peer, *answer))
                drop(peer);
            return;
        }
        const auto header = static_cast<std::size_t>(modbus_get_header_length(context_.get()));
        const auto request = request_of({query.data(), static_cast<std::size_t>(length)}, header);
        const std::lock_guard lock{mutex_};
        if (request && hooks_.before_answer)
            hooks_.before_answer(*request, registers());
        if (query[header] == function_read_input)
            std::copy_n(mapping_->tab_registers, size, mapping_->tab_input_registers);
        if (query[header] == function_read_discrete)
            std::copy_n(mapping_->tab_bits, size, mapping_->tab_input_bits);
        if (modbus_reply(context_.get(), query.data(), length, mapping_.get()) < 0)
            return drop(peer);
        if (request && hooks_.after_answer)
            hooks_.after_answer(*request, registers());
    }

    [[nodiscard]] std::optional<std::string> answer_instead(std::span<const std::uint8_t> query) const {
        if (!hooks_.answer_instead)
            return std::nullopt;
        const std::lock_guard lock{mutex_};
        return hooks_.answer_instead({reinterpret_cast<const char*>(query.data()), query.size()});
    }
    [[nodiscard]] static bool put_on_wire(int peer, std::string_view bytes) {
        while (!bytes.empty()) {
            const auto written = ::write(peer, bytes.data(), bytes.size());
            if (written < 0 && errno != EINTR)
                return false;
            bytes.remove_prefix(written > 0 ? static_cast<std::size_t>(written) : 0);
        }
        return true;
    }

    Context context_;
    Mapping mapping_;
    Ends ends_;
    int wake_;
    Hooks hooks_;
    std::vector<int> peers_;
    std::atomic<bool> stopping_ = false;
    std::atomic<bool> cut_ = false;
    std::atomic<bool> hung_up_ = false;  // as cut_ asks for
    std::atomic<bool> muted_ = false;
    std::atomic<std::int64_t> delay_ms_ = 0;
    mutable std::mutex mutex_;
    std::thread thread_;
};

std::expected<std::unique_ptr<RegisterServer>, std::string>
RegisterServer::open(const std::string& host, std::uint16_t port, Hooks hooks) {
    Context context{modbus_new_tcp(host.c_str(), port)};
    if (!context)
        return std::unexpected(fmt::format("{}:{} is no address to serve at", host, port));
    Mapping mapping{modbus_mapping_new(size, size, size, size)};
    if (!mapping)
        return std::unexpected("no memory for the registers");
    const int listener = modbus_tcp_listen(context.get(), 4);
    if (listener < 0)
        return std::unexpected(
            fmt::format("cannot listen at {}:{}: {}; end the program that has the port, or "
                        "name another one in the description",
                        host, port, modbus_strerror(errno)));
    sockaddr_in bound{};
    socklen_t length = sizeof bound;
    if (getsockname(listener, reinterpret_cast<sockaddr*>(&bound), &length) != 0) {
        close(listener);
        return std::unexpected(fmt::format("cannot ask for the port at {}", host));
    }
    Ends ends;
    ends.listener = listener;
    ends.port = ntohs(bound.sin_port);
    return std::unique_ptr<RegisterServer>(new RegisterServer(
        std::make_unique<Wire>(std::move(context), std::move(mapping), std::move(ends), std::move(hooks))));
}

std::expected<std::unique_ptr<RegisterServer>, std::string> RegisterServer::open_serial(std::uint8_t unit,
                                                                                        Hooks hooks) {
    auto line = open_pseudo_terminal();
    if (!line)
        return std::unexpected(line.error());
    Ends ends{.serial = line->near, .kept_open = line->far, .device = std::move(line->device)};
    // The library asks for the parameters of a device; it is never opened, the terminal takes its place.
    Context context{modbus_new_rtu("/dev/null", 19200, 'E', 8, 1)};
    Mapping mapping{modbus_mapping_new(size, size, size, size)};
    if (!context || !mapping || modbus_set_slave(context.get(), unit) != 0)
        return std::unexpected(
            fmt::format("cannot serve unit {} on a serial line: {}", unit, modbus_strerror(errno)));
    return std::unique_ptr<RegisterServer>(new RegisterServer(
        std::make_unique<Wire>(std::move(context), std::move(mapping), std::move(ends), std::move(hooks))));
}

RegisterServer::RegisterServer(std::unique_ptr<Wire> wire) : wire_(std::move(wire)) {}
RegisterServer::~RegisterServer() = default;

std::uint16_t RegisterServer::port() const noexcept { return wire_->port(); }

const std::string& RegisterServer::device() const noexcept { return wire_->device(); }

std::span<std::uint8_t> RegisterServer::bits() noexcept { return wire_->bits(); }

std::vector<std::uint16_t> RegisterServer::read(std::uint16_t address, std::uint16_t count) const {
    const std::lock_guard lock{wire_->mutex()};
    const auto part = wire_->registers().subspan(address, count);
    return {part.begin(), part.end()};
}

void RegisterServer::write(std::uint16_t address, std::span<const std::uint16_t> words) {
    change([&](std::span<std::uint16_t> registers) {
        std::ranges::copy(words, registers.subspan(address).begin());
    });
}

void RegisterServer::change(const std::function<void(std::span<std::uint16_t> registers)>& work) {
    const std::lock_guard lock{wire_->mutex()};
    work(wire_->registers());
}

void RegisterServer::cut() { wire_->cut(true); }
void RegisterServer::mend() { wire_->cut(false); }
void RegisterServer::mute(bool on) { wire_->mute(on); }
void RegisterServer::answer_after(std::chrono::milliseconds delay) { wire_->answer_after(delay); }

}  // namespace tautgate::simulation
