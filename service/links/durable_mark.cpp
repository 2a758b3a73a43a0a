#include "service/links/durable_mark.hpp"

#include <limits>
#include <thread>

namespace tautgate::links {
namespace {

constexpr std::uint64_t never = std::numeric_limits<std::uint64_t>::max();

}  // namespace

DurableMark::Wait::Wait(DurableMark& mark, const Waker& waker) : mark_(mark), waker_(waker), event_(never) {
    const std::scoped_lock lock(mark_.mutex_);
    mark_.waits_.push_back(this);
}

DurableMark::Wait::~Wait() {
    const std::scoped_lock lock(mark_.mutex_);
    std::erase(mark_.waits_, this);
}

// Said first and looked at afterwards, here and in advance: one of the two sees the other.
void DurableMark::Wait::until(domain::EventNumber event) {
    event_.store(event.value);
    if (mark_.up_to() >= event)
        waker_.wake();
}

void DurableMark::Wait::for_nothing() { event_.store(never); }

void DurableMark::advance(domain::EventNumber up_to) {
    up_to_.store(up_to.value);
    // Where the threads share a processor the release goes out first, before everything else that follows
    // from the commit.
    if (wake_all_up_to(up_to.value))
        std::this_thread::yield();
}

bool DurableMark::wake_all_up_to(std::uint64_t number) {
    bool any = false;
    const std::scoped_lock lock(mutex_);
    for (Wait* const wait : waits_) {
        std::uint64_t event = wait->event_.load();
        // What the link has begun to wait for meanwhile, it looks at itself.
        if (event <= number && wait->event_.compare_exchange_strong(event, never)) {
            wait->waker_.wake();
            any = true;
        }
    }
    return any;
}

}  // namespace tautgate::links
