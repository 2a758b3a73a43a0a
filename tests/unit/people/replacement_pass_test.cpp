// The file by which root shows that it is root.
#include <catch2/catch.hpp>

#include <filesystem>
#include <fstream>
#include <string>

#include <sys/stat.h>
#include <unistd.h>

#include "service/people/replacement_pass.hpp"

using namespace tautgate::people;
namespace fs = std::filesystem;

namespace {

const std::string right_pass(32, 'a');

class PassFolder {
  public:
    PassFolder() { fs::create_directories(path_); }
    PassFolder(const PassFolder&) = delete;
    PassFolder& operator=(const PassFolder&) = delete;
    PassFolder(PassFolder&&) = delete;
    PassFolder& operator=(PassFolder&&) = delete;
    ~PassFolder() { fs::remove_all(path_); }
    [[nodiscard]] std::string path() const { return path_.string(); }
    [[nodiscard]] fs::path file() const { return path_ / replacement_file; }
    void holds(const std::string& code, mode_t mode = 0440) const {
        fs::remove(file());
        std::ofstream(file()) << code;
        REQUIRE(::chmod(file().c_str(), mode) == 0);
    }

  private:
    fs::path path_ = fs::temp_directory_path() / ("tautgate-pass-" + std::to_string(::getpid()));
};

}  // namespace

TEST_CASE("the code of the file counts once, and its file is gone then") {
    const PassFolder folder;
    const ReplacementPass pass(folder.path(), ::geteuid());
    folder.holds(right_pass);
    CHECK(pass.use(right_pass));
    CHECK_FALSE(fs::exists(folder.file()));
    CHECK_FALSE(pass.use(right_pass));
}

TEST_CASE("another code, a shorter one, and none at all do not count, and leave the file") {
    const PassFolder folder;
    const ReplacementPass pass(folder.path(), ::geteuid());
    folder.holds(right_pass);
    for (const std::string& wrong :
         {std::string(32, 'b'), std::string(31, 'a'), std::string(33, 'a'), std::string()}) {
        const auto used = pass.use(wrong);
        REQUIRE_FALSE(used);
        CHECK(used.error().why == "it is another one than was given");
    }
    CHECK(pass.use(right_pass));
}

TEST_CASE("a file of somebody else, one that others may write, and a link to one do not count") {
    const PassFolder folder;
    folder.holds(right_pass);
    CHECK_FALSE(ReplacementPass(folder.path(), ::geteuid() + 1).use(right_pass));
    const ReplacementPass pass(folder.path(), ::geteuid());
    folder.holds(right_pass, 0460);
    CHECK_FALSE(pass.use(right_pass));
    folder.holds(right_pass, 0446);
    CHECK_FALSE(pass.use(right_pass));
    folder.holds(right_pass);
    fs::rename(folder.file(), folder.path() + "/elsewhere");
    fs::create_symlink(folder.path() + "/elsewhere", folder.file());
    CHECK_FALSE(pass.use(right_pass));
}

TEST_CASE("without a file, or with an empty one, nothing counts") {
    const PassFolder folder;
    const ReplacementPass pass(folder.path(), ::geteuid());
    CHECK_FALSE(pass.use(right_pass));
    folder.holds("");
    CHECK_FALSE(pass.use(""));
    CHECK_FALSE(pass.use(right_pass));
}
