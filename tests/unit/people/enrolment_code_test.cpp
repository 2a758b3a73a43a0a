#include "service/people/enrolment_code.hpp"

#include <cstdlib>
#include <filesystem>
#include <fstream>

#include <sys/stat.h>

#include <catch2/catch.hpp>

using tautgate::people::EnrolmentCode;

namespace {

struct Folder {
    Folder() {
        std::string name = std::filesystem::temp_directory_path() / "enrol-XXXXXX";
        REQUIRE(::mkdtemp(name.data()) != nullptr);
        path = name;
    }
    ~Folder() { std::filesystem::remove_all(path); }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    Folder(Folder&&) = delete;
    Folder& operator=(Folder&&) = delete;
    std::filesystem::path path;
};

std::string text_of(const std::string& file) {
    std::ifstream in(file);
    std::string line;
    std::getline(in, line);
    return line;
}

}  // namespace

TEST_CASE("the code of the file matches, in any way that people type it") {
    const Folder folder;
    const auto code = EnrolmentCode::draw(folder.path);
    REQUIRE(code);
    const auto text = text_of(code->file());
    CHECK(text.size() == 32);
    CHECK(code->matches(text));
    CHECK(code->matches(text + "\n"));
    CHECK(code->matches(text.substr(0, 8) + "-" + text.substr(8, 8) + " " + text.substr(16)));
}

TEST_CASE("another code, a part of it, or none does not match") {
    const Folder folder;
    const auto code = EnrolmentCode::draw(folder.path).value();
    auto other = text_of(code.file());
    other[0] = other[0] == 'a' ? 'b' : 'a';
    CHECK_FALSE(code.matches(other));
    CHECK_FALSE(code.matches(text_of(code.file()).substr(1)));
    CHECK_FALSE(code.matches(""));
}

TEST_CASE(
    "only the user of the service may read the file, also when it replaces one that others could read") {
    const Folder folder;
    std::ofstream(folder.path / "enrol.code") << "old";
    ::chmod((folder.path / "enrol.code").c_str(), 0644);
    const auto code = EnrolmentCode::draw(folder.path).value();
    struct stat found {};
    REQUIRE(::stat(code.file().c_str(), &found) == 0);
    CHECK((found.st_mode & 0777U) == 0600U);
    CHECK(code.matches(text_of(code.file())));
}

TEST_CASE("each start draws another code") {
    const Folder folder;
    const auto first = EnrolmentCode::draw(folder.path).value();
    const auto old_text = text_of(first.file());
    const auto second = EnrolmentCode::draw(folder.path).value();
    CHECK_FALSE(second.matches(old_text));
}

TEST_CASE("a used code is gone, and nothing matches any more") {
    const Folder folder;
    auto code = EnrolmentCode::draw(folder.path).value();
    const auto text = text_of(code.file());
    CHECK(code.use_up());
    CHECK_FALSE(std::filesystem::exists(code.file()));
    CHECK_FALSE(code.matches(text));
    CHECK_FALSE(code.matches(""));
}

TEST_CASE("a folder that is not there gives a fault that names the file and the remedy") {
    const auto code = EnrolmentCode::draw("/nowhere/at/all");
    REQUIRE_FALSE(code);
    CHECK(code.error().what.find("/nowhere/at/all/enrol.code") != std::string::npos);
    CHECK(code.error().why == "No such file or directory");
    CHECK_FALSE(code.error().remedy.empty());
}
