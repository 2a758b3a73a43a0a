// How far the record is durable, for the links to the controllers: an order to release names the event that
// must be durable first, and the journal's thread wakes the link that waits for it. So a release goes out as
// soon as its grounds are on the disk, whatever the loop is doing at that moment; the order itself came from
// the loop, and a newer one replaces it as ever.
//
// In doubt nothing is advanced, and nothing goes out.
#pragma once

#include <atomic>
#include <cstdint>
#include <mutex>
#include <vector>

#include "service/domain/ids.hpp"
#include "service/links/modbus_wire.hpp"

namespace tautgate::links {

class DurableMark {
  public:
    // One link's wait. Lives no longer than the mark and the waker; any thread.
    class Wait {
      public:
        Wait(DurableMark& mark, const Waker& waker);
        ~Wait();
        Wait(const Wait&) = delete;
        Wait& operator=(const Wait&) = delete;
        Wait(Wait&&) = delete;
        Wait& operator=(Wait&&) = delete;
        // Wakes when this is durable, at once if it is already. Replaces what was waited for before.
        void until(domain::EventNumber event);
        void for_nothing();

      private:
        friend class DurableMark;
        DurableMark& mark_;
        const Waker& waker_;
        std::atomic<std::uint64_t> event_;
    };

    // The journal's thread; before it runs, whoever knows what is durable from before.
    void advance(domain::EventNumber up_to);
    // Any thread.
    [[nodiscard]] domain::EventNumber up_to() const noexcept { return {up_to_.load()}; }

  private:
    bool wake_all_up_to(std::uint64_t number);

    std::atomic<std::uint64_t> up_to_{0};
    std::mutex mutex_;  // held to change the list, and to wake those in it
    std::vector<Wait*> waits_;
};

}  // namespace tautgate::links
