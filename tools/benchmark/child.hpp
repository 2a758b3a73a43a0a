// A program in a process of its own, on the CPU that it is told, with its words in a file. It dies with the
// benchmark. One thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include <sys/types.h>

namespace tautgate::benchmark {

// What a benchmark cannot go on from: one sentence for whoever runs it.
[[noreturn]] void give_up(const std::string& what);

struct Launch {
    std::vector<std::string> words;        // the program and its arguments
    std::filesystem::path output;          // both streams are appended to it
    std::optional<int> cpu;                // pinned there
    std::vector<std::string> environment;  // KEY=VALUE, beside the benchmark's own
};

class Child {
  public:
    explicit Child(const Launch& launch);
    ~Child();
    Child(const Child&) = delete;
    Child& operator=(const Child&) = delete;
    Child(Child&&) = delete;
    Child& operator=(Child&&) = delete;

    [[nodiscard]] pid_t id() const noexcept { return id_; }
    // Just before the process was made.
    [[nodiscard]] std::chrono::steady_clock::time_point begun() const noexcept { return begun_; }
    [[nodiscard]] bool running();
    // Asks it to end (SIGTERM) and waits; gives up if it does not end with code 0.
    void end_in_order();
    // The same after the wait only, for a program that ends by itself.
    void await_end(std::chrono::milliseconds limit);

    // CPU time that all its threads used.
    [[nodiscard]] std::chrono::nanoseconds cpu_time() const;
    struct Memory {
        double resident_mib = 0;      // pages in memory, shared libraries included whole
        double proportional_mib = 0;  // shared pages divided among those who share them
    };
    [[nodiscard]] Memory memory() const;

  private:
    [[nodiscard]] bool ended_by(std::chrono::milliseconds limit);
    Launch launch_;
    std::chrono::steady_clock::time_point begun_;
    pid_t id_ = -1;
    std::optional<int> status_;  // of waitpid
};

// The end of a text file, for a message.
[[nodiscard]] std::string last_words(const std::filesystem::path& file);

void pin_this_thread(int cpu);
// Ports of the loopback that nobody used a moment ago.
[[nodiscard]] std::vector<std::uint16_t> free_ports(std::size_t count);

// A folder that goes with the object.
class Folder {
  public:
    // Below `parent`: what is measured depends on the disk, so it is not left to the system's idea of
    // temporary.
    explicit Folder(const std::filesystem::path& parent);
    ~Folder();
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    Folder(Folder&&) = delete;
    Folder& operator=(Folder&&) = delete;
    [[nodiscard]] const std::filesystem::path& path() const noexcept { return path_; }

  private:
    std::filesystem::path path_;
};

}  // namespace tautgate::benchmark
