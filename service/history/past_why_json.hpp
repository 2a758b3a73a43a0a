// Why a permissive was held or released in the past, as JSON: what GET /v1/past-why answers
// (service/web/openapi.json), and what the command line tells from a copy of the journal, so that both say
// the same. Always UTF-8. Pure; any thread.
#pragma once

#include <string>

#include "service/history/past_why.hpp"

namespace tautgate::history {

[[nodiscard]] std::string past_why_json(const PastWhy& why);

}  // namespace tautgate::history
