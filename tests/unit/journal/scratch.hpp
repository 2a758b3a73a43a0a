// A folder for one test, gone with it, and a writer whose callbacks can be waited for.
#pragma once

#include <chrono>
#include <condition_variable>
#include <cstdlib>
#include <filesystem>
#include <mutex>
#include <optional>
#include <stdexcept>
#include <string>
#include <system_error>
#include <utility>

#include "service/journal/writer.hpp"

namespace tautgate::scratch {

class Folder {
  public:
    Folder() {
        std::string name = (std::filesystem::temp_directory_path() / "tautgate-journal-XXXXXX").string();
        if (::mkdtemp(name.data()) == nullptr)
            throw std::runtime_error("no scratch folder");
        path_ = name;
    }
    ~Folder() {
        std::error_code ignored;
        std::filesystem::permissions(path_, std::filesystem::perms::owner_all, ignored);
        std::filesystem::remove_all(path_, ignored);
    }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    Folder(Folder&&) = delete;
    Folder& operator=(Folder&&) = delete;
    [[nodiscard]] std::filesystem::path journal() const { return path_ / "station.journal"; }
    [[nodiscard]] const std::filesystem::path& path() const { return path_; }

  private:
    std::filesystem::path path_;
};

// What a writer reported, from its thread.
class Reports {
  public:
    [[nodiscard]] journal::Writer::Options options(const std::filesystem::path& path) {
        journal::Writer::Options options;
        options.path = path;
        options.station = "scratch";
        options.on_durable = [this](journal::EventNumber up_to) { set([&] { durable_ = up_to; }); };
        options.on_failure = [this](const journal::JournalError& error) {
            set([&] {
                failure_ = error;
                ++failures_;
            });
        };
        return options;
    }
    // Until the event is durable or the writer gave up; false after half a minute.
    [[nodiscard]] bool settled(std::uint64_t number) {
        std::unique_lock lock(mutex_);
        return changed_.wait_for(lock, std::chrono::seconds(30),
                                 [&] { return failure_.has_value() || durable_.value >= number; });
    }
    [[nodiscard]] journal::EventNumber durable() {
        const std::scoped_lock lock(mutex_);
        return durable_;
    }
    [[nodiscard]] std::optional<journal::JournalError> failure() {
        const std::scoped_lock lock(mutex_);
        return failure_;
    }
    [[nodiscard]] int failures() {
        const std::scoped_lock lock(mutex_);
        return failures_;
    }

  private:
    template <class Call>
    void set(Call call) {
        const std::scoped_lock lock(mutex_);
        call();
        changed_.notify_all();
    }
    std::mutex mutex_;
    std::condition_variable changed_;
    journal::EventNumber durable_;
    std::optional<journal::JournalError> failure_;
    int failures_ = 0;
};

}  // namespace tautgate::scratch
