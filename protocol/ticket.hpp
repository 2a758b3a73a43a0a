// Build tickets and what a scanner reads from them. Each kind of ticket has rules for its labels
// (ticket_rule.hpp); a text that fits none of them, or fits more than one with different meaning, is refused
// with the reason, never guessed. A label that fits a rule but for its check character, or that has no serial
// number, is refused even where it would fit another rule as well: it is misread. A reader holds compiled
// rules and may be used by any thread; a splitter belongs to one scanner and one thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/ticket_rule.hpp"

namespace tautgate::protocol {

struct Ticket {
    std::string kind;
    std::string serial;  // never empty
    std::string order;   // empty: the label names none
    std::string type;    // empty: the label names none
    std::string raw;
    bool operator==(const Ticket&) const = default;
};
TAUTGATE_FIELDS(Ticket, kind, serial, order, type, raw);

// Why a scan is no ticket; one sentence each, fit for the operator. Where the label is nearly one of some
// kinds, it says what is wrong with it for each.
struct LabelFault {
    std::string what;
    std::string remedy;
    std::string raw;  // as scanned, cut at label_limit
    bool operator==(const LabelFault&) const = default;
};
TAUTGATE_FIELDS(LabelFault, what, remedy, raw);
// What is wrong and what to do, as it is recorded: "the label is empty; scan again".
[[nodiscard]] std::string sentence(const LabelFault& fault);

class LabelMatch;

class LabelReader {
  public:
    // All mistakes of all rules, or a reader. No rules: a reader that refuses every label.
    [[nodiscard]] static std::expected<LabelReader, std::vector<TicketRuleFault>>
    compile(const std::vector<TicketRule>& rules);

    LabelReader(LabelReader&&) noexcept;
    LabelReader& operator=(LabelReader&&) noexcept;
    LabelReader(const LabelReader&) = delete;
    LabelReader& operator=(const LabelReader&) = delete;
    ~LabelReader();

    [[nodiscard]] std::expected<Ticket, LabelFault> read(std::string_view text) const;

  private:
    explicit LabelReader(std::vector<LabelMatch> rules);
    std::vector<LabelMatch> rules_;
};

// Examples that a reader of all these rules does not read as a ticket of their kind, or from which one rule
// reads the same serial number twice. Of rules with mistakes
// nothing is said.
[[nodiscard]] std::vector<TicketRuleFault> check_examples(const std::vector<TicketRule>& rules);

// What a scanner sends after each label: a line end (CR, LF or CR LF), a tab, or ETX, and then STX before the
// label, without which its beginning was lost.
enum class LabelEnd : std::uint8_t { line, tab, etx };
TAUTGATE_ENUM(LabelEnd, line, tab, etx);

// Cuts what a scanner sends into labels. A label without its end is given up by abandon() after the caller's
// time-out. The rest of it may still come, and its end looks like a label's: what ends next is therefore no
// label, until the caller says that nothing of it can come any more. Between STX and ETX that shows by
// itself.
class ScanSplitter {
  public:
    explicit ScanSplitter(LabelEnd end = LabelEnd::line) : end_(end) {}

    void feed(std::string_view bytes);
    // Whole labels, oldest first. One that is too long is a fault; the next one is read as usual.
    [[nodiscard]] std::optional<std::expected<std::string, LabelFault>> next();
    // Drops a half label, because nothing more came in time, and says so; nothing if there is none.
    [[nodiscard]] std::optional<LabelFault> abandon();
    // Something came of a label whose end has not come.
    [[nodiscard]] bool half() const noexcept { return discarding_ || begin_ < buffer_.size(); }
    // The beginning of what comes was given up, and its end was not seen yet.
    [[nodiscard]] bool awaits_rest() const noexcept { return awaits_rest_; }
    void expect_rest() noexcept { awaits_rest_ = end_ != LabelEnd::etx; }
    // Nothing of it can come any more; what has come since is still judged as the rest.
    void forget_rest() noexcept { awaits_rest_ = awaits_rest_ && half(); }

  private:
    [[nodiscard]] std::expected<std::string, LabelFault> judge(std::string_view label, bool is_rest) const;
    [[nodiscard]] std::string_view without_start(std::string_view label) const;

    LabelEnd end_;
    std::string buffer_;
    std::size_t begin_ = 0;
    bool discarding_ = false;
    bool awaits_rest_ = false;
};

}  // namespace tautgate::protocol
