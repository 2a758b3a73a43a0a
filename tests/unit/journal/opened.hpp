// A journal of a test, opened to be read, and one that someone else's program changed behind the station's
// back.
#pragma once

#include <filesystem>
#include <memory>
#include <string>

#include <SQLiteCpp/Database.h>
#include <catch2/catch.hpp>

#include "service/journal/reader.hpp"

namespace tautgate::scratch {

inline std::unique_ptr<journal::Reader> reader_of(const std::filesystem::path& path) {
    auto reader = journal::Reader::open(path);
    REQUIRE(reader.has_value());
    return std::move(*reader);
}

inline void tamper(const std::filesystem::path& path, const std::string& sql) {
    SQLite::Database db(path.string(), SQLite::OPEN_READWRITE);
    db.exec("PRAGMA foreign_keys = OFF");
    db.exec("DROP TRIGGER IF EXISTS event_is_never_changed; DROP TRIGGER IF EXISTS event_is_never_removed");
    db.exec(sql);
}

}  // namespace tautgate::scratch
