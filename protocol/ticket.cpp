#include "protocol/ticket.hpp"

#include <algorithm>
#include <array>
#include <map>
#include <utility>

#include <fmt/format.h>
#include <re2/re2.h>

#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

LabelFault fault(std::string what, std::string remedy, std::string_view text) {
    return {std::move(what), std::move(remedy), std::string(text.substr(0, label_limit))};
}

bool is_control(char c) {
    const auto byte = static_cast<unsigned char>(c);
    return byte < 0x20 || byte == 0x7F;
}

// What makes a text no label whatever the rules are.
std::optional<LabelFault> unfit(std::string_view text) {
    if (text.empty())
        return fault("the label is empty", "scan again", text);
    if (text.size() > label_limit)
        return fault(fmt::format("the label is longer than {} bytes", label_limit),
                     "scan the build ticket, not another label", text);
    if (std::ranges::any_of(text, is_control))
        return fault(fmt::format("the label {} holds control characters", shown(text)),
                     "scan again; if it stays, check the scanner's settings", text);
    if (!is_utf8(text))
        return fault(fmt::format("the label {} is not UTF-8", shown(text)),
                     "scan again; if it stays, check the scanner's settings", text);
    return std::nullopt;
}

constexpr std::array<std::string_view, 3> group_names{"serial", "order", "type"};

}  // namespace

struct LabelReader::Compiled {
    std::string kind;
    std::unique_ptr<const re2::RE2> pattern;
    std::array<int, group_names.size()> groups{};  // 0: not in the pattern

    [[nodiscard]] std::optional<Ticket> match(std::string_view text) const {
        std::vector<re2::StringPiece> found(static_cast<std::size_t>(pattern->NumberOfCapturingGroups()) + 1);
        if (!pattern->Match(text, 0, text.size(), re2::RE2::ANCHOR_BOTH, found.data(),
                            static_cast<int>(found.size())))
            return std::nullopt;
        const auto group = [&](std::size_t name) {
            return groups[name] == 0 ? std::string()
                                     : std::string(found[static_cast<std::size_t>(groups[name])]);
        };
        return Ticket{kind, group(0), group(1), group(2), std::string(text)};
    }
};

LabelReader::LabelReader(std::vector<Compiled> rules) : rules_(std::move(rules)) {}
LabelReader::LabelReader(LabelReader&&) noexcept = default;
LabelReader& LabelReader::operator=(LabelReader&&) noexcept = default;
LabelReader::~LabelReader() = default;

std::expected<LabelReader, std::vector<TicketRuleFault>>
LabelReader::compile(const std::vector<TicketRule>& rules) {
    std::vector<TicketRuleFault> faults;
    std::vector<Compiled> compiled;
    re2::RE2::Options options(re2::RE2::Quiet);
    options.set_max_mem(1 << 20);
    for (std::size_t i = 0; i < rules.size(); ++i) {
        if (rules[i].kind.empty())
            faults.push_back({i, "kind", "the kind is empty", "name the kind of ticket, such as \"D\""});
        Compiled one{rules[i].kind, std::make_unique<const re2::RE2>(rules[i].pattern, options), {}};
        if (!one.pattern->ok()) {
            faults.push_back(
                {i, "pattern", one.pattern->error(), "write a regular expression in RE2 syntax"});
            continue;
        }
        for (const auto& [name, number] : one.pattern->NamedCapturingGroups()) {
            const auto known = std::ranges::find(group_names, name);
            if (known == group_names.end())
                faults.push_back({i, "pattern", fmt::format("unknown group {}", shown(name)),
                                  "the groups are serial, order and type"});
            else
                one.groups[static_cast<std::size_t>(known - group_names.begin())] = number;
        }
        if (one.groups[0] == 0)
            faults.push_back(
                {i, "pattern", "no group is named serial", "put (?P<serial>...) around the serial number"});
        compiled.push_back(std::move(one));
    }
    if (!faults.empty())
        return std::unexpected(std::move(faults));
    return LabelReader(std::move(compiled));
}

std::expected<Ticket, LabelFault> LabelReader::read(std::string_view text) const {
    if (auto refusal = unfit(text))
        return std::unexpected(std::move(*refusal));
    std::optional<Ticket> ticket;
    for (const Compiled& rule : rules_) {
        auto match = rule.match(text);
        if (!match)
            continue;
        if (match->serial.empty())
            return std::unexpected(fault(fmt::format("the label {} has an empty serial number", shown(text)),
                                         "have the ticket printed again", text));
        if (ticket && *ticket != *match)
            return std::unexpected(
                fault(fmt::format("the label {} can be read as a ticket of kind {} and of kind {}",
                                  shown(text), ticket->kind, match->kind),
                      "have the ticket patterns corrected", text));
        ticket = std::move(match);
    }
    if (!ticket)
        return std::unexpected(
            fault(fmt::format("the label {} is no build ticket of this station", shown(text)),
                  "scan the build ticket of the sub-assembly", text));
    return std::move(*ticket);
}

void ScanSplitter::feed(std::string_view bytes) {
    buffer_.erase(0, begin_);
    begin_ = 0;
    buffer_ += bytes;
}

std::optional<std::expected<std::string, LabelFault>> ScanSplitter::next() {
    while (true) {
        const std::size_t end = buffer_.find_first_of("\r\n", begin_);
        const std::string_view rest = std::string_view(buffer_).substr(begin_);
        const auto too_long = [](std::string_view bytes) {
            return std::unexpected(fault(fmt::format("the scan is longer than {} bytes", label_limit),
                                         "scan the build ticket, not another label", bytes));
        };
        if (end == std::string::npos) {
            const bool report = !discarding_ && rest.size() > label_limit;
            discarding_ = discarding_ || report;
            if (discarding_)
                begin_ = buffer_.size();
            return report ? std::optional<std::expected<std::string, LabelFault>>(too_long(rest))
                          : std::nullopt;
        }
        const std::string_view label = rest.substr(0, end - begin_);
        begin_ = end + 1;
        if (std::exchange(discarding_, false) || label.empty())  // CR LF ends a label once
            continue;
        if (label.size() > label_limit)
            return too_long(label);
        return std::string(label);
    }
}

std::optional<LabelFault> ScanSplitter::abandon() {
    discarding_ = false;
    if (begin_ == buffer_.size())
        return std::nullopt;
    LabelFault half =
        fault(fmt::format("only part of a label came: {}", shown(std::string_view(buffer_).substr(begin_))),
              "scan again", std::string_view(buffer_).substr(begin_));
    buffer_.clear();
    begin_ = 0;
    return half;
}

}  // namespace tautgate::protocol
