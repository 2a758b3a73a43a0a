#include "service/people/replacement_pass.hpp"

#include <array>
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

constexpr std::size_t pass_digits = 32;  // 128 bits

class Handle {
  public:
    explicit Handle(const std::string& file)
        : number_(::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK)) {}
    Handle(const Handle&) = delete;
    Handle& operator=(const Handle&) = delete;
    Handle(Handle&&) = delete;
    Handle& operator=(Handle&&) = delete;
    ~Handle() {
        if (number_ >= 0)
            (void)::close(number_);
    }
    [[nodiscard]] int number() const noexcept { return number_; }

  private:
    int number_;
};

CodeFault pass_fault(const std::string& file, std::string why) {
    return {.what = "no administrator was replaced, since the code in " + file + " does not count",
            .why = std::move(why),
            .remedy = "run tautgate replace-administrator as root on the station's computer"};
}

// Written by nobody but its owner.
bool is_pass_of(int handle, uid_t owner) {
    struct stat found {};
    return ::fstat(handle, &found) == 0 && S_ISREG(found.st_mode) && found.st_uid == owner &&
           (found.st_mode & (S_IWGRP | S_IWOTH)) == 0;
}

}  // namespace

ReplacementPass::ReplacementPass(std::string folder, uid_t owner)
    : file_(std::move(folder) + "/" + std::string(replacement_file)), owner_(owner) {}

std::expected<void, CodeFault> ReplacementPass::use(std::string_view given) const {
    const Handle handle(file_);
    if (handle.number() < 0)
        return std::unexpected(pass_fault(file_, std::generic_category().message(errno)));
    if (!is_pass_of(handle.number(), owner_))
        return std::unexpected(pass_fault(file_, "it is not a file that root alone may write"));
    std::array<char, pass_digits> stored{};
    const auto length = ::read(handle.number(), stored.data(), stored.size());
    const bool same = length == static_cast<ssize_t>(stored.size()) && given.size() == stored.size() &&
                      sodium_memcmp(given.data(), stored.data(), stored.size()) == 0;
    sodium_memzero(stored.data(), stored.size());
    if (!same)
        return std::unexpected(pass_fault(file_, "it is another one than was given"));
    if (::unlink(file_.c_str()) != 0)
        return std::unexpected(
            pass_fault(file_, "it could not be used up: " + std::generic_category().message(errno)));
    return {};
}

}  // namespace tautgate::people
