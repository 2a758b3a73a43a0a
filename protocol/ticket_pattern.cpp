#include "protocol/ticket_pattern.hpp"

#include <algorithm>
#include <map>
#include <utility>

#include <re2/re2.h>

namespace tautgate::protocol {

namespace {

re2::RE2::Options pattern_options() {
    re2::RE2::Options options(re2::RE2::Quiet);
    options.set_max_mem(1 << 20);
    return options;
}

// ---- a pattern piece by piece -----------------------------------------------------------------------------

// One past what is looked for; the end of the pattern where it is not there.
std::size_t behind(std::string_view pattern, std::string_view wanted, std::size_t from) {
    const auto at = pattern.find(wanted, from);
    return at == std::string_view::npos ? pattern.size() : at + wanted.size();
}

// One past the end of the class that begins with the bracket at `at`; the end of the pattern where it has
// none.
std::size_t end_of_class(std::string_view pattern, std::size_t at) {
    std::size_t i = at + 1;
    i += i < pattern.size() && pattern[i] == '^' ? 1 : 0;
    i += i < pattern.size() && pattern[i] == ']' ? 1 : 0;
    while (i < pattern.size() && pattern[i] != ']') {
        if (pattern.substr(i).starts_with("[:")) {
            i = behind(pattern, ":]", i + 2);
        } else {
            i += pattern[i] == '\\' ? 2 : 1;
        }
    }
    return std::min(i + 1, pattern.size());
}

// Of an escape: one character, or a name in braces behind it.
std::size_t end_of_escape(std::string_view pattern, std::size_t at) {
    const bool is_named = at + 2 < pattern.size() && std::string_view("pPx").contains(pattern[at + 1]) &&
                          pattern[at + 2] == '{';
    return is_named ? behind(pattern, "}", at) : std::min(at + 2, pattern.size());
}

std::size_t end_of_group(std::string_view pattern, std::size_t at) {
    int depth = 0;
    while (at < pattern.size()) {
        if (pattern[at] == '\\') {
            at = end_of_escape(pattern, at);
        } else if (pattern[at] == '[') {
            at = end_of_class(pattern, at);
        } else {
            depth += pattern[at] == '(' ? 1 : 0;
            depth -= pattern[at] == ')' ? 1 : 0;
            ++at;
            if (depth == 0)
                break;
        }
    }
    return at;
}

std::size_t end_of_repetition(std::string_view pattern, std::size_t at) {
    if (at >= pattern.size() || !std::string_view("*+?{").contains(pattern[at]))
        return at;
    const auto end = pattern[at] == '{' ? behind(pattern, "}", at) : at + 1;
    return end + (end < pattern.size() && pattern[end] == '?' ? 1 : 0);
}

// Each with its repetition. Empty where the pattern is more than one piece after the other: a choice between
// two, or a setting for what follows.
std::vector<std::string> pieces_of(std::string_view pattern) {
    constexpr std::size_t most = 64;
    std::vector<std::string> pieces;
    std::size_t at = 0;
    while (at < pattern.size()) {
        const bool sets = pattern.substr(at).starts_with("(?") && !pattern.substr(at).starts_with("(?P<") &&
                          !pattern.substr(at).starts_with("(?:");
        if (pattern[at] == '|' || sets || pieces.size() == most)
            return {};
        std::size_t end = at + 1;
        if (pattern[at] == '\\')
            end = end_of_escape(pattern, at);
        else if (pattern[at] == '[')
            end = end_of_class(pattern, at);
        else if (pattern[at] == '(')
            end = end_of_group(pattern, at);
        else  // a character of UTF-8 is one
            while (end < pattern.size() && (static_cast<unsigned char>(pattern[end]) & 0xC0U) == 0x80U)
                ++end;
        end = end_of_repetition(pattern, end);
        pieces.emplace_back(pattern.substr(at, end - at));
        at = end;
    }
    return pieces;
}

std::optional<TicketPart> part_of(std::string_view piece) {
    const auto found = std::ranges::find_if(ticket_parts, [&](TicketPart part) {
        return piece.starts_with("(?P<" + std::string(key_of(part)) + ">");
    });
    return found == ticket_parts.end() ? std::nullopt : std::optional(*found);
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
    if (!pattern_->ok())
        return;
    std::string up_to;
    for (std::string& piece : pieces_of(pattern)) {
        up_to += piece;
        auto compiled = std::make_unique<const re2::RE2>(up_to, pattern_options());
        if (!compiled->ok()) {
            pieces_.clear();
            return;
        }
        pieces_.push_back({std::move(piece), std::move(compiled)});
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

std::optional<Beginning> TicketPattern::beginning_of(std::string_view text) const {
    std::size_t fits = 0;
    for (const Piece& piece : pieces_) {
        re2::StringPiece found;
        if (!piece.up_to->Match(text, 0, text.size(), re2::RE2::ANCHOR_START, &found, 1))
            return fits == 0 ? std::nullopt : std::optional(Beginning{fits, part_of(piece.text), piece.text});
        fits = found.size();
    }
    return std::nullopt;
}

}  // namespace tautgate::protocol
