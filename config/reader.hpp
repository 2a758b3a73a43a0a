// The door through which a station comes in: the JSON text of the configuration file (comments allowed)
// becomes immutable values, or a list of everything that is wrong with it. Nothing is guessed, replaced by a
// default that the description does not name, or read half. The keys and what they may hold are published as
// schema/station.schema.json; examples/every-key.json shows each of them. Any thread; no state.
#pragma once

#include <expected>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "config/config_error.hpp"
#include "config/shape.hpp"
#include "config/station.hpp"

namespace tautgate::config {

// Only what one value or one object shows: syntax, keys, kinds, ranges. Use load_station where a station is
// to run.
[[nodiscard]] std::expected<Station, std::vector<ConfigError>> read_station(std::string_view text,
                                                                            const std::string& file_name);
[[nodiscard]] std::expected<Station, std::vector<ConfigError>>
read_station_file(const std::filesystem::path& path);

struct Loading {
    std::optional<Station> station;     // only where no error was found
    std::vector<ConfigError> findings;  // errors and warnings, in the order of the file
    // Where the form is right and the meaning is not: to look at a device by, never to run.
    std::optional<Station> draft = std::nullopt;
    bool readable = true;  // false: there is no such file, or it cannot be opened
};

// Reads and checks (check.hpp), everything in one run: the one check of a description, for every program.
// Where the file could be read in part only, the values that could be read are still compared within their
// object; references between parts are then left for the next run, since a part that is missing because of a
// typing error would be reported once for every use.
[[nodiscard]] Loading load_station(std::string_view text, const std::string& file_name);
[[nodiscard]] Loading load_station_file(const std::filesystem::path& path);

// Every key that the reader knows, sorted by path.
[[nodiscard]] std::vector<KnownKey> known_keys();

}  // namespace tautgate::config
