#include "service/people/enrolment_code.hpp"

#include <cassert>
#include <cerrno>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <sodium.h>
#include <sys/stat.h>
#include <unistd.h>

#include "service/people/secret.hpp"

namespace tautgate::people {
namespace {

constexpr std::size_t code_bytes = 16;

CodeFault file_fault(const std::string& file, int error) {
    return {
        .what = "the enrolment code could not be written to " + file,
        .why = std::generic_category().message(error),
        .remedy =
            "make the folder writable for the user of the service, with room on its disk, and start again"};
}

// Written in whole under another name first, so that nobody ever reads half a code or an old mode.
std::expected<void, CodeFault> write_file(const std::string& file, const std::string& text) {
    const auto draft = file + ".new";
    (void)::unlink(draft.c_str());
    const int handle =
        ::open(draft.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, S_IRUSR | S_IWUSR);
    if (handle < 0)
        return std::unexpected(file_fault(file, errno));
    const auto written = ::write(handle, text.data(), text.size());
    const int write_error = written == static_cast<ssize_t>(text.size()) ? 0 : (written < 0 ? errno : ENOSPC);
    const int sync_error = ::fsync(handle) == 0 ? 0 : errno;
    (void)::close(handle);
    const int error = write_error != 0 ? write_error : sync_error;
    if (error != 0 || ::rename(draft.c_str(), file.c_str()) != 0) {
        const int cause = error != 0 ? error : errno;
        (void)::unlink(draft.c_str());
        return std::unexpected(file_fault(file, cause));
    }
    return {};
}

std::string plain(std::string_view given) {
    std::string out;
    for (const char c : given) {
        if (c == ' ' || c == '-' || c == '\n' || c == '\r' || c == '\t')
            continue;
        out += c >= 'A' && c <= 'F' ? static_cast<char>(c - 'A' + 'a') : c;
    }
    return out;
}

}  // namespace

EnrolmentCode::EnrolmentCode(std::string file, std::string code)
    : file_(std::move(file)), code_(std::move(code)) {}

std::expected<EnrolmentCode, CodeFault> EnrolmentCode::draw(const std::string& folder) {
    const bool ready = sodium_init() >= 0;
    assert(ready);
    std::array<unsigned char, code_bytes> random{};
    randombytes_buf(random.data(), random.size());
    std::array<char, 2 * code_bytes + 1> hex{};
    sodium_bin2hex(hex.data(), hex.size(), random.data(), random.size());
    EnrolmentCode code(folder + "/enrol.code", hex.data());
    if (auto written = write_file(code.file_, code.code_ + "\n"); !written)
        return std::unexpected(std::move(written.error()));
    return code;
}

bool EnrolmentCode::matches(std::string_view given) const {
    auto text = plain(given);
    const bool same = !code_.empty() && text.size() == code_.size() &&
                      sodium_memcmp(text.data(), code_.data(), code_.size()) == 0;
    wipe(text);
    return same;
}

std::expected<void, CodeFault> EnrolmentCode::use_up() {
    wipe(code_);
    if (::unlink(file_.c_str()) != 0 && errno != ENOENT)
        return std::unexpected(
            CodeFault{.what = "the used enrolment code in " + file_ + " could not be removed",
                      .why = std::generic_category().message(errno),
                      .remedy = "remove the file by hand; the code is not accepted any more"});
    return {};
}

}  // namespace tautgate::people
