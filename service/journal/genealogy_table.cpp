#include "service/journal/genealogy_table.hpp"

#include <optional>
#include <set>

#include "service/journal/binding.hpp"

namespace tautgate::journal {
namespace {

// The tickets of stay ?1 that stand for sub-assemblies of its unit. A macro, since only literals are joined
// by standing side by side.
#define TAUTGATE_PARTS_OF_STAY                                                                               \
    "FROM ticket JOIN stay USING(stay) WHERE stay = ?1 AND ticket.accepted = 1 AND "                         \
    "ticket.withdrawn IS NULL AND stay.unit <> '' AND ticket.serial <> stay.unit "

// Of which stay a change says something that its unit's parts follow from.
std::optional<EventNumber> stay_to_follow(const StayChange& change) {
    if (const auto* filed = std::get_if<TicketFiled>(&change))
        return filed->stay;
    if (const auto* withdrawn = std::get_if<TicketWithdrawn>(&change))
        return withdrawn->stay;
    if (const auto* identified = std::get_if<StayIdentified>(&change))
        return identified->stay;
    return std::nullopt;
}

}  // namespace

GenealogyTable::GenealogyTable(SQLite::Database& db)
    // What another of its kind had replaced, by a ticket that was corrected since.
    : back_in_(db,
               "UPDATE genealogy SET until = NULL, until_utc_us = NULL, ended_in = NULL, ended_as = NULL "
               "WHERE ended_in = ?1 AND ended_as = 'replaced' AND NOT EXISTS(SELECT 1 " TAUTGATE_PARTS_OF_STAY
               "AND stay.unit = genealogy.unit AND ticket.kind = genealogy.kind AND "
               "ticket.serial <> genealogy.serial)"),
      corrected_(db, "UPDATE genealogy SET until = ?2, until_utc_us = ?3, ended_in = ?1, "
                     "ended_as = 'corrected' WHERE stay = ?1 AND until IS NULL AND NOT EXISTS(SELECT "
                     "1 " TAUTGATE_PARTS_OF_STAY
                     "AND stay.unit = genealogy.unit AND ticket.kind = genealogy.kind AND "
                     "ticket.serial = genealogy.serial)"),
      replaced_(db, "UPDATE genealogy SET until = ?2, until_utc_us = ?3, ended_in = ?1, "
                    "ended_as = 'replaced' WHERE unit = (SELECT unit FROM stay WHERE stay = ?1) AND "
                    "stay <> ?1 AND until IS NULL AND EXISTS(SELECT 1 " TAUTGATE_PARTS_OF_STAY
                    "AND ticket.kind = genealogy.kind AND ticket.serial <> genealogy.serial)"),
      joined_(db,
              "INSERT OR IGNORE INTO genealogy(serial, unit, kind, since, type, stay, since_utc_us) "
              "SELECT ticket.serial, stay.unit, ticket.kind, ?2, ticket.type, ?1, ?3 " TAUTGATE_PARTS_OF_STAY
              "AND NOT EXISTS(SELECT 1 FROM genealogy AS known WHERE known.serial = ticket.serial AND "
              "known.unit = stay.unit AND known.kind = ticket.kind AND known.until IS NULL)"),
      taken_out_(db, "UPDATE genealogy SET until = ?2, until_utc_us = ?3, ended_in = ?1, "
                     "ended_as = 'taken_out' WHERE serial = ?4 AND unit = ?5 AND until IS NULL"),
      left_in_(db, "UPDATE genealogy SET until = NULL, until_utc_us = NULL, ended_in = NULL, "
                   "ended_as = NULL WHERE serial = ?2 AND unit = ?3 AND ended_in = ?1 AND "
                   "ended_as = 'taken_out'") {}

void GenealogyTable::add(const StoredEvent& stored) {
    const EventNumber now = stored.event.number;
    std::set<EventNumber> followed;
    for (const StayChange& change : stored.stays)
        if (const auto stay = stay_to_follow(change); stay && followed.insert(*stay).second)
            follow_tickets(stored, *stay);
    for (const StayChange& change : stored.stays) {
        if (const auto* out = std::get_if<SubassemblyTakenOut>(&change))
            run(taken_out_, out->stay, now, stored.event.at.utc_us, out->serial.text, out->from.text);
        else if (const auto* left = std::get_if<SubassemblyLeftIn>(&change))
            run(left_in_, left->stay, left->serial.text, left->from.text);
    }
}

void GenealogyTable::follow_tickets(const StoredEvent& stored, EventNumber stay) {
    const EventNumber now = stored.event.number;
    const std::int64_t utc_us = stored.event.at.utc_us;
    run(back_in_, stay);
    run(corrected_, stay, now, utc_us);
    run(replaced_, stay, now, utc_us);
    run(joined_, stay, now, utc_us);
}

}  // namespace tautgate::journal
