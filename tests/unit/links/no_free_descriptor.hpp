// A process that has no descriptor left, so that nobody who calls can be accepted.
#pragma once

#include <catch2/catch.hpp>
#include <sys/resource.h>
#include <unistd.h>

namespace tautgate::links::testing {

// Leaves the process so many descriptors to open and no more.
class NoFreeDescriptor {
  public:
    explicit NoFreeDescriptor(rlim_t but) {
        REQUIRE(::getrlimit(RLIMIT_NOFILE, &before_) == 0);
        const int lowest_free = ::dup(0);
        REQUIRE(lowest_free >= 0);
        ::close(lowest_free);
        const rlimit few{static_cast<rlim_t>(lowest_free) + but, before_.rlim_max};
        REQUIRE(::setrlimit(RLIMIT_NOFILE, &few) == 0);
    }
    ~NoFreeDescriptor() { static_cast<void>(::setrlimit(RLIMIT_NOFILE, &before_)); }
    NoFreeDescriptor(const NoFreeDescriptor&) = delete;
    NoFreeDescriptor& operator=(const NoFreeDescriptor&) = delete;
    NoFreeDescriptor(NoFreeDescriptor&&) = delete;
    NoFreeDescriptor& operator=(NoFreeDescriptor&&) = delete;

  private:
    rlimit before_{};
};

}  // namespace tautgate::links::testing
