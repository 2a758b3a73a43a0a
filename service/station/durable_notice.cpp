#include "service/station/durable_notice.hpp"

#include <cerrno>
#include <system_error>
#include <utility>

#include <boost/asio/buffer.hpp>
#include <sys/eventfd.h>
#include <unistd.h>

namespace tautgate::station {
namespace {

int open_handle() {
    const int handle = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (handle < 0)
        throw std::system_error(errno, std::generic_category(), "cannot open a handle to wake the loop");
    return handle;
}

}  // namespace

DurableNotice::DurableNotice(boost::asio::io_context& loop, std::function<void(domain::EventNumber)> take)
    : take_(std::move(take)), handle_(loop, open_handle()) {
    wait();
}

void DurableNotice::tell(domain::EventNumber up_to) noexcept {
    told_.store(up_to.value, std::memory_order_release);
    const std::uint64_t one = 1;
    // It can only fail when so many wakes are pending that one more makes no difference.
    [[maybe_unused]] const auto written = ::write(handle_.native_handle(), &one, sizeof one);
}

void DurableNotice::look() {
    const std::uint64_t told = told_.load(std::memory_order_acquire);
    if (told == std::exchange(taken_, told))
        return;
    take_({told});
}

void DurableNotice::wait() {
    handle_.async_read_some(boost::asio::buffer(&wakes_, sizeof wakes_),
                            [this](const boost::system::error_code& error, std::size_t) {
                                if (error)
                                    return;  // closed: the service ends
                                look();
                                wait();
                            });
}

}  // namespace tautgate::station
