#include "tests/end_to_end/former_run.hpp"

#include <stdexcept>
#include <utility>

#include "service/journal/hand_note.hpp"
#include "service/journal/recovery.hpp"
#include "service/journal/stored_event.hpp"
#include "service/journal/writer.hpp"
#include "service/station/clock.hpp"

namespace tautgate::end_to_end {

namespace {

template <class Value>
Value need(std::expected<Value, journal::JournalError> value) {
    if (!value)
        throw std::runtime_error(journal::to_text(value.error()));
    return std::move(*value);
}

journal::Recovered recovered_from(const std::filesystem::path& journal) {
    const auto reader = need(journal::Reader::open(journal));
    return need(journal::recover(*reader, journal::read_stored_rules));
}

}  // namespace

std::filesystem::path journal_of(const Plant& plant) {
    return plant.state_folder() / plant.station().journal;
}

std::uint64_t died_deciding(const std::filesystem::path& journal, interlock::Payload payload) {
    const station::Clock clock;
    const auto stamp = clock.stamp();
    const auto number = recovered_from(journal).head.number.value + 1;
    auto hand = need(journal::HandNote::open(journal, stamp.boot, stamp.monotonic_ns));
    hand.note({interlock::EventNumber{number}, stamp, std::move(payload)});
    return number + 1;  // the start itself is an event and comes first
}

void decided_otherwise(const std::filesystem::path& journal, interlock::Payload payload) {
    const auto before = recovered_from(journal);
    journal::StayWatch watch{before.state};
    const interlock::Event event{interlock::EventNumber{before.head.number.value + 1},
                                 station::Clock{}.stamp(), std::move(payload)};
    const auto decision = interlock::decide(before.rules, before.state, event);
    auto entry = journal::entry_of(watch, event, decision.state, decision.record, "an older program");
    entry.stored.decision = journal::hex(journal::sha256("another decision"));
    journal::Writer::Options options;
    options.path = journal;
    auto writer = need(journal::Writer::open(std::move(options)));
    writer->append(std::move(entry));
    writer->close();
    if (const auto failed = writer->statistics().failed)
        throw std::runtime_error(journal::to_text(*failed));
}

}  // namespace tautgate::end_to_end
