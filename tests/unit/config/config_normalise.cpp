// Helper of schema_agrees.mjs: prints what other programs need in order to compare the published schema with
// the reader.
//   config_normalise FILE     the file as plain JSON, comments removed; exit 2 where it is no JSON
//   config_normalise --read FILE   what load_station finds, one a line; exit 1 with errors
//   config_normalise --lines   reads documents from standard input, one a line, and prints for each whether
//   its
//                             structure can be read: "good", or "bad" and the first error
//   config_normalise --keys   the reader's catalogue: "path required|optional", one a line
#include <fstream>
#include <iostream>
#include <iterator>
#include <string>
#include <string_view>
#include <vector>

#include <nlohmann/json.hpp>

#include "config/reader.hpp"

namespace {

int print_keys() {
    for (const auto& key : tautgate::config::known_keys()) {
        std::cout << key.path << ' ' << (key.required ? "required" : "optional") << '\n';
    }
    return 0;
}

int print_findings(const std::string& path) {
    const auto loading = tautgate::config::load_station_file(path);
    for (const auto& finding : loading.findings) {
        std::cout << to_text(finding) << '\n';
    }
    return loading.station ? 0 : 1;
}

int judge_lines() {
    for (std::string line; std::getline(std::cin, line);) {
        const auto station = tautgate::config::read_station(line, "line");
        std::cout << (station ? "good" : "bad " + to_text(station.error().front())) << '\n';
    }
    return 0;
}

int print_plain(const std::string& path) {
    std::ifstream in(path, std::ios::binary);
    const std::string text{std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    constexpr bool throwing = false;
    constexpr bool ignore_comments = true;
    const auto json = nlohmann::json::parse(text, nullptr, throwing, ignore_comments);
    if (json.is_discarded()) {
        return 2;
    }
    std::cout << json.dump() << '\n';
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    const std::vector<std::string> arguments(argv + 1, argv + argc);
    if (arguments == std::vector<std::string>{"--keys"}) {
        return print_keys();
    }
    if (arguments == std::vector<std::string>{"--lines"}) {
        return judge_lines();
    }
    if (arguments.size() == 2 && arguments[0] == "--read") {
        return print_findings(arguments[1]);
    }
    if (arguments.size() == 1) {
        return print_plain(arguments[0]);
    }
    std::cerr << "usage: config_normalise FILE | --read FILE | --lines | --keys\n";
    return 2;
}
