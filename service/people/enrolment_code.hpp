// Proves that whoever enrols the first administrator can read the service's own folder, that is, stands at
// the station with the right to run it: 128 random bits in a file that only the service's user may read. It
// is drawn anew at each start with an empty roster and removed with the first enrolment. Belongs to the
// loop's thread.
#pragma once

#include <array>
#include <expected>
#include <string>
#include <string_view>

namespace tautgate::people {

struct CodeFault {
    std::string what;  // names the file
    std::string why;
    std::string remedy;
};

class EnrolmentCode {
  public:
    // Replaces the file `folder`/enrol.code by a new one.
    [[nodiscard]] static std::expected<EnrolmentCode, CodeFault> draw(const std::string& folder);

    [[nodiscard]] const std::string& file() const noexcept { return file_; }
    // In constant time. Blanks and dashes in the given text do not matter, nor does upper case.
    [[nodiscard]] bool matches(std::string_view given) const;
    // Removes the file; from then on nothing matches.
    std::expected<void, CodeFault> use_up();

  private:
    EnrolmentCode(std::string file, std::string code);
    std::string file_;
    std::string code_;
};

}  // namespace tautgate::people
