#include "tools/benchmark/child.hpp"

#include <array>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <ctime>
#include <fstream>
#include <iterator>
#include <stdexcept>
#include <system_error>
#include <thread>

#include <fcntl.h>
#include <netinet/in.h>
#include <sched.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <fmt/format.h>

namespace tautgate::benchmark {
namespace {

constexpr std::chrono::seconds end_patience{20};

std::string why_not() { return std::generic_category().message(errno); }

bool pin(int cpu) {
    cpu_set_t only{};
    CPU_ZERO(&only);
    CPU_SET(static_cast<std::size_t>(cpu), &only);
    return sched_setaffinity(0, sizeof only, &only) == 0;
}

// In the new process: only what is safe between fork and exec of a program with one thread.
[[noreturn]] void become(const Launch& launch, char* const* argv, char* const* environment) {
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    const int nothing = open("/dev/null", O_RDONLY);
    const int output = open(launch.output.c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
    const bool good = nothing >= 0 && output >= 0 && dup2(nothing, STDIN_FILENO) >= 0 &&
                      dup2(output, STDOUT_FILENO) >= 0 && dup2(output, STDERR_FILENO) >= 0 &&
                      (!launch.cpu || pin(*launch.cpu));
    if (good)
        execvpe(argv[0], argv, environment);
    _exit(127);
}

std::vector<char*> pointers(std::vector<std::string>& texts) {
    std::vector<char*> out;
    out.reserve(texts.size() + 1);
    for (std::string& text : texts)
        out.push_back(text.data());
    out.push_back(nullptr);
    return out;
}

double mib_after(const std::string& text, const std::string& key) {
    const auto at = text.find("\n" + key + ":");
    if (at == std::string::npos)
        give_up("the system does not tell " + key + " of a process");
    constexpr double kib_per_mib = 1024;
    return std::stod(text.substr(at + key.size() + 2)) / kib_per_mib;
}

}  // namespace

void give_up(const std::string& what) { throw std::runtime_error(what); }

Child::Child(const Launch& launch) : launch_(launch) {
    std::vector<std::string> words = launch.words;
    std::vector<std::string> variables = launch.environment;
    for (char** one = environ; *one != nullptr; ++one)
        variables.emplace_back(*one);
    const auto argv = pointers(words);
    const auto environment = pointers(variables);
    begun_ = std::chrono::steady_clock::now();
    id_ = fork();
    if (id_ == 0)
        become(launch_, argv.data(), environment.data());
    if (id_ < 0)
        give_up(fmt::format("cannot start {}: {}", launch.words.front(), why_not()));
}

Child::~Child() {
    if (status_)
        return;
    kill(id_, SIGKILL);
    int status = 0;
    waitpid(id_, &status, 0);
}

bool Child::ended_by(std::chrono::milliseconds limit) {
    const auto end = std::chrono::steady_clock::now() + limit;
    while (!status_) {
        int status = 0;
        const pid_t found = waitpid(id_, &status, WNOHANG);
        if (found == id_)
            status_ = status;
        else if (std::chrono::steady_clock::now() >= end)
            return false;
        else
            std::this_thread::sleep_for(std::chrono::milliseconds(2));  // the pace of asking
    }
    return true;
}

bool Child::running() { return !ended_by({}); }

void Child::await_end(std::chrono::milliseconds limit) {
    const bool ended = ended_by(limit);
    if (ended && WIFEXITED(*status_) && WEXITSTATUS(*status_) == 0)
        return;
    give_up(fmt::format("{} {}; its last words:\n{}", launch_.words.front(),
                        ended ? "ended badly" : "does not end", last_words(launch_.output)));
}

void Child::end_in_order() {
    if (running())
        kill(id_, SIGTERM);
    await_end(end_patience);
}

std::chrono::nanoseconds Child::cpu_time() const {
    clockid_t clock{};
    timespec time{};
    if (clock_getcpuclockid(id_, &clock) != 0 || clock_gettime(clock, &time) != 0)
        give_up(fmt::format("the system does not tell the CPU time of {}", launch_.words.front()));
    return std::chrono::seconds(time.tv_sec) + std::chrono::nanoseconds(time.tv_nsec);
}

Child::Memory Child::memory() const {
    std::ifstream in(fmt::format("/proc/{}/smaps_rollup", id_));
    const std::string text{std::istreambuf_iterator<char>{in}, {}};
    return {mib_after(text, "Rss"), mib_after(text, "Pss")};
}

std::string last_words(const std::filesystem::path& file) {
    constexpr std::size_t most = 3000;
    std::ifstream in(file);
    const std::string text{std::istreambuf_iterator<char>{in}, {}};
    return text.size() > most ? text.substr(text.size() - most) : text;
}

void pin_this_thread(int cpu) {
    if (!pin(cpu))
        give_up(fmt::format("cannot keep to CPU {}: {}", cpu, why_not()));
}

std::vector<std::uint16_t> free_ports(std::size_t count) {
    std::vector<int> held;  // all at once, so that no port is given twice
    std::vector<std::uint16_t> ports;
    for (std::size_t i = 0; i < count; ++i) {
        const int probe = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
        sockaddr_in address{};
        address.sin_family = AF_INET;
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        socklen_t length = sizeof address;
        if (probe < 0 || bind(probe, reinterpret_cast<sockaddr*>(&address), length) != 0 ||
            getsockname(probe, reinterpret_cast<sockaddr*>(&address), &length) != 0)
            give_up("no free port: " + why_not());
        held.push_back(probe);
        ports.push_back(ntohs(address.sin_port));
    }
    for (const int probe : held)
        close(probe);
    return ports;
}

Folder::Folder(const std::filesystem::path& parent) {
    std::string name = (parent / "bench-XXXXXX").string();
    if (mkdtemp(name.data()) == nullptr)
        give_up(fmt::format("no folder can be made in {}: {}", parent.string(), why_not()));
    path_ = name;
}

Folder::~Folder() {
    std::error_code ignored;  // what cannot be removed stays behind; the figures are there
    std::filesystem::remove_all(path_, ignored);
}

}  // namespace tautgate::benchmark
