// Answers from the journal's file itself, without the service: for a copy on another computer, or when the
// service does not run. The file is opened so that it cannot be written. Blocking; one thread at a time.
#pragma once

#include <expected>
#include <optional>
#include <string>
#include <variant>

#include <nlohmann/json.hpp>

#include "service/history/past_why_json.hpp"
#include "service/journal/reader.hpp"

namespace tautgate::cli {

// The same object as GET /v1/units/{serial} answers. Fasteners and passes have the names that the rules of
// their stay give them; where those rules cannot be read, their place in the joint ("no. 2").
[[nodiscard]] std::expected<nlohmann::json, journal::JournalError> unit_from(journal::Reader& reader,
                                                                             const std::string& serial);

// The same object as GET /v1/past-why answers; or that there was no such moment, bay or unit.
[[nodiscard]] std::expected<std::variant<nlohmann::json, history::NotThen>, journal::JournalError>
past_why_from(journal::Reader& reader, const history::PastWhyAsked& asked);

// The same object as GET /v1/traces/{event} answers.
[[nodiscard]] std::expected<nlohmann::json, journal::JournalError> traces_from(journal::Reader& reader,
                                                                               domain::EventNumber event);
// The same for the traces whose result never came; without a curve.
[[nodiscard]] std::expected<nlohmann::json, journal::JournalError>
traces_without_result(journal::Reader& reader);

// "NUMBER:HASH", as verify prints the end of a chain.
[[nodiscard]] std::optional<journal::ChainHead> parse_anchor(std::string_view text);

struct Verdict {
    bool whole = false;
    std::string text;         // for a person
    journal::ChainHead head;  // the newest event that is there
    std::string journal_id;
    std::string station;
};

// The file page by page, then the chain from its first event to its last, against the anchor if there is one.
[[nodiscard]] std::expected<Verdict, journal::JournalError>
verify(journal::Reader& reader, const std::optional<journal::ChainHead>& anchor);

}  // namespace tautgate::cli
