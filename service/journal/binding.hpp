// Puts values into the places of a statement, one after the other, and runs it. Numbers beyond SQLite's 63
// bits do not come here but as texts. Used by what keeps the query tables only; throws SQLite::Exception.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include <SQLiteCpp/Statement.h>

#include "service/domain/ids.hpp"

namespace tautgate::journal {

inline void bind_one(SQLite::Statement& to, int at, std::int64_t value) { to.bind(at, value); }
inline void bind_one(SQLite::Statement& to, int at, std::uint32_t value) {
    to.bind(at, static_cast<std::int64_t>(value));
}
inline void bind_one(SQLite::Statement& to, int at, bool value) { to.bind(at, value ? 1 : 0); }
inline void bind_one(SQLite::Statement& to, int at, domain::EventNumber value) {
    to.bind(at, static_cast<std::int64_t>(value.value));
}
inline void bind_one(SQLite::Statement& to, int at, domain::PersonNumber value) {
    bind_one(to, at, value.value);
}
inline void bind_one(SQLite::Statement& to, int at, const std::string& value) { to.bindNoCopy(at, value); }
inline void bind_one(SQLite::Statement& to, int at, std::string_view value) {
    to.bind(at, std::string(value));
}
template <class Type>
void bind_one(SQLite::Statement& to, int at, const std::optional<Type>& value) {
    if (value)
        bind_one(to, at, *value);
    else
        to.bind(at);
}

// How many rows changed.
template <class... Values>
int run(SQLite::Statement& statement, const Values&... values) {
    int at = 0;
    (bind_one(statement, ++at, values), ...);
    const int changed = statement.exec();
    statement.reset();
    statement.clearBindings();
    return changed;
}

}  // namespace tautgate::journal
