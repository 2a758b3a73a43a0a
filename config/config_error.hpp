// What is wrong with a configuration file: where it stands, what was found, what is allowed. One error per
// mistake. Plain values; any thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>

namespace tautgate::config {

// A warning does not keep the station from running.
enum class Severity : std::uint8_t { error, warning };

struct ConfigError {
    Severity severity = Severity::error;
    std::string file;
    std::size_t line = 0;    // from 1; 0: the file as a whole
    std::size_t column = 0;  // of a syntax error; otherwise 0
    std::string pointer;     // JSON pointer (RFC 6901) of the value; empty: the whole document
    std::string found;       // "41 is out of range"
    std::string allowed;     // the remedy: "give a whole number from 44 to 500"
    std::string nearest;     // the known word that was probably meant; empty: none comes near
};

// What is wrong with a station as values, before anybody knows in which line of which file it stands.
struct ConfigFinding {
    Severity severity = Severity::error;
    std::string pointer;
    std::string what;
    std::string remedy;
};

// One line: `larkmoor.json:41: /bays/0/numbr: unknown key "numbr"; did you mean "number"?`
[[nodiscard]] std::string to_text(const ConfigError& error);

}  // namespace tautgate::config
