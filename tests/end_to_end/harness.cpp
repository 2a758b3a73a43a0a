#include "tests/end_to_end/harness.hpp"

#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <fcntl.h>
#include <fstream>
#include <iterator>
#include <netinet/in.h>
#include <poll.h>
#include <spawn.h>
#include <stdexcept>
#include <sys/socket.h>
#include <sys/wait.h>
#include <system_error>
#include <unistd.h>

#include "config/reader.hpp"

// glibc 2.36 forgets to say that these are C functions.
extern "C" {
#include <sys/pidfd.h>
}

namespace tautgate::end_to_end {

using nlohmann::json;

namespace {

[[noreturn]] void give_up(const std::string& what) { throw std::runtime_error(what); }
[[noreturn]] void give_up(const std::string& what, int error) {
    throw std::system_error(error, std::generic_category(), what);
}

std::string text_of(const std::filesystem::path& file) {
    std::ifstream in{file};
    return {std::istreambuf_iterator<char>{in}, {}};
}

std::filesystem::path program(const std::string& name) {
    // Set by ctest. Read before any thread of the test is started.
    const char* folder = std::getenv("TAUTGATE_BIN");  // NOLINT(concurrency-mt-unsafe)
    if (folder == nullptr)
        give_up("TAUTGATE_BIN is not set: run this through ctest, or point it at the folder of the built "
                "programs");
    return std::filesystem::path(folder) / name;
}

// The demo station with ports of its own.
json description(const std::function<void(json&)>& change) {
    auto station = json::parse(text_of(TAUTGATE_SOURCE_DIR "/config/larkmoor.json"), nullptr, true, true);
    std::size_t needed = 3 + station["bays"].size() + station["tools"].size();
    auto ports = free_ports(needed);
    const auto next = [&ports] {
        const auto port = ports.back();
        ports.pop_back();
        return port;
    };
    for (const char* key : {"api", "tool_port", "scanner_port"})
        station[key]["port"] = next();
    for (auto& bay : station["bays"])
        bay["controller"]["port"] = next();
    for (auto& tool : station["tools"])
        if (tool["link"].contains("registers"))
            tool["link"]["registers"]["port"] = next();
    if (change)
        change(station);
    return station;
}

}  // namespace

// ---- a folder
// -----------------------------------------------------------------------------------------------

TemporaryFolder::TemporaryFolder() {
    std::string name = (std::filesystem::temp_directory_path() / "tautgate-test-XXXXXX").string();
    if (mkdtemp(name.data()) == nullptr)
        give_up("no folder for the test", errno);
    path_ = name;
}

TemporaryFolder::~TemporaryFolder() {
    if (std::getenv("TAUTGATE_KEEP") != nullptr)  // NOLINT(concurrency-mt-unsafe)
        return;
    std::error_code ignored;  // what cannot be removed stays behind; the test has its result
    std::filesystem::remove_all(path_, ignored);
}

// ---- a process
// ----------------------------------------------------------------------------------------------

Process::Process(const std::filesystem::path& program, const std::vector<std::string>& arguments,
                 const std::filesystem::path& output) {
    // setpriv replaces itself by the program, which keeps the process number and dies with the test.
    std::vector<std::string> words{"setpriv", "--pdeathsig", "KILL", program.string()};
    words.insert(words.end(), arguments.begin(), arguments.end());
    std::vector<char*> argv;
    for (auto& word : words)
        argv.push_back(word.data());
    argv.push_back(nullptr);
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, output.c_str(), O_WRONLY | O_CREAT | O_APPEND,
                                     0600);
    posix_spawn_file_actions_adddup2(&actions, STDOUT_FILENO, STDERR_FILENO);
    const int failed = posix_spawnp(&pid_, "setpriv", &actions, nullptr, argv.data(), environ);
    posix_spawn_file_actions_destroy(&actions);
    if (failed != 0)
        give_up("cannot start " + program.string(), failed);
    handle_ = pidfd_open(pid_, 0);
    if (handle_ < 0)
        give_up("cannot watch " + program.string(), errno);
}

Process::~Process() {
    if (!ended_) {
        ::kill(pid_, SIGKILL);
        int status = 0;
        waitpid(pid_, &status, 0);
    }
    if (handle_ >= 0)
        close(handle_);
}

void Process::signal(int number) const {
    if (!ended_ && ::kill(pid_, number) != 0)
        give_up("cannot signal the process", errno);
}

std::optional<Process::Ended> Process::await_end(std::chrono::milliseconds limit) {
    if (ended_)
        return ended_;
    pollfd waiting{handle_, POLLIN, 0};
    if (poll(&waiting, 1, static_cast<int>(limit.count())) <= 0)
        return std::nullopt;
    int status = 0;
    if (waitpid(pid_, &status, 0) != pid_)
        give_up("cannot ask how the process ended", errno);
    ended_ = Ended{};
    if (WIFEXITED(status))
        ended_->code = WEXITSTATUS(status);
    else
        ended_->signal = WTERMSIG(status);
    return ended_;
}

bool Process::running() { return !await_end(std::chrono::milliseconds(0)); }

std::vector<std::uint16_t> free_ports(std::size_t count) {
    // All are held at once, so that no port is given twice.
    std::vector<int> held;
    std::vector<std::uint16_t> ports;
    for (std::size_t i = 0; i < count; ++i) {
        const int probe = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
        sockaddr_in address{};
        address.sin_family = AF_INET;
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        socklen_t length = sizeof address;
        if (probe < 0 || bind(probe, reinterpret_cast<sockaddr*>(&address), length) != 0 ||
            getsockname(probe, reinterpret_cast<sockaddr*>(&address), &length) != 0)
            give_up("no free port", errno);
        held.push_back(probe);
        ports.push_back(ntohs(address.sin_port));
    }
    for (const int probe : held)
        close(probe);
    return ports;
}

// ---- the plant
// ----------------------------------------------------------------------------------------------

Plant::Plant(const Arrangement& arrangement) : arrangement_(arrangement) {
    std::filesystem::create_directory(state_folder());
    const auto text = description(arrangement.change).dump(2);
    if (std::ofstream out{config_file()}; !(out << text))
        give_up("cannot write " + config_file().string());
    auto loading = config::load_station(text, config_file().string());
    if (!loading.station) {
        std::string faults;
        for (const auto& finding : loading.findings)
            faults += config::to_text(finding) + "\n";
        give_up("the test's station is faulty:\n" + faults);
    }
    station_ = std::move(*loading.station);
    auto floor = simulation::ShopFloor::open(station_, {.bay = bay(), .seed = arrangement.seed});
    if (!floor)
        give_up(floor.error());
    floor_ = std::move(*floor);
    crew_ =
        std::make_unique<simulation::Crew>(simulation::ApiClient{station_.api.address, station_.api.port});
    shift_ = std::make_unique<simulation::Shift>(*floor_, *crew_, bay(),
                                                 [this](const std::string& line) { told_ += line + "\n"; });
}

void Plant::start() {
    if (daemon_ && daemon_->running())
        give_up("the daemon is running already");
    std::vector<std::string> arguments{"--config", config_file().string(), "--state-dir",
                                       state_folder().string()};
    arguments.insert(arguments.end(), arrangement_.daemon_arguments.begin(),
                     arrangement_.daemon_arguments.end());
    daemon_ = std::make_unique<Process>(program("tautgated"), arguments, folder_.path() / "tautgated.log");
}

void Plant::stop() {
    daemon().signal(SIGTERM);
    const auto ended = daemon().await_end(patience);
    if (!ended)
        give_up("the daemon does not stop\n" + told());
    if (ended->code != 0)
        give_up("the daemon did not end in order\n" + told());
}

void Plant::kill() {
    daemon().signal(SIGKILL);
    if (!daemon().await_end(patience))
        give_up("the daemon outlived SIGKILL");
}

Process& Plant::daemon() {
    if (!daemon_)
        give_up("the daemon was never started");
    return *daemon_;
}

void Plant::open_for_work() {
    start();
    const auto need = [this](const simulation::Crew::Done& step) {
        if (!step)
            give_up(step.error() + "\n" + told());
    };
    need(crew_->await_station(patience));
    need(crew_->enrol(state_folder() / "enrol.code"));
    need(crew_->approve_rules());
    need(crew_->sign_on(bay()));
    if (!shift_->wait_until_ready())
        give_up("the links do not become good\n" + told());
}

std::string Plant::log() const { return text_of(folder_.path() / "tautgated.log"); }

std::string Plant::told() const {
    constexpr std::size_t last_words = 4000;
    const auto all = log();
    return told_ + "--- the daemon's last words:\n" +
           (all.size() > last_words ? all.substr(all.size() - last_words) : all);
}

}  // namespace tautgate::end_to_end
