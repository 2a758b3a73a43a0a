#include "service/station/file_check.hpp"

#include <utility>

#include <pthread.h>
#include <sched.h>

#include "service/journal/reader.hpp"

namespace tautgate::station {

namespace {

std::string found_in(journal::Reader& reader) {
    const auto pages = reader.check_file();
    if (!pages)
        return journal::to_text(pages.error());
    if (!pages->empty())
        return *pages;
    const auto chain = reader.verify();
    if (!chain)
        return journal::to_text(chain.error());
    if (*chain)
        return "event " + std::to_string((*chain)->first.value) + " " + (*chain)->what;
    const auto beside = reader.audit(journal::Beside::all_but_people);
    if (!beside)
        return journal::to_text(beside.error());
    return beside->empty() ? std::string() : beside->front();
}

}  // namespace

FileCheck check_whole_file(const std::filesystem::path& journal, const std::string& vfs,
                           const std::stop_token& stop) {
    const auto began = std::chrono::steady_clock::now();
    FileCheck check;
    auto reader = journal::Reader::open(journal, vfs);
    if (reader) {
        (*reader)->abandon_when(stop);
        check.found = found_in(**reader);
    } else {
        check.found = journal::to_text(reader.error());
    }
    check.ended = std::chrono::steady_clock::now();
    check.took = std::chrono::duration_cast<std::chrono::milliseconds>(check.ended - began);
    return check;
}

void FileChecker::begin() {
    thread_ = std::jthread([journal = journal_, vfs = vfs_, done = done_](const std::stop_token& stop) {
        // The line comes first; where the system refuses, the check merely runs like everything else.
        const sched_param idle{};
        static_cast<void>(pthread_setschedparam(pthread_self(), SCHED_IDLE, &idle));
        FileCheck check = check_whole_file(journal, vfs, stop);
        if (!stop.stop_requested())
            done(std::move(check));
    });
}

}  // namespace tautgate::station
