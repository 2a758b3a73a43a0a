// Keeps the tables that people query, from stored events and nothing else: the same events always give the
// same rows, so that the tables can be made again at any time. Called by the writer's thread within the
// transaction of the event, and by rebuild(). Whatever an event contains, its rows can be written: no content
// makes a commit fail.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <utility>

#include "service/journal/database.hpp"
#include "service/journal/genealogy_table.hpp"
#include "service/journal/order_table.hpp"
#include "service/journal/stored_event.hpp"

namespace tautgate::journal {

class Projection {
  public:
    explicit Projection(SQLite::Database& db);
    ~Projection();
    Projection(const Projection&) = delete;
    Projection& operator=(const Projection&) = delete;
    Projection(Projection&&) = delete;
    Projection& operator=(Projection&&) = delete;

    // The event's own row is written already. Throws SQLite::Exception.
    void add(const StoredEvent& stored);

  private:
    struct Statements;
    void add_result(const StoredEvent& stored, const interlock::ResultReceived& result);
    void add_trace(const StoredEvent& stored, const interlock::TraceReceived& trace);
    void add_assignment(const StoredEvent& stored, EventNumber result);
    void add_release(const StoredEvent& stored, const interlock::PermissiveChange& change);
    void add_decision(const StoredEvent& stored);
    void add_stay_change(const StoredEvent& stored, const StayChange& change);
    [[nodiscard]] std::optional<std::int64_t> open_stay(const domain::BayId& bay);
    [[nodiscard]] std::optional<EventNumber> assigned_result(const StoredEvent& stored);

    [[nodiscard]] bool is_news(const interlock::PermissiveChange& change);

    SQLite::Database& db_;
    std::unique_ptr<Statements> statements_;
    GenealogyTable genealogy_;
    OrderTable orders_;
    // The newest output of each permissive that was asked for, by bay and permissive.
    std::map<std::pair<std::string, std::string>, std::string> outputs_;
    // The stay that is open at each bay that was asked for.
    std::map<std::string, std::optional<std::int64_t>> open_stays_;
};

// Adds every event that `from` holds, oldest first, and says how many; `first` sees each before. An event
// that cannot be read ends it. The caller has a transaction open. Throws SQLite::Exception.
[[nodiscard]] std::expected<std::uint64_t, JournalError>
add_all(SQLite::Database& from, Projection& into, const std::filesystem::path& path,
        const std::function<void(const StoredEvent& stored, const std::string& body)>& first);

// Makes all that is derived again, in one transaction: query tables, indexes and triggers as the schema has
// them, whatever became of them, and the rows from the chain. Says from how many events. Nobody else may be
// writing (hold the station's lock).
[[nodiscard]] std::expected<std::uint64_t, JournalError> rebuild(const std::filesystem::path& path);

}  // namespace tautgate::journal
