// A compiled pattern of a label rule; the one place that knows RE2. Used by this folder only; any thread.
#pragma once

#include <array>
#include <cstddef>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/ticket_rule.hpp"

namespace re2 {
class RE2;
}

namespace tautgate::protocol {

inline constexpr std::array<TicketPart, 3> ticket_parts{TicketPart::serial, TicketPart::order,
                                                        TicketPart::type};

// The key of a part in the station's description, and the name of its group.
[[nodiscard]] std::string_view key_of(TicketPart part);

// What a label says; a part that it does not state is empty.
struct LabelParts {
    std::string serial;
    std::string order;
    std::string type;
};

// How far a label goes with a pattern from its beginning.
struct Beginning {
    std::size_t length = 0;  // bytes of the label that fit; not 0
    // What the pattern wants next: a part of the ticket, or a piece of the pattern as it is written.
    std::optional<TicketPart> part;
    std::string piece;
};

class TicketPattern {
  public:
    explicit TicketPattern(const std::string& pattern);
    TicketPattern(TicketPattern&&) noexcept;
    TicketPattern& operator=(TicketPattern&&) noexcept;
    TicketPattern(const TicketPattern&) = delete;
    TicketPattern& operator=(const TicketPattern&) = delete;
    ~TicketPattern();

    // What is wrong with the pattern, in the words of the library. Only where it is empty the rest counts.
    [[nodiscard]] std::string error() const;
    [[nodiscard]] std::vector<std::string> unknown_groups() const;
    [[nodiscard]] bool states(TicketPart part) const;

    [[nodiscard]] std::optional<LabelParts> match(std::string_view text) const;
    // The first place within `text` that the pattern fits, if it is not empty.
    [[nodiscard]] std::optional<std::string_view> find_within(std::string_view text) const;
    // Of a text that does not fit, piece by piece. Nothing where its very beginning does not, or where the
    // pattern is not one piece after the other.
    [[nodiscard]] std::optional<Beginning> beginning_of(std::string_view text) const;

  private:
    // The pattern up to and with this piece.
    struct Piece {
        std::string text;
        std::unique_ptr<const re2::RE2> up_to;
    };
    std::unique_ptr<const re2::RE2> pattern_;
    std::vector<Piece> pieces_;
    std::array<int, ticket_parts.size()> groups_{};  // 0: not in the pattern
};

}  // namespace tautgate::protocol
