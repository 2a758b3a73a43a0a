// One label against one rule. Used by this folder only; any thread. Besides fitting or not, a label can be
// nearly one of the rule's, and then the operator is told what is wrong with it.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "protocol/ticket_pattern.hpp"
#include "protocol/ticket_rule.hpp"

namespace tautgate::protocol {

// What keeps a label from being a ticket, in words that follow "it fits the kind except that".
struct Obstacle {
    std::string what;
    std::string remedy;
};

struct Fits {
    LabelParts parts;
};
// It is a label of this rule, and of no other, but cannot be believed: a check character is wrong.
struct Spoilt {
    Obstacle obstacle;
};
// All but one thing is as the rule has it.
struct Near {
    Obstacle obstacle;
};
struct Far {};
using Fit = std::variant<Fits, Spoilt, Near, Far>;

class LabelMatch {
  public:
    // The rule has no mistakes.
    explicit LabelMatch(TicketRule rule);

    [[nodiscard]] const std::string& kind() const noexcept { return rule_.kind; }
    // `text` is UTF-8, as the scanner sent it.
    [[nodiscard]] Fit match(std::string_view text) const;

  private:
    [[nodiscard]] Fit match_content(std::string_view label) const;
    [[nodiscard]] Fit believed(LabelParts parts, std::string_view label) const;

    TicketRule rule_;
    std::optional<TicketPattern> pattern_;
};

}  // namespace tautgate::protocol
