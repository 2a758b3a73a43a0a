#include "service/links/block_server.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <utility>

#include <fmt/format.h>
#include <modbus.h>
#include <netdb.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include "service/links/flood.hpp"
#include "service/links/modbus_frame.hpp"
#include "service/links/peer_address.hpp"

namespace tautgate::links {

namespace {

[[nodiscard]] std::uint16_t bound_port(int listener) noexcept {
    sockaddr_storage bound{};
    socklen_t length = sizeof bound;
    if (getsockname(listener, reinterpret_cast<sockaddr*>(&bound), &length) != 0)
        return 0;
    // The port stands at the same place for both families.
    return ntohs(reinterpret_cast<const sockaddr_in*>(&bound)->sin_port);
}

[[nodiscard]] std::string address_of(int peer) {
    sockaddr_storage at{};
    socklen_t length = sizeof at;
    std::array<char, NI_MAXHOST> text{};
    if (getpeername(peer, reinterpret_cast<sockaddr*>(&at), &length) != 0 ||
        getnameinfo(reinterpret_cast<sockaddr*>(&at), length, text.data(), text.size(), nullptr, 0,
                    NI_NUMERICHOST) != 0)
        return "an unknown address";
    return text.data();
}

// How long one that asks without a pause is left unread at a time.
constexpr std::chrono::milliseconds breath{5};

}  // namespace

struct BlockServer::Peer {
    int handle = -1;
    std::string address;
    Flood flood{requests_a_second};
    SteadyTime heard = std::chrono::steady_clock::now();
    bool has_read = false;  // what is shown now
    std::size_t filled = 0;
    std::array<std::uint8_t, MODBUS_TCP_MAX_ADU_LENGTH> bytes{};

    explicit Peer(int of) : handle(of), address(address_of(of)) {}
    ~Peer() {
        if (handle >= 0)
            close(handle);
    }
    Peer(const Peer&) = delete;
    Peer& operator=(const Peer&) = delete;
    Peer(Peer&& other) noexcept
        : handle(std::exchange(other.handle, -1)), address(std::move(other.address)), flood(other.flood),
          heard(other.heard), has_read(other.has_read), filled(other.filled), bytes(other.bytes) {}
    Peer& operator=(Peer&& other) noexcept {
        std::swap(handle, other.handle);
        address = std::move(other.address);
        flood = other.flood;
        heard = other.heard;
        has_read = other.has_read;
        filled = other.filled;
        bytes = other.bytes;
        return *this;
    }
};

void BlockServer::FreeMapping::operator()(_modbus_mapping_t* mapping) const noexcept {
    modbus_mapping_free(mapping);
}

std::expected<std::unique_ptr<BlockServer>, std::string> BlockServer::open(const config::ControllerLink& link,
                                                                           std::size_t points) {
    std::unique_ptr<BlockServer> server{new BlockServer(link, points)};
    if (!server->context_ || !server->mapping_)
        return std::unexpected(fmt::format("cannot prepare the registers at {}:{}: {}", link.host, link.port,
                                           last_modbus_error()));
    // All that may be served may also call at the same moment.
    server->listener_ = modbus_tcp_pi_listen(server->context_.get(), static_cast<int>(masters_at_once));
    if (server->listener_ < 0) {
        const int error = errno;
        return std::unexpected(fmt::format("cannot listen for the controller at {}:{}: {}; {}, or change "
                                           "controller/port in the station description",
                                           link.host, link.port, modbus_strerror(error),
                                           listening_remedy(error)));
    }
    server->port_ = bound_port(server->listener_);
    return server;
}

BlockServer::BlockServer(const config::ControllerLink& link, std::size_t points)
    : permissives_{link.permissive_address, static_cast<std::uint32_t>(points * protocol::permissive_words)},
      feedback_{link.feedback_address, static_cast<std::uint32_t>(points * protocol::feedback_words)},
      unit_(link.unit), context_(modbus_new_tcp_pi(link.host.c_str(), std::to_string(link.port).c_str())) {
    const std::uint32_t first = std::min(permissives_.first, feedback_.first);
    const std::uint32_t end =
        std::max(permissives_.first + permissives_.length, feedback_.first + feedback_.length);
    mapping_.reset(modbus_mapping_new_start_address(0, 0, 0, 0, first, std::max(end - first, 1U), 0, 0));
}

BlockServer::~BlockServer() {
    peers_.clear();
    if (context_)
        modbus_set_socket(context_.get(), -1);  // the last one answered was a peer's, closed already
    if (listener_ >= 0)
        close(listener_);
}

std::span<std::uint16_t> BlockServer::words(const Area& area) const noexcept {
    return {mapping_->tab_registers + (area.first - static_cast<std::uint32_t>(mapping_->start_registers)),
            area.length};
}

void BlockServer::show(std::span<const std::uint16_t> shown) {
    std::ranges::copy(shown, words(permissives_).begin());
    for (Peer& peer : peers_)
        peer.has_read = false;
}

std::span<const std::uint16_t> BlockServer::feedback() const noexcept { return words(feedback_); }

bool BlockServer::serve(const Waker& waker, SteadyTime until, const std::function<void()>& before_read) {
    written_ = false;
    const SteadyTime now = std::chrono::steady_clock::now();
    std::vector<pollfd> waiting{{waker.handle(), POLLIN, 0}, {listener_, POLLIN, 0}};
    for (Peer& peer : peers_) {
        const bool has_room = peer.flood.has_room(now);
        if (!has_room) {
            until = std::min(until, now + breath);
            if (peer.flood.is_news())
                refuse(peer, {},
                       fmt::format("asks more than {} times a second and is read no faster; let its "
                                   "program ask once a scan",
                                   requests_a_second));
        }
        waiting.push_back({has_room ? peer.handle : -1, POLLIN, 0});
    }
    const int ready = poll(waiting.data(), waiting.size(), poll_timeout(now, until));
    if (ready <= 0)
        return false;  // interrupted: the caller looks and comes again
    if (waiting[0].revents != 0)
        waker.clear();
    std::vector<int> over;
    for (std::size_t i = 2; i < waiting.size(); ++i)
        if (waiting[i].revents != 0 && !hear(peers_[i - 2], before_read))
            over.push_back(waiting[i].fd);
    std::erase_if(peers_,
                  [&](const Peer& peer) { return std::ranges::find(over, peer.handle) != over.end(); });
    if (waiting[1].revents != 0)
        welcome();
    return written_;
}

std::vector<BlockServer::Refused> BlockServer::take_refused() { return std::exchange(refused_, {}); }

void BlockServer::refuse(const Peer& peer, std::span<const std::uint8_t> request, std::string_view what) {
    refused_.push_back({std::string(request.begin(), request.end()),
                        fmt::format("the master at {} {}", peer.address, what)});
}

void BlockServer::welcome() {
    const int handle = accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (handle < 0)
        return;  // gone again before we came to it
    Peer peer{handle};
    // A master that lost its power or its cable never hangs up. The one that is silent longest makes room,
    // for a controller that comes back must not be kept out.
    if (peers_.size() >= masters_at_once)
        peers_.erase(std::ranges::min_element(peers_, {}, &Peer::heard));
    peers_.push_back(std::move(peer));
}

bool BlockServer::hear(Peer& peer, const std::function<void()>& before_read) {
    const auto got = recv(peer.handle, peer.bytes.data() + peer.filled, peer.bytes.size() - peer.filled, 0);
    if (got <= 0)
        return got < 0 && (errno == EAGAIN || errno == EINTR);
    peer.heard = std::chrono::steady_clock::now();
    peer.filled += static_cast<std::size_t>(got);
    while (peer.filled >= frame_header) {
        const std::size_t length = word_at(peer.bytes, 4);
        if (word_at(peer.bytes, 2) != 0 || length < 2 || length + 6 > peer.bytes.size()) {
            refuse(peer, {peer.bytes.data(), peer.filled},
                   "sent what is no request of Modbus TCP, and was hung up on; let nobody but the controller "
                   "call here");
            return false;
        }
        const std::size_t whole = length + 6;
        if (peer.filled < whole)
            return true;
        if (!answer(peer, {peer.bytes.data(), whole}, before_read))
            return false;
        std::copy(peer.bytes.begin() + static_cast<std::ptrdiff_t>(whole),
                  peer.bytes.begin() + static_cast<std::ptrdiff_t>(peer.filled), peer.bytes.begin());
        peer.filled -= whole;
    }
    return true;
}

// 0: none. The request is whole and has at least a function.
unsigned BlockServer::exception_for(std::span<const std::uint8_t> request) const {
    const std::uint8_t unit = request[6];
    // 0 and 255 mean the device at the address itself.
    if (unit != unit_ && unit != 0 && unit != 0xFF)
        return MODBUS_EXCEPTION_GATEWAY_TARGET;
    const std::uint8_t function = request[frame_header];
    if (function != read_holding && function != write_multiple)
        return MODBUS_EXCEPTION_ILLEGAL_FUNCTION;
    if (request.size() < frame_header + 5)
        return MODBUS_EXCEPTION_ILLEGAL_DATA_VALUE;
    const std::uint16_t address = word_at(request, frame_header + 1);
    const std::uint16_t count = word_at(request, frame_header + 3);
    if (function == read_holding) {
        if (request.size() != frame_header + 5 || count == 0 || count > protocol::registers_per_read)
            return MODBUS_EXCEPTION_ILLEGAL_DATA_VALUE;
        return permissives_.holds(address, count) || feedback_.holds(address, count)
                   ? 0
                   : MODBUS_EXCEPTION_ILLEGAL_DATA_ADDRESS;
    }
    if (count == 0 || count > registers_per_write || request.size() != frame_header + 6 + 2U * count ||
        request[frame_header + 5] != 2 * count)
        return MODBUS_EXCEPTION_ILLEGAL_DATA_VALUE;
    const bool whole_blocks = address >= feedback_.first &&
                              (address - feedback_.first) % protocol::feedback_words == 0 &&
                              count % protocol::feedback_words == 0;
    return feedback_.holds(address, count) && whole_blocks ? 0 : MODBUS_EXCEPTION_ILLEGAL_DATA_ADDRESS;
}

std::string BlockServer::in_vain(std::span<const std::uint8_t> request, unsigned exception) const {
    const std::uint8_t function = request[frame_header];
    switch (exception) {
    case MODBUS_EXCEPTION_GATEWAY_TARGET:
        return fmt::format(
            "asks for unit {}, and the station is unit {}; correct it in the controller's program",
            request[6], unit_);
    case MODBUS_EXCEPTION_ILLEGAL_FUNCTION:
        return fmt::format("asks for function 0x{:02x}; read with 0x03, and write whole feedback blocks with "
                           "0x10",
                           function);
    case MODBUS_EXCEPTION_ILLEGAL_DATA_ADDRESS:
        return fmt::format("{} {} registers from {}, and there are permissives to read at {} to {} and whole "
                           "feedback blocks at {} to {}; see tautgate registers",
                           function == read_holding ? "reads" : "writes", word_at(request, frame_header + 3),
                           word_at(request, frame_header + 1), permissives_.first,
                           permissives_.first + permissives_.length - 1, feedback_.first,
                           feedback_.first + feedback_.length - 1);
    default:
        return fmt::format("sent a request of function 0x{:02x} whose count does not fit its length; correct "
                           "it in the controller's program",
                           function);
    }
}

bool BlockServer::answer(Peer& peer, std::span<const std::uint8_t> request,
                         const std::function<void()>& before_read) {
    peer.flood.frame(peer.heard);
    modbus_set_socket(context_.get(), peer.handle);
    if (const unsigned exception = exception_for(request); exception != 0) {
        refuse(peer, request, in_vain(request, exception));
        return modbus_reply_exception(context_.get(), request.data(), exception) > 0;
    }
    const bool reads = request[frame_header] == read_holding;
    if (reads)
        before_read();
    if (modbus_reply(context_.get(), request.data(), static_cast<int>(request.size()), mapping_.get()) <= 0)
        return false;
    if (reads)
        peer.has_read = true;
    else
        written_ = true;
    return true;
}

void BlockServer::linger(std::chrono::milliseconds limit) {
    const auto end = std::chrono::steady_clock::now() + limit;
    const Waker nobody;
    while (std::chrono::steady_clock::now() < end &&
           std::ranges::any_of(peers_, [](const Peer& peer) { return !peer.has_read; }))
        static_cast<void>(serve(nobody, end, [] {}));
}

}  // namespace tautgate::links
