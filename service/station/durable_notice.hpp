// How the journal's thread tells the loop what is durable: by the newest number and a handle that wakes the
// loop. Nothing is locked. A message posted to the loop would be: the loop, awake at once, then often found
// the lock still held by the thread that woke it, and the release waited for two more changes of threads.
//
// Only the newest number counts: everything up to it is durable. In doubt none is told, and nothing goes out.
#pragma once

#include <atomic>
#include <cstdint>
#include <functional>

#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>

#include "service/domain/ids.hpp"

namespace tautgate::station {

class DurableNotice {
  public:
    // `take` is called on the loop, which must not run any more when this is destroyed.
    DurableNotice(boost::asio::io_context& loop, std::function<void(domain::EventNumber)> take);

    // The journal's thread.
    void tell(domain::EventNumber up_to) noexcept;
    // The loop's: takes what was told and has not been taken, before something else is looked at.
    void look();

  private:
    void wait();

    std::function<void(domain::EventNumber)> take_;
    std::atomic<std::uint64_t> told_{0};
    std::uint64_t taken_ = 0;
    std::uint64_t wakes_ = 0;
    boost::asio::posix::stream_descriptor handle_;
};

}  // namespace tautgate::station
