// The story of a unit and the curves of its tightenings as JSON: what GET /v1/units/{serial} and
// GET /v1/traces/{event} answer (service/web/openapi.json), and what the command line tells from a copy of
// the journal, so that both say the same. Always UTF-8, whatever tools and labels sent. Pure; any thread.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "service/domain/ids.hpp"
#include "service/history/unit_record.hpp"
#include "service/journal/stored_trace.hpp"
#include "service/journal/unit_of_bypass.hpp"

namespace tautgate::history {

// How a person is called. The record itself knows numbers only.
using NameOf = std::function<std::string(domain::PersonNumber)>;

[[nodiscard]] std::string unit_json(const UnitRecord& record, const NameOf& name_of);
[[nodiscard]] std::string bypass_units_json(domain::EventNumber bypass,
                                            const std::vector<journal::UnitOfBypass>& units);
[[nodiscard]] std::string traces_json(const journal::StoredTraces& stored);

}  // namespace tautgate::history
