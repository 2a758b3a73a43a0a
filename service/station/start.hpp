// How a station comes up, in this order: take the lock, withhold every output that the file names, open the
// journal, replay the whole station from it, then bring up the rest. Whatever fails on the way leaves the
// outputs withheld and says what, where, why and what helps. Called by main(); blocks until the end.
#pragma once

#include <filesystem>
#include <string>

#include "service/station/exit_code.hpp"
#include "service/station/probes.hpp"

namespace tautgate::station {

struct StartOptions {
    std::filesystem::path config;
    std::filesystem::path state_folder;
    std::string program_version;
    std::string vfs;  // for tests: the name of another SQLite VFS; empty: the system's
    Probes probes;    // for tests
};

// Reads the file and says everything that is wrong with it, one finding a line on standard output.
[[nodiscard]] ExitCode check_config(const std::filesystem::path& file);

// Makes the tables that people ask again from the events, while no service runs on the journal. A record
// whose events are not what was written is left as it is.
[[nodiscard]] ExitCode rebuild_tables(const StartOptions& options);

// Runs until SIGINT or SIGTERM, or until it must end.
[[nodiscard]] ExitCode run(const StartOptions& options);

}  // namespace tautgate::station
