// When what a peer says can have been said at the earliest. Each sign of life of ours bears a number, the
// peer answers with it, and whatever comes after that answer was said after we had sent that number. That
// something comes all the time shows no more than that: what lags a little more each time is never silent.
//
// Pure: the caller brings the time. Belongs to one connection and one thread.
#pragma once

#include <algorithm>
#include <cstdint>
#include <deque>
#include <optional>

#include "service/links/freshness.hpp"

namespace tautgate::links {

class Receipts {
  public:
    void sent(std::uint64_t number, SteadyTime now) {
        constexpr std::size_t kept = 256;  // far beyond any silence limit
        if (waiting_.size() >= kept)
            waiting_.pop_front();
        waiting_.push_back({number, now});
    }
    // False: no such number waits for its answer, and it proves nothing.
    [[nodiscard]] bool answered(std::uint64_t number) {
        const auto found = std::ranges::find(waiting_, number, &Sent::number);
        if (found == waiting_.end())
            return false;
        since_ = found->at;
        waiting_.erase(waiting_.begin(), found + 1);
        return true;
    }
    // What comes now was said after this; none: it may be of any age.
    [[nodiscard]] std::optional<SteadyTime> since() const noexcept { return since_; }

  private:
    struct Sent {
        std::uint64_t number = 0;
        SteadyTime at;
    };
    std::deque<Sent> waiting_;
    std::optional<SteadyTime> since_;
};

}  // namespace tautgate::links
