#include "tests/faults/far_device.hpp"

#include <array>
#include <csignal>
#include <cstdlib>
#include <fstream>
#include <stdexcept>

#include <fmt/format.h>
#include <sched.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tools/simulation/register_tool.hpp"

namespace tautgate::faults {

namespace {

// Of TEST-NET-1 (RFC 5737), which is nobody's.
constexpr const char* near_address = "192.0.2.1";
constexpr const char* far_address = "192.0.2.2";
constexpr std::uint16_t far_port = 15020;

bool run(const std::string& command) {
    // NOLINTNEXTLINE(concurrency-mt-unsafe,cert-env33-c,bugprone-command-processor): a test's own words, no
    // threads
    return std::system((command + " 2>/dev/null").c_str()) == 0;
}

bool write_file(const char* path, const std::string& text) {
    std::ofstream out(path);
    out << text;
    return static_cast<bool>(out.flush());
}

// A network of our own, as ourselves or as whoever may make one.
bool leave_the_network() {
    if (unshare(CLONE_NEWNET) == 0)
        return true;
    const auto user = getuid();
    const auto group = getgid();
    return unshare(CLONE_NEWUSER | CLONE_NEWNET) == 0 && write_file("/proc/self/setgroups", "deny") &&
           write_file("/proc/self/uid_map", fmt::format("0 {} 1", user)) &&
           write_file("/proc/self/gid_map", fmt::format("0 {} 1", group));
}

struct Pipe {
    Pipe() {
        if (pipe(ends.data()) != 0)
            throw std::runtime_error("no pipe to the far device");
    }
    std::array<int, 2> ends{-1, -1};
};

char word_from(int handle) {
    char word = 0;
    return read(handle, &word, 1) == 1 ? word : '\0';
}

void say_to(int handle, char word) {
    if (write(handle, &word, 1) != 1)
        throw std::runtime_error("the far device's pipe is broken");
}

// The process of the device; ends with its orders.
[[noreturn]] void be_the_device(const protocol::RegisterProfile& profile, int orders, int words,
                                bool own_network) {
    const bool away = !own_network || unshare(CLONE_NEWNET) == 0;
    say_to(words, away ? 'a' : 'x');
    if (!away || word_from(orders) != 'g')
        _exit(1);
    if (own_network &&
        !(run("ip link set lo up") && run(fmt::format("ip addr add {}/24 dev far", far_address)) &&
          run("ip link set far up")))
        _exit(1);
    auto tool = simulation::RegisterTool::open(own_network ? far_address : "127.0.0.1",
                                               own_network ? far_port : std::uint16_t{0}, profile);
    if (!tool)
        _exit(1);
    say_to(words, 'r');
    const std::uint16_t port = (*tool)->port();
    if (write(words, &port, sizeof port) != sizeof port)
        _exit(1);
    protocol::WrittenResult result;
    result.torque = protocol::WrittenValue{"50", "N.m"};
    while (const char order = word_from(orders)) {
        if (order == 'm')
            (*tool)->report(result);
        if (order == 'p' || order == 'u')
            static_cast<void>(run(order == 'p' ? "ip link set far down" : "ip link set far up"));
        say_to(words, 'd');
    }
    _exit(0);
}

}  // namespace

FarDevice::FarDevice(const protocol::RegisterProfile& profile) {
    own_network_ = leave_the_network() && run("ip link set lo up");
    Pipe orders;
    Pipe words;
    device_ = fork();
    if (device_ < 0)
        throw std::runtime_error("no process for the far device");
    if (device_ == 0) {
        close(orders.ends[1]);
        close(words.ends[0]);
        be_the_device(profile, orders.ends[0], words.ends[1], own_network_);
    }
    close(orders.ends[0]);
    close(words.ends[1]);
    orders_ = orders.ends[1];
    words_ = words.ends[0];
    if (word_from(words_) != 'a')
        throw std::runtime_error("the far device has no network");
    if (own_network_ &&
        !(run(fmt::format("ip link add near type veth peer name far netns {}", device_)) &&
          run(fmt::format("ip addr add {}/24 dev near", near_address)) && run("ip link set near up")))
        throw std::runtime_error("no cable to the far device");
    say_to(orders_, 'g');
    if (word_from(words_) != 'r' || read(words_, &port_, sizeof port_) != sizeof port_)
        throw std::runtime_error("the far device does not serve");
    if (own_network_)
        host_ = far_address;
}

FarDevice::~FarDevice() {
    kill(device_, SIGKILL);
    waitpid(device_, nullptr, 0);
    close(orders_);
    close(words_);
}

void FarDevice::tell(char order) {
    say_to(orders_, order);
    static_cast<void>(word_from(words_));
}

void FarDevice::make_result() { tell('m'); }

void FarDevice::pull_cable() {
    if (own_network_)
        tell('p');
    else
        kill(device_, SIGSTOP);
}

void FarDevice::plug_cable() {
    if (own_network_)
        tell('u');
    else
        kill(device_, SIGCONT);
}

}  // namespace tautgate::faults
