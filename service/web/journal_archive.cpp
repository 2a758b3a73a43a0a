#include "service/web/journal_archive.hpp"

#include <utility>

#include "service/journal/reader.hpp"

namespace tautgate::web {
namespace {

ReadFault fault_of(const journal::JournalError& error) {
    return {.what = "the journal " + error.path + " could not be read",
            .why = error.what,
            .remedy = error.remedy};
}

}  // namespace

JournalArchive::JournalArchive(std::filesystem::path journal, std::string vfs)
    : journal_(std::move(journal)), vfs_(std::move(vfs)) {}

std::expected<std::vector<StoredEvent>, ReadFault> JournalArchive::events(domain::EventNumber from,
                                                                          std::size_t most) const {
    auto reader = journal::Reader::open(journal_, vfs_);
    if (!reader)
        return std::unexpected(fault_of(reader.error()));
    auto rows = (*reader)->events(from, most);
    if (!rows)
        return std::unexpected(fault_of(rows.error()));
    std::vector<StoredEvent> events;
    events.reserve(rows->size());
    for (auto& row : *rows)
        events.push_back(
            {.number = row.number, .body = std::move(row.body), .hash_hex = journal::hex(row.hash)});
    return events;
}

std::expected<history::UnitRecord, ReadFault> JournalArchive::unit(const domain::Serial& serial) const {
    auto reader = journal::Reader::open(journal_, vfs_);
    if (!reader)
        return std::unexpected(fault_of(reader.error()));
    auto record = history::unit_record(**reader, serial);
    if (!record)
        return std::unexpected(fault_of(record.error()));
    return std::move(*record);
}

std::expected<std::vector<journal::UnitOfBypass>, ReadFault>
JournalArchive::units_of_bypass(domain::EventNumber bypass) const {
    auto reader = journal::Reader::open(journal_, vfs_);
    if (!reader)
        return std::unexpected(fault_of(reader.error()));
    auto units = (*reader)->units_of_bypass(bypass);
    if (!units)
        return std::unexpected(fault_of(units.error()));
    return std::move(*units);
}

std::expected<journal::StoredTraces, ReadFault> JournalArchive::traces(domain::EventNumber event) const {
    auto reader = journal::Reader::open(journal_, vfs_);
    if (!reader)
        return std::unexpected(fault_of(reader.error()));
    auto stored = (*reader)->stored_traces(event);
    if (!stored)
        return std::unexpected(fault_of(stored.error()));
    return std::move(*stored);
}

std::expected<history::PastWhyAnswer, ReadFault>
JournalArchive::past_why(const history::PastWhyAsked& asked) const {
    auto reader = journal::Reader::open(journal_, vfs_);
    if (!reader)
        return std::unexpected(fault_of(reader.error()));
    auto answer = history::past_why(**reader, asked);
    if (!answer)
        return std::unexpected(fault_of(answer.error()));
    return std::move(*answer);
}

}  // namespace tautgate::web
