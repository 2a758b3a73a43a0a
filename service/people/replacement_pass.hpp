// Proves that whoever puts a new administrator in the place of lost ones is root on the station's computer: a
// code in the file administrator.code of the service's folder that belongs to root and that nobody else may
// write. `tautgate replace-administrator` writes it and takes it away again; the service only reads it.
// Belongs to the loop's thread.
#pragma once

#include <expected>
#include <string>
#include <string_view>

#include <sys/types.h>

#include "service/people/enrolment_code.hpp"

namespace tautgate::people {

inline constexpr std::string_view replacement_file = "administrator.code";

class ReplacementPass {
  public:
    // `owner` is root, but for tests.
    explicit ReplacementPass(std::string folder, uid_t owner = 0);

    [[nodiscard]] const std::string& file() const noexcept { return file_; }
    // Why the code does not count. One that counts is used up: its file is removed.
    [[nodiscard]] std::expected<void, CodeFault> use(std::string_view given) const;

  private:
    std::string file_;
    uid_t owner_;
};

}  // namespace tautgate::people
