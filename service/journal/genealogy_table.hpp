// Keeps the table of what units are joined from: a row for each sub-assembly in a unit, from the stay in
// which its ticket was scanned beside the unit's until it is corrected, replaced by another of its kind, or
// taken out for another unit. Made of stored events only, like every query table. Used by Projection, in the
// transaction of the event; throws SQLite::Exception.
#pragma once

#include <SQLiteCpp/Database.h>
#include <SQLiteCpp/Statement.h>

#include "service/journal/stored_event.hpp"

namespace tautgate::journal {

class GenealogyTable {
  public:
    explicit GenealogyTable(SQLite::Database& db);
    // The tables of stays and tickets know the event already.
    void add(const StoredEvent& stored);

  private:
    void follow_tickets(const StoredEvent& stored, EventNumber stay);

    SQLite::Statement back_in_;
    SQLite::Statement corrected_;
    SQLite::Statement replaced_;
    SQLite::Statement joined_;
    SQLite::Statement taken_out_;
    SQLite::Statement left_in_;
};

}  // namespace tautgate::journal
