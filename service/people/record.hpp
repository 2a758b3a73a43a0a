// What is kept about a person outside of the hash chain, so that a name can be taken out one day without
// breaking the record: journal events name people by number only. Plain values; any thread.
#pragma once

#include <string>

#include "service/domain/ids.hpp"

namespace tautgate::people {

// Written in the transaction of the event that enrols the person.
struct PersonRecord {
    domain::PersonNumber number;
    std::string name{};        // as people call them
    std::string badge{};       // what a badge reader reads; empty: has none
    std::string credential{};  // Argon2id in PHC text form; empty: the stored one stays
    bool operator==(const PersonRecord&) const = default;
};

}  // namespace tautgate::people
