// The description of a station as every command takes it: read and checked by the one check that the service
// uses too (config/reader.hpp). What is wrong with it goes to standard error, a line for each finding; a file
// that is not there is no answer, one with mistakes is the answer no. One thread.
#pragma once

#include <string>
#include <string_view>

#include "config/reader.hpp"
#include "tools/cli/questions.hpp"

namespace tautgate::cli {

// A description without errors. `undone` says what was left, and why: "nothing was listed, since ...".
[[nodiscard]] Asked<config::Station> description_in(const std::string& file, std::string_view undone);

// One whose form is right, whatever its meaning: a device is wired while the description is written.
struct Draft {
    config::Station station;
    std::vector<config::ConfigError> findings;
};
[[nodiscard]] Asked<Draft> draft_in(const std::string& file, std::string_view undone);

// Says what was found about the tool and the profile that it uses, and how much there is besides.
void tell_findings_about(const Draft& draft, const std::string& tool, const std::string& file);
// The same of an I/O module.
void tell_findings_about_module(const Draft& draft, const std::string& module, const std::string& file);

}  // namespace tautgate::cli
