// tautgate wiring-test: the permissives of an empty bay are shown as released for a token on which no
// controller moves, and what comes back is shown until it is over. Decides nothing; the service begins and
// ends it. Blocking; one thread.
#pragma once

#include <string>

#include <nlohmann/json_fwd.hpp>

#include "tools/cli/acts.hpp"
#include "tools/cli/questions.hpp"

namespace tautgate::cli {

struct WiringTestOrder {
    std::string bay;
    std::string permissive;  // empty: all of the bay
    bool end = false;        // ends one that is under way
};

// Exit::no where it ended otherwise than by its time or by a person.
[[nodiscard]] Asked<Exit> test_wiring(const Desk& desk, const WiringTestOrder& order, const Signers& signers);

// What the equipment's controller says of a bay of GET /v1/station; the age of its last sign of life is in
// `health`, from GET /v1/health. Nothing while the wiring is not being tried. `just_begun`: an answer cannot
// be told from none yet.
[[nodiscard]] std::string wiring_text(const nlohmann::json& bay, const nlohmann::json& health,
                                      bool just_begun);
// Why none can be begun at a bay of GET /v1/station, where one is under way; empty: none is.
[[nodiscard]] std::string wiring_test_runs(const nlohmann::json& bay);
// Why the test of this bay ended, from a line of GET /v1/events; empty: this event did not end it.
[[nodiscard]] std::string wiring_test_end(const nlohmann::json& event, const std::string& bay);

}  // namespace tautgate::cli
