#include "protocol/ticket_pattern.hpp"

#include <algorithm>
#include <map>

#include <re2/re2.h>

namespace tautgate::protocol {

namespace {

re2::RE2::Options pattern_options() {
    re2::RE2::Options options(re2::RE2::Quiet);
    options.set_max_mem(1 << 20);
    return options;
}

}  // namespace

std::string_view key_of(TicketPart part) {
    switch (part) {
    case TicketPart::serial: return "serial";
    case TicketPart::order: return "order";
    case TicketPart::type: return "type";
    }
    return "?";
}

TicketPattern::TicketPattern(const std::string& pattern)
    : pattern_(std::make_unique<const re2::RE2>(pattern, pattern_options())) {
    for (const TicketPart part : ticket_parts) {
        const auto& named = pattern_->NamedCapturingGroups();
        const auto found = named.find(std::string(key_of(part)));
        groups_[static_cast<std::size_t>(part)] = found == named.end() ? 0 : found->second;
    }
}
TicketPattern::TicketPattern(TicketPattern&&) noexcept = default;
TicketPattern& TicketPattern::operator=(TicketPattern&&) noexcept = default;
TicketPattern::~TicketPattern() = default;

std::string TicketPattern::error() const { return pattern_->ok() ? std::string() : pattern_->error(); }

std::vector<std::string> TicketPattern::unknown_groups() const {
    std::vector<std::string> unknown;
    for (const auto& [name, number] : pattern_->NamedCapturingGroups())
        if (std::ranges::find(ticket_parts, name, key_of) == ticket_parts.end())
            unknown.push_back(name);
    return unknown;
}

bool TicketPattern::states(TicketPart part) const { return groups_[static_cast<std::size_t>(part)] != 0; }

std::optional<LabelParts> TicketPattern::match(std::string_view text) const {
    std::vector<re2::StringPiece> found(static_cast<std::size_t>(pattern_->NumberOfCapturingGroups()) + 1);
    if (!pattern_->Match(text, 0, text.size(), re2::RE2::ANCHOR_BOTH, found.data(),
                         static_cast<int>(found.size())))
        return std::nullopt;
    const auto group = [&](TicketPart part) {
        const int number = groups_[static_cast<std::size_t>(part)];
        return number == 0 ? std::string() : std::string(found[static_cast<std::size_t>(number)]);
    };
    return LabelParts{group(TicketPart::serial), group(TicketPart::order), group(TicketPart::type)};
}

std::optional<std::string_view> TicketPattern::find_within(std::string_view text) const {
    re2::StringPiece found;
    if (!pattern_->Match(text, 0, text.size(), re2::RE2::UNANCHORED, &found, 1) || found.empty())
        return std::nullopt;
    return text.substr(static_cast<std::size_t>(found.data() - text.data()), found.size());
}

}  // namespace tautgate::protocol
