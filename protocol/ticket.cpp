#include "protocol/ticket.hpp"

#include <algorithm>
#include <map>
#include <utility>
#include <variant>

#include <fmt/format.h>

#include "protocol/label_match.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

LabelFault fault(std::string what, std::string remedy, std::string_view text) {
    return {std::move(what), std::move(remedy), std::string(text.substr(0, label_limit))};
}

// What makes a text no label whatever the rules are.
std::optional<LabelFault> unfit(std::string_view text) {
    if (text.empty())
        return fault("the label is empty", "scan again", text);
    if (text.size() > label_limit)
        return fault(fmt::format("the label is longer than {} bytes", label_limit),
                     "scan the build ticket, not another label", text);
    if (!is_utf8(text))
        return fault(fmt::format("the label {} is not UTF-8", shown(text)),
                     "scan again; if it stays, check the scanner's settings", text);
    return std::nullopt;
}

// What the rules make of a label that is no ticket.
struct NearMiss {
    std::string kind;
    Obstacle obstacle;
};

// "...: it fits kind D except that ...; it fits kind F except that ...", of at most three kinds.
LabelFault misread(std::string_view text, const std::vector<NearMiss>& misses) {
    constexpr std::size_t most_told = 3;
    if (misses.empty() && has_unseen(text))
        return fault(fmt::format("the label {} holds control characters", shown(text)),
                     "scan again; if it stays, check the scanner's settings", text);
    std::string what = fmt::format("the label {} is no build ticket of this station", shown(text));
    for (std::size_t i = 0; i < std::min(misses.size(), most_told); ++i)
        what += fmt::format("{} it fits kind {} except that {}", i == 0 ? ":" : ",", misses[i].kind,
                            misses[i].obstacle.what);
    if (misses.size() > most_told)
        what += fmt::format(", and {} more have one exception each", misses.size() - most_told);
    const bool is_one_remedy = !misses.empty() && std::ranges::all_of(misses, [&](const NearMiss& miss) {
        return miss.obstacle.remedy == misses.front().obstacle.remedy;
    });
    return fault(std::move(what),
                 is_one_remedy ? misses.front().obstacle.remedy
                               : "scan a ticket of the unit or of its sub-assemblies",
                 text);
}

LabelFault ambiguous(std::string_view text, const Ticket& one, const Ticket& other) {
    const std::string claims = one.kind == other.kind
                                   ? fmt::format("a ticket of kind {} in two ways", one.kind)
                                   : fmt::format("a ticket of kind {} and of kind {}", one.kind, other.kind);
    return fault(fmt::format("the label {} can be read as {}", shown(text), claims),
                 "have the rules of the labels corrected", text);
}

}  // namespace

std::string sentence(const LabelFault& fault) { return fault.what + "; " + fault.remedy; }

LabelReader::LabelReader(std::vector<LabelMatch> rules) : rules_(std::move(rules)) {}
LabelReader::LabelReader(LabelReader&&) noexcept = default;
LabelReader& LabelReader::operator=(LabelReader&&) noexcept = default;
LabelReader::~LabelReader() = default;

std::expected<LabelReader, std::vector<TicketRuleFault>>
LabelReader::compile(const std::vector<TicketRule>& rules) {
    if (auto faults = check(rules); !faults.empty())
        return std::unexpected(std::move(faults));
    std::vector<LabelMatch> compiled;
    compiled.reserve(rules.size());
    for (const TicketRule& rule : rules)
        compiled.emplace_back(rule);
    return LabelReader(std::move(compiled));
}

std::expected<Ticket, LabelFault> LabelReader::read(std::string_view text) const {
    if (auto refusal = unfit(text))
        return std::unexpected(std::move(*refusal));
    std::vector<Ticket> tickets;
    std::vector<NearMiss> spoilt;
    std::vector<NearMiss> near;
    for (const LabelMatch& rule : rules_) {
        Fit fit = rule.match(text);
        if (auto* const fits = std::get_if<Fits>(&fit))
            tickets.push_back({rule.kind(), std::move(fits->parts.serial), std::move(fits->parts.order),
                               std::move(fits->parts.type), std::string(text)});
        else if (auto* const bad = std::get_if<Spoilt>(&fit))
            spoilt.push_back({rule.kind(), std::move(bad->obstacle)});
        else if (auto* const almost = std::get_if<Near>(&fit))
            near.push_back({rule.kind(), std::move(almost->obstacle)});
    }
    if (!spoilt.empty())
        return std::unexpected(misread(text, spoilt));
    if (tickets.empty())
        return std::unexpected(misread(text, near));
    for (const Ticket& other : tickets)
        if (other != tickets.front())
            return std::unexpected(ambiguous(text, tickets.front(), other));
    return std::move(tickets.front());
}

namespace {

// What the examples of one rule have shown so far.
class ExamplesOfRule {
  public:
    explicit ExamplesOfRule(const TicketRule& rule) : rule_(rule) {}
    // What is wrong with the next one; empty: nothing.
    [[nodiscard]] std::string fault_of(const LabelReader& reader, const std::string& example) {
        auto ticket = reader.read(example);
        if (!ticket)
            return ticket.error().what;
        if (ticket->kind != rule_.kind)
            return fmt::format("{} is read as a ticket of kind {}", shown(example), shown(ticket->kind));
        const auto [first, is_new] = label_of_.try_emplace(std::move(ticket->serial), example);
        if (is_new || first->second == example)
            return {};
        return fmt::format(
            "{} and {} both give the serial number {}, so that two units would be taken for one",
            shown(first->second), shown(example), shown(first->first));
    }

  private:
    const TicketRule& rule_;
    std::map<std::string, std::string> label_of_;  // by serial number
};

}  // namespace

std::vector<TicketRuleFault> check_examples(const std::vector<TicketRule>& rules) {
    const auto reader = LabelReader::compile(rules);
    if (!reader)
        return {};
    std::vector<TicketRuleFault> faults;
    for (std::size_t rule = 0; rule < rules.size(); ++rule) {
        ExamplesOfRule examples{rules[rule]};
        for (std::size_t i = 0; i < rules[rule].examples.size(); ++i) {
            if (auto fault = examples.fault_of(*reader, rules[rule].examples[i]); !fault.empty())
                faults.push_back({rule, fmt::format("examples/{}", i), std::move(fault),
                                  "correct the rule, or the example"});
        }
    }
    return faults;
}

namespace {

constexpr char stx = '\x02';

constexpr std::string_view ends_of(LabelEnd end) noexcept {
    switch (end) {
    case LabelEnd::line: return "\r\n";
    case LabelEnd::tab: return "\t";
    case LabelEnd::etx: return "\x03";
    }
    std::unreachable();
}

std::unexpected<LabelFault> scan_too_long(std::string_view label) {
    return std::unexpected(fault(fmt::format("the scan is longer than {} bytes", label_limit),
                                 "scan the build ticket, not another label", label));
}

}  // namespace

void ScanSplitter::feed(std::string_view bytes) {
    buffer_.erase(0, begin_);
    begin_ = 0;
    buffer_ += bytes;
}

std::optional<std::expected<std::string, LabelFault>> ScanSplitter::next() {
    while (true) {
        const std::size_t end = buffer_.find_first_of(ends_of(end_), begin_);
        const std::string_view rest = std::string_view(buffer_).substr(begin_);
        if (end == std::string::npos) {
            const bool report = !discarding_ && without_start(rest).size() > label_limit;
            discarding_ = discarding_ || report;
            if (discarding_)
                begin_ = buffer_.size();
            return report ? std::optional<std::expected<std::string, LabelFault>>(scan_too_long(rest))
                          : std::nullopt;
        }
        const std::string_view label = rest.substr(0, end - begin_);
        begin_ = end + 1;
        // An end that comes alone, and that of a label which was told as too long, end the one given up too.
        const bool is_rest = std::exchange(awaits_rest_, false);
        if (std::exchange(discarding_, false) || without_start(label).empty())  // CR LF ends a label once
            continue;
        return judge(label, is_rest);
    }
}

std::expected<std::string, LabelFault> ScanSplitter::judge(std::string_view label, bool is_rest) const {
    const std::string_view text = without_start(label);
    if (text.size() > label_limit)
        return scan_too_long(text);
    if (is_rest)
        return std::unexpected(
            fault(fmt::format("{} is the end of a label whose beginning was given up, or was scanned right "
                              "after it",
                              shown(text)),
                  "scan again", text));
    if (end_ == LabelEnd::etx && !label.starts_with(stx))
        return std::unexpected(fault(fmt::format("the label {} came without STX before it", shown(text)),
                                     "scan again; if it stays, let the scanner send STX before each label",
                                     text));
    return std::string(text);
}

std::string_view ScanSplitter::without_start(std::string_view label) const {
    return end_ == LabelEnd::etx && label.starts_with(stx) ? label.substr(1) : label;
}

std::optional<LabelFault> ScanSplitter::abandon() {
    const std::string_view half = without_start(std::string_view(buffer_).substr(begin_));
    if (std::exchange(discarding_, false) || !half.empty())
        expect_rest();
    std::optional<LabelFault> told;
    if (!half.empty())
        told = fault(fmt::format("only part of a label came: {}", shown(half)), "scan again", half);
    buffer_.clear();
    begin_ = 0;
    return told;
}

}  // namespace tautgate::protocol
