// What a drop folder asks of the file system: folders are held open, so that nothing is looked up twice by a
// path that may mean something else by then; links are not followed; nothing is ever deleted or written over.
// Each function does one thing and gives the system's error; the sentences are the caller's. Any thread, and
// any of them may wait for the disk.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <string>
#include <string_view>
#include <system_error>
#include <utility>
#include <vector>

namespace tautgate::links {

// An open file or folder, closed at its end.
class OpenFile {
  public:
    OpenFile() = default;
    explicit OpenFile(int number) : number_(number) {}
    ~OpenFile();
    OpenFile(OpenFile&& other) noexcept : number_(std::exchange(other.number_, -1)) {}
    OpenFile& operator=(OpenFile&& other) noexcept {
        std::swap(number_, other.number_);
        return *this;
    }
    OpenFile(const OpenFile&) = delete;
    OpenFile& operator=(const OpenFile&) = delete;
    [[nodiscard]] int number() const noexcept { return number_; }

  private:
    int number_ = -1;
};

enum class FileKind : std::uint8_t { regular, link, other };

// Tells one file or folder from all others that exist.
struct FileId {
    std::uint64_t device = 0;
    std::uint64_t inode = 0;
    bool operator==(const FileId&) const = default;
};

// What is known of a file without reading it. Two looks that are equal most likely saw the same bytes.
struct FileLook {
    FileKind kind = FileKind::other;
    FileId id;
    std::uint64_t size = 0;
    std::int64_t modified_ns = 0;
    std::int64_t changed_ns = 0;
    bool operator==(const FileLook&) const = default;
};

template <class Value>
using OrError = std::expected<Value, std::error_code>;

[[nodiscard]] OrError<OpenFile> open_folder(const std::string& path);
// Makes it where it is missing; a link in its place is an error.
[[nodiscard]] OrError<OpenFile> open_folder_within(const OpenFile& folder, const std::string& name);
// Without "." and "..", in the order of the bytes.
[[nodiscard]] OrError<std::vector<std::string>> names_in(const OpenFile& folder);
[[nodiscard]] OrError<FileLook> look_at(const OpenFile& file);
[[nodiscard]] OrError<FileLook> look_at(const OpenFile& folder, const std::string& name);
[[nodiscard]] OrError<OpenFile> open_to_read(const OpenFile& folder, const std::string& name);

// Who has a file open for writing. Unknown, where the system does not say: the file is another user's and we
// may not ask, or it lies on a file system that does not know.
enum class Writers : std::uint8_t { none, some, unknown };
[[nodiscard]] Writers writers_of(const OpenFile& file);
// At most `most` bytes from the beginning.
[[nodiscard]] OrError<std::string> read_up_to(const OpenFile& file, std::size_t most);
// Moves a file to a name that nobody has yet; std::errc::file_exists otherwise.
[[nodiscard]] std::error_code move_file(const OpenFile& from, const std::string& name, const OpenFile& to,
                                        const std::string& new_name);
// The names in the folder are on the disk.
[[nodiscard]] std::error_code sync_folder(const OpenFile& folder);
// The whole file or none of it stands under `name`, and is on the disk; std::errc::file_exists where the name
// is taken. What was begun stands under another name, which begins with a dot, until the next attempt.
[[nodiscard]] std::error_code write_whole(const OpenFile& folder, const std::string& name,
                                          std::string_view bytes);

}  // namespace tautgate::links
