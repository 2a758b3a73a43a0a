// Whether what stands beside the chain agrees with it: the query tables, which people are shown, and the
// names and secrets of people. The chain itself is looked at by Reader::verify; do that first, since here the
// chain is believed. Makes the tables again in a scratch database of SQLite's own (on the disk for temporary
// files, as large as the journal) and compares them row by row; reads only. Any thread.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>
#include <stop_token>
#include <string>
#include <vector>

#include "service/journal/journal_error.hpp"

namespace tautgate::journal {

// A name or a secret that was changed is not used by the service, and put right by giving it anew: who only
// asks whether the record may be relied on leaves people out.
enum class Beside : std::uint8_t { everything, all_but_people };

// Each is a sentence that names the place, what stands there and what should; at most `most` of them, and one
// for each table. None: everything agrees. Ends soon, with an error, once `stop` is asked for. `vfs` is empty
// but in tests.
[[nodiscard]] std::expected<std::vector<std::string>, JournalError>
audit_beside_chain(const std::filesystem::path& path, Beside what = Beside::everything,
                   const std::string& vfs = {}, const std::stop_token& stop = {}, std::size_t most = 20);

}  // namespace tautgate::journal
