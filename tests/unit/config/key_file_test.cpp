// Keys of tools in files: drawn, never written over, and read only where nobody else may read them.
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>

#include <catch2/catch.hpp>
#include <sys/stat.h>

#include "config/key_file.hpp"

using namespace tautgate;
using namespace tautgate::config;
namespace fs = std::filesystem;

namespace {

class KeyFolder {
  public:
    KeyFolder() : path_(fs::temp_directory_path() / ("tautgate-keys-" + protocol::fresh_nonce())) {
        fs::create_directories(path_);
    }
    ~KeyFolder() { fs::remove_all(path_); }
    KeyFolder(const KeyFolder&) = delete;
    KeyFolder& operator=(const KeyFolder&) = delete;
    KeyFolder(KeyFolder&&) = delete;
    KeyFolder& operator=(KeyFolder&&) = delete;
    [[nodiscard]] fs::path file(const std::string& name) const { return path_ / name; }

  private:
    fs::path path_;
};

std::string text_in(const fs::path& file) {
    std::ifstream in(file, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), {}};
}

bool ends_so(const std::expected<void, std::string>& made, const std::string& words) {
    return !made && made.error().ends_with(words);
}

}  // namespace

TEST_CASE("a key that is made can be read by its owner alone, and no two are the same") {
    const KeyFolder folder;
    const mode_t before = ::umask(0);
    REQUIRE(make_key_file(folder.file("one.key")));
    ::umask(before);
    CHECK(fs::status(folder.file("one.key")).permissions() ==
          (fs::perms::owner_read | fs::perms::owner_write));
    REQUIRE(make_key_file(folder.file("two.key")));
    const auto one = read_key_file(folder.file("one.key"));
    const auto two = read_key_file(folder.file("two.key"));
    REQUIRE(one);
    REQUIRE(two);
    CHECK(*one != *two);
    CHECK(*one != protocol::SharedKey{});
}

TEST_CASE("a key that is there is never written over") {
    const KeyFolder folder;
    const auto file = folder.file("one.key");
    REQUIRE(make_key_file(file));
    const auto kept = text_in(file);
    CHECK(ends_so(make_key_file(file),
                  "there is one already; take it away first if the tool is to have a new "
                  "one, and give that to the tool, too"));
    CHECK(text_in(file) == kept);
    // Nor through a link that leads to another file.
    fs::create_symlink(folder.file("elsewhere"), folder.file("link.key"));
    CHECK_FALSE(make_key_file(folder.file("link.key")));
    CHECK_FALSE(fs::exists(folder.file("elsewhere")));
}

TEST_CASE("a key that cannot be made or used says why, where and what helps") {
    const KeyFolder folder;
    CHECK(ends_so(make_key_file(folder.file("nowhere") / "one.key"),
                  "No such file or directory; make the folder, and see that this user may write there"));
    const auto why = [&](const std::string& name) {
        const auto key = read_key_file(folder.file(name));
        REQUIRE_FALSE(key);
        CHECK(key.error().starts_with(folder.file(name).string() + " "));
        return key.error().substr(folder.file(name).string().size() + 1);
    };
    CHECK(why("missing.key") == "is no file; make it with tautgate make-keys");
    std::ofstream(folder.file("short.key")) << std::string(63, '7') << '\n';
    fs::permissions(folder.file("short.key"), fs::perms::owner_read);
    CHECK(why("short.key") == "holds no 64 hexadecimal digits; write a new key into it");
    std::ofstream(folder.file("open.key")) << std::string(64, '7') << '\n';
    fs::permissions(folder.file("open.key"), fs::perms::owner_read | fs::perms::group_read);
    CHECK(why("open.key") == "may be read by others; set its mode to 600, and take a new key");
}
