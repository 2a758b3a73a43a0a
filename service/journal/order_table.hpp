// Keeps the table of orders: a row from the event that added it, open or closed, with what it says now and
// what became of it. Made of stored events only, like every query table. Used by Projection, in the
// transaction of the event; throws SQLite::Exception.
#pragma once

#include <SQLiteCpp/Database.h>
#include <SQLiteCpp/Statement.h>

#include "service/journal/stored_event.hpp"

namespace tautgate::journal {

class OrderTable {
  public:
    explicit OrderTable(SQLite::Database& db);
    void add(const StoredEvent& stored);

  private:
    void take(const StoredEvent& stored, const protocol::OrderEntry& entry);

    SQLite::Statement add_;
    SQLite::Statement change_;
    SQLite::Statement end_;
    SQLite::Statement begin_;
};

}  // namespace tautgate::journal
