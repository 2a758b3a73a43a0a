// The file with the key of a tool that speaks the line protocol (LINE.md beside it, keyed lines): the tool's
// description names it, and it lies beside the station's journal, where nobody but the user of the service
// may read it. Whoever can speaks for the tool. There is no key but the one that was drawn for this file.
// Blocking; any thread.
#pragma once

#include <expected>
#include <filesystem>
#include <string>

#include "protocol/line_seal.hpp"

namespace tautgate::config {

// The errors here are one sentence each: what, where, remedy.
[[nodiscard]] std::expected<protocol::SharedKey, std::string>
read_key_file(const std::filesystem::path& file);
// Draws a key into a new file of mode 600. One that is there already is left alone, and is an error.
[[nodiscard]] std::expected<void, std::string> make_key_file(const std::filesystem::path& file);

}  // namespace tautgate::config
