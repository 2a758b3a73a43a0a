#include "tests/end_to_end/harness.hpp"

#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <fcntl.h>
#include <fstream>
#include <iterator>
#include <netinet/in.h>
#include <poll.h>
#include <random>
#include <spawn.h>
#include <stdexcept>
#include <sys/socket.h>
#include <sys/wait.h>
#include <system_error>
#include <unistd.h>

#include "config/key_file.hpp"
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
    const auto installed = std::filesystem::path(folder) / name;
    return std::filesystem::exists(installed)
               ? installed
               : std::filesystem::path(folder).parent_path() / "test_bin" / name;
}

// Negative: the port is taken.
int bound_socket(int kind, std::uint16_t port) {
    const int made = socket(AF_INET, kind | SOCK_CLOEXEC, 0);
    if (made < 0)
        give_up("no socket", errno);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(port);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (bind(made, reinterpret_cast<sockaddr*>(&address), sizeof address) == 0)
        return made;
    close(made);
    return -1;
}

// The demo station with ports of its own.
json description(PortBlock& ports, const std::function<void(json&)>& change) {
    auto station = json::parse(text_of(TAUTGATE_SOURCE_DIR "/config/larkmoor.json"), nullptr, true, true);
    for (const char* key : {"api", "tool_port", "scanner_port"})
        station[key]["port"] = ports.next();
    for (auto& bay : station["bays"])
        bay["controller"]["port"] = ports.next();
    for (auto& tool : station["tools"])
        if (tool["link"].contains("registers"))
            tool["link"]["registers"]["port"] = ports.next();
    if (change)
        change(station);
    for (auto& bay : station["bays"])
        if (!bay["controller"].contains("port"))
            bay["controller"]["port"] = ports.next();
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

PortBlock::PortBlock() {
    constexpr unsigned first = 12'000;  // up to 31999; the system's own range begins at 32768 or later
    constexpr unsigned blocks = 1'000;
    constexpr unsigned size = 20;
    std::random_device any;
    for (unsigned attempt = 0; attempt < blocks; ++attempt) {
        const auto begin = static_cast<std::uint16_t>(first + any() % blocks * size);
        held_ = bound_socket(SOCK_DGRAM, begin);
        if (held_ < 0)
            continue;
        next_ = begin;
        end_ = static_cast<std::uint16_t>(begin + size);
        return;
    }
    give_up("no free block of ports");
}

PortBlock::~PortBlock() {
    if (held_ >= 0)
        close(held_);
}

std::uint16_t PortBlock::next() {
    while (next_ < end_) {
        const std::uint16_t port = next_++;
        const int probe = bound_socket(SOCK_STREAM, port);
        if (probe < 0)
            continue;  // somebody else's
        close(probe);
        return port;
    }
    give_up("no free port in the block");
}

// ---- the plant
// ----------------------------------------------------------------------------------------------

Plant::Plant(const Arrangement& arrangement) : arrangement_(arrangement) {
    std::filesystem::create_directory(state_folder());
    const auto text = description(ports_, arrangement.change).dump(2);
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
    make_keys();
    auto floor = simulation::ShopFloor::open(station_, {.bay = bay(),
                                                        .seed = arrangement.seed,
                                                        .traces = arrangement.traces,
                                                        .other_bays = true,
                                                        .keys = state_folder()});
    if (!floor)
        give_up(floor.error());
    floor_ = std::move(*floor);
    crew_ =
        std::make_unique<simulation::Crew>(simulation::ApiClient{station_.api.address, station_.api.port});
    shift_ = std::make_unique<simulation::Shift>(*floor_, *crew_, bay(),
                                                 [this](const std::string& line) { told_ += line + "\n"; });
}

void Plant::make_keys() const {
    for (const config::Tool& tool : station_.tools) {
        const auto* link = std::get_if<config::LineLink>(&tool.link);
        if (link == nullptr || link->key.empty())
            continue;
        if (const auto made = config::make_key_file(state_folder() / link->key); !made)
            give_up(made.error());
    }
}

void Plant::start(const std::vector<std::string>& more) {
    if (daemon_ && daemon_->running())
        give_up("the daemon is running already");
    std::vector<std::string> arguments{"--config", config_file().string(), "--state-dir",
                                       state_folder().string()};
    arguments.insert(arguments.end(), arrangement_.daemon_arguments.begin(),
                     arrangement_.daemon_arguments.end());
    arguments.insert(arguments.end(), more.begin(), more.end());
    daemon_ =
        std::make_unique<Process>(program(arrangement_.program), arguments, folder_.path() / "tautgated.log");
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

void Plant::open_for_work(const std::vector<std::string>& more) {
    start(more);
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

json Plant::await_record(const std::string& serial, const std::function<bool(const json& stay)>& wanted) {
    json stays;
    const bool there = simulation::ask_until(
        [&] {
            const auto record = crew_->unit(serial);
            if (!record || record->at("stays").empty())
                return false;
            stays = record->at("stays");
            return wanted(stays.back());
        },
        patience);
    return there ? stays : json(nullptr);
}

std::string Plant::log() const { return text_of(folder_.path() / "tautgated.log"); }

std::string Plant::told() const {
    constexpr std::size_t last_words = 4000;
    const auto all = log();
    return told_ + "--- the daemon's last words:\n" +
           (all.size() > last_words ? all.substr(all.size() - last_words) : all);
}

}  // namespace tautgate::end_to_end
