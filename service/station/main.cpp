// tautgated: the service of one station.
#include <cerrno>
#include <exception>
#include <memory>
#include <string>
#include <system_error>

#include <CLI/CLI.hpp>
#include <spdlog/sinks/stdout_color_sinks.h>
#include <spdlog/spdlog.h>
#include <sys/resource.h>
#include <sys/select.h>

#include "service/station/start.hpp"
#include "version.hpp"

namespace {

using tautgate::station::ExitCode;

constexpr auto epilogue =
    "Exit codes: 0 ended in order; 1 --check-config found errors; 2 wrong usage; 69 a port is in use;\n"
    "70 the decision core failed; 74 the journal failed; 75 another process holds the station;\n"
    "78 the configuration cannot be used.\n\n"
    "Its output is a process permissive: an added reason not to move. It is not a safety function,\n"
    "protects no person and replaces no guard or emergency stop.";

// Standard error, with the time in UTC; a journal of the system adds its own.
void set_up_log() {
    auto log = spdlog::stderr_color_st("tautgated");
    log->set_pattern("%Y-%m-%dT%H:%M:%S.%eZ %l %v", spdlog::pattern_time_type::utc);
    spdlog::set_default_logger(std::move(log));
}

// libmodbus waits for an answer with select(), which from the descriptor FD_SETSIZE on writes beside its set.
// So no such descriptor is handed out: whoever calls when all are taken waits until one is free, as where the
// system itself has none left.
void limit_descriptors() {
    rlimit limit{};
    if (::getrlimit(RLIMIT_NOFILE, &limit) == 0 && limit.rlim_cur <= FD_SETSIZE)
        return;
    limit.rlim_cur = FD_SETSIZE;
    if (::setrlimit(RLIMIT_NOFILE, &limit) != 0)
        throw std::system_error(errno, std::generic_category(), "a limit of open files that cannot be set");
}

int serve(int argc, char** argv) {
    CLI::App app("tautgated: withholds the equipment of a station until its joints are proven", "tautgated");
    app.footer(epilogue);
    app.set_version_flag("--version", "tautgated " + std::string(tautgate::program_version) + " " +
                                          std::string(tautgate::source_commit));
    tautgate::station::StartOptions options;
    options.program_version =
        std::string(tautgate::program_version) + "+" + std::string(tautgate::source_commit);
    bool check_only = false;
    bool rebuild = false;
    app.add_option("--config", options.config, "description of the station (JSON)");
    app.add_option("--state-dir", options.state_folder,
                   "folder of the journal and of what belongs to it; needed but with --check-config");
    app.add_flag("--check-config", check_only, "say what is wrong with the description, then end");
    app.add_flag("--rebuild-tables", rebuild,
                 "make the tables that people ask again from the events of the journal, then end");
    try {
        app.parse(argc, argv);
    } catch (const CLI::ParseError& error) {
        return app.exit(error) == 0 ? 0 : static_cast<int>(ExitCode::usage);
    }
    // An option that nobody knows is told first: it may be this one, misspelt.
    if (options.config.empty()) {
        spdlog::critical("--config is missing: name the file with the station's description");
        return static_cast<int>(ExitCode::usage);
    }
    if (check_only)
        return static_cast<int>(tautgate::station::check_config(options.config));
    if (options.state_folder.empty()) {
        spdlog::critical("--state-dir is missing: name the folder in which the journal is kept");
        return static_cast<int>(ExitCode::usage);
    }
    limit_descriptors();
    return static_cast<int>(rebuild ? tautgate::station::rebuild_tables(options)
                                    : tautgate::station::run(options));
}

}  // namespace

int main(int argc, char** argv) {
    try {
        set_up_log();
        return serve(argc, argv);
    } catch (const std::exception& error) {
        // Nothing is released any more: the controllers' time-out withholds.
        std::fputs((std::string("tautgated: ended by ") + error.what() + "\n").c_str(), stderr);
        return static_cast<int>(ExitCode::core_failed);
    }
}
