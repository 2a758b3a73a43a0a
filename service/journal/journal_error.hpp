// What can go wrong with the journal, in words for whoever stands before the station. Plain values.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "service/domain/ids.hpp"

namespace tautgate::journal {

enum class JournalFault : std::uint8_t {
    cannot_open,
    not_ours,       // the file is something else
    newer_version,  // written by a newer program; nothing was touched
    read_only,
    disk_full,
    device,         // the disk refused a read, a write or a sync
    damaged,        // the database or the chain is not what was written
    in_use,         // another process holds it
    not_found,      // a record or text that should be there is not
    not_understood  // a record that this program cannot read or decide
};

struct JournalError {
    JournalFault fault = JournalFault::cannot_open;
    std::string path;
    std::string what;  // what happened, as the end of a sentence beginning with the path
    std::string remedy;
    std::optional<domain::EventNumber> event;  // the first event concerned
};

// One sentence and the remedy.
[[nodiscard]] inline std::string to_text(const JournalError& error) {
    return error.path + ": " + error.what + "; " + error.remedy;
}

}  // namespace tautgate::journal
