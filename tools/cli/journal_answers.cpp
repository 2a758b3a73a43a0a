#include "tools/cli/journal_answers.hpp"

#include <map>
#include <utility>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "service/history/record_json.hpp"
#include "tools/cli/text.hpp"
#include "tools/cli/views.hpp"

namespace tautgate::cli {

using nlohmann::json;
template <class Value>
using Result = std::expected<Value, journal::JournalError>;

namespace {

// How the file itself calls people.
Result<history::NameOf> names_in(journal::Reader& reader) {
    const auto people = reader.person_names();
    if (!people)
        return std::unexpected(people.error());
    std::map<domain::PersonNumber, std::string> names;
    for (const auto& known : *people)
        names[known.number] = known.name;
    return [names = std::move(names)](domain::PersonNumber number) {
        const auto known = names.find(number);
        return known == names.end() ? fmt::format("person {}", number.value) : known->second;
    };
}

}  // namespace

Result<json> unit_from(journal::Reader& reader, const std::string& serial) {
    const auto name_of = names_in(reader);
    if (!name_of)
        return std::unexpected(name_of.error());
    const auto record = history::unit_record(reader, domain::Serial{serial});
    if (!record)
        return std::unexpected(record.error());
    return json::parse(history::unit_json(*record, *name_of));
}

Result<std::variant<json, history::NotThen>> past_why_from(journal::Reader& reader,
                                                           const history::PastWhyAsked& asked) {
    auto answer = history::past_why(reader, asked);
    if (!answer)
        return std::unexpected(answer.error());
    if (auto* nothing = std::get_if<history::NotThen>(&*answer))
        return std::move(*nothing);
    return json::parse(history::past_why_json(std::get<history::PastWhy>(*answer)));
}

Result<json> traces_from(journal::Reader& reader, domain::EventNumber event) {
    const auto stored = reader.stored_traces(event);
    if (!stored)
        return std::unexpected(stored.error());
    return json::parse(history::traces_json(*stored));
}

Result<json> traces_without_result(journal::Reader& reader) {
    auto rows = reader.traces_without_result();
    if (!rows)
        return std::unexpected(rows.error());
    return json::parse(history::traces_json({.traces = std::move(*rows), .curve = std::nullopt}));
}

std::optional<journal::ChainHead> parse_anchor(std::string_view text) {
    const auto colon = text.find(':');
    if (colon == std::string_view::npos)
        return std::nullopt;
    const auto number = whole_number<std::uint64_t>(text.substr(0, colon));
    const auto hash = journal::hash_from_hex(text.substr(colon + 1));
    if (!number || !hash)
        return std::nullopt;
    return journal::ChainHead{{*number}, *hash};
}

namespace {

// Of a file in which tables of the record itself are missing or are others.
Verdict without_tables(const journal::Reader& reader, const std::vector<journal::Difference>& lost) {
    Verdict verdict;
    for (const auto& each : lost)
        verdict.text +=
            fmt::format("{} is damaged: {}\n", plain(reader.path().string()), plain(journal::to_text(each)));
    return verdict;
}

}  // namespace

Result<Verdict> verify(journal::Reader& reader, const std::optional<journal::ChainHead>& anchor) {
    const auto lost = reader.lost_tables();
    if (!lost)
        return std::unexpected(lost.error());
    if (!lost->empty())
        return without_tables(reader, *lost);
    const auto id = reader.journal_id();
    if (!id)
        return std::unexpected(id.error());
    const auto station = reader.station();
    if (!station)
        return std::unexpected(station.error());
    const auto pages = reader.check_file();
    if (!pages)
        return std::unexpected(pages.error());
    const auto head = reader.head();
    if (!head)
        return std::unexpected(head.error());
    const auto fault = reader.verify(anchor);
    if (!fault)
        return std::unexpected(fault.error());
    // What the chain does not vouch for need not be compared with it.
    std::vector<journal::Difference> beside;
    if (pages->empty() && !*fault) {
        auto found = journal::audit_beside_chain(reader.path());
        if (!found)
            return std::unexpected(found.error());
        beside = std::move(*found);
    }
    Verdict verdict{.whole = pages->empty() && !*fault && beside.empty(),
                    .text = {},
                    .head = *head,
                    .journal_id = *id,
                    .station = *station};
    const auto where = fmt::format("{}: journal {} of station {}", plain(reader.path().string()), plain(*id),
                                   plain(*station));
    if (!pages->empty())
        verdict.text +=
            fmt::format("{} is damaged as a file: {}; keep this copy and compare it with a backup\n", where,
                        plain(*pages));
    if (*fault)
        verdict.text +=
            fmt::format("{} is not what was written: event {} {}; nothing from that event on can be "
                        "trusted: keep this copy and compare it with a backup\n",
                        where, (*fault)->first.value, plain((*fault)->what));
    for (const auto& difference : beside)
        verdict.text +=
            fmt::format("{}: the chain is whole, but what stands beside it is not what was recorded: {}\n",
                        where, plain(journal::to_text(difference)));
    if (anchor && anchor->number > head->number)
        verdict.text += fmt::format("the anchor is of event {}, beyond the end of this record (event {})\n",
                                    anchor->number.value, head->number.value);
    // An anchor of a damaged record would vouch for the damage later.
    if (verdict.whole)
        verdict.text +=
            fmt::format("{} is whole: {} events{}\nanchor {}:{}\n", where, head->number.value,
                        anchor ? ", and the anchor fits" : "", head->number.value, journal::hex(head->hash));
    if (verdict.whole && !anchor)
        verdict.text +=
            "without --anchor a record whose end was cut off, or that was made anew, cannot be told; "
            "keep the anchor elsewhere\n";
    return verdict;
}

}  // namespace tautgate::cli
