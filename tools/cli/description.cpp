#include "tools/cli/description.hpp"

#include <algorithm>
#include <cstddef>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "protocol/text.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace {

bool is_error(const config::ConfigError& finding) { return finding.severity == config::Severity::error; }

Failure refused(const config::Loading& loading, const std::string& file, std::string_view undone) {
    if (!loading.readable)
        return {Exit::could_not_ask, plain(config::to_text(loading.findings.front()))};
    for (const auto& finding : loading.findings)
        if (is_error(finding))
            complain(plain(config::to_text(finding)));
    return {Exit::no, fmt::format("{}: {}; put right what is named above", plain(file), undone)};
}

bool lies_in(std::string_view pointer, std::string_view part) {
    return pointer.starts_with(part) && (pointer.size() == part.size() || pointer[part.size()] == '/');
}

template <class Item>
std::string place_of(std::string_view list, const std::vector<Item>& items, const std::string& id) {
    const auto found = std::ranges::find(items, id, &Item::id);
    return fmt::format("/{}/{}", list, found - items.begin());
}

}  // namespace

Asked<config::Station> description_in(const std::string& file, std::string_view undone) {
    auto loading = config::load_station_file(file);
    if (loading.station)
        return std::move(*loading.station);
    return std::unexpected(refused(loading, file, undone));
}

Asked<Draft> draft_in(const std::string& file, std::string_view undone) {
    auto loading = config::load_station_file(file);
    if (auto& station = loading.station ? loading.station : loading.draft)
        return Draft{std::move(*station), std::move(loading.findings)};
    return std::unexpected(refused(loading, file, undone));
}

namespace {

void tell_findings_in(const Draft& draft, const std::string& own, const std::string& used,
                      const std::string& file) {
    std::size_t others = 0;
    for (const auto& finding : draft.findings) {
        if (lies_in(finding.pointer, own) || lies_in(finding.pointer, used))
            complain(plain(config::to_text(finding)));
        else
            others += is_error(finding) ? 1 : 0;
    }
    if (others > 0)
        complain(plain(fmt::format("{}: {} besides, of which tautgate check-config tells", file,
                                   protocol::counted(others, "mistake"))));
}

}  // namespace

void tell_findings_about(const Draft& draft, const std::string& tool, const std::string& file) {
    const auto own = place_of("tools", draft.station.tools, tool);
    const auto* profile =
        config::profile_id(*std::ranges::find(draft.station.tools, tool, &config::Tool::id));
    tell_findings_in(draft, own,
                     profile == nullptr ? own : place_of("profiles", draft.station.profiles, *profile), file);
}

void tell_findings_about_module(const Draft& draft, const std::string& module, const std::string& file) {
    const auto own = place_of("io", draft.station.io, module);
    tell_findings_in(draft, own, own, file);
}

}  // namespace tautgate::cli
