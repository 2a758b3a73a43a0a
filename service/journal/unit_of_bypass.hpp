// A unit that is or was done in another way than planned, as the journal lists them for one bypass.
#pragma once

#include <cstdint>
#include <string>

#include "service/domain/ids.hpp"

namespace tautgate::journal {

struct UnitOfBypass {
    domain::EventNumber stay;
    std::string unit;  // empty: it is not known (any more) which unit it is
    std::string joint;
    std::string alternate;    // id
    std::int64_t utc_us = 0;  // when it was known to have the joint
};

}  // namespace tautgate::journal
