// Whether what a polled tool shows is a new result, from two reads and what is known of the tool.
//
// In doubt nothing is made up: what was written while we read it is Torn and must be read again; a counter
// that did not go on by one is a Jump, never a result. A tool that does not count is given a count here:
// while it is watched each of its results is one more; after a while unwatched it begins a new count, since
// nobody knows what was made meanwhile, unless the tool itself shows that nothing was.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <variant>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/register_decode.hpp"
#include "protocol/register_plan.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

class RegisterImage;

// What two reads of a polled tool mean, against what is known of it.
struct NoNew {
    constexpr bool operator==(const NoNew&) const = default;
};
struct NewResult {
    std::uint64_t counter = 0;
    constexpr bool operator==(const NewResult&) const = default;
};
// The first look at a tool of which nothing is known: its newest result may be of any age and counts for
// nothing.
struct Baseline {
    std::uint64_t counter = 0;
    constexpr bool operator==(const Baseline&) const = default;
};
// The block changed while it was read: read again, soon.
struct Torn {
    constexpr bool operator==(const Torn&) const = default;
};
// Results are missing before the one that the block holds. `lost` is absent where the counter went back or
// is outside its range, so that nobody knows.
struct Jump {
    std::uint64_t expected = 0;
    std::uint64_t got = 0;
    std::optional<std::uint64_t> lost;
    constexpr bool operator==(const Jump&) const = default;
};
// The tool's epoch changed: its counter starts anew, and results from before may be lost.
struct Restarted {
    std::uint64_t epoch_before = 0;
    std::uint64_t epoch = 0;
    std::uint64_t counter = 0;
    constexpr bool operator==(const Restarted&) const = default;
};
TAUTGATE_NO_FIELDS(NoNew);
TAUTGATE_FIELDS(NewResult, counter);
TAUTGATE_FIELDS(Baseline, counter);
TAUTGATE_NO_FIELDS(Torn);
TAUTGATE_FIELDS(Jump, expected, got, lost);
TAUTGATE_FIELDS(Restarted, epoch_before, epoch, counter);
using WatchOutcome = std::variant<NoNew, NewResult, Baseline, Torn, Jump, Restarted>;

// What is known of the tool: the counter of its newest known result and its epoch. Counters here are never
// rolled back: after 65535 in a 16-bit register comes 65536, and so each is the key of one result for ever.
struct KnownResult {
    std::uint64_t counter = 0;
    std::optional<std::uint64_t> epoch;
    bool operator==(const KnownResult&) const = default;
};
TAUTGATE_FIELDS(KnownResult, counter, epoch);

// What is read a second time to notice a write under way: these registers, or nothing for all that was read.
[[nodiscard]] std::optional<BlockRange> second_read_of(const RegisterProfile& profile);

// Follows one polled tool. Give it what the journal knows at start, then every pair of reads. It goes on from
// any outcome but NoNew and Torn: what a Jump or a Restarted means is decided elsewhere.
class ResultWatch {
  public:
    explicit ResultWatch(std::optional<KnownResult> known = std::nullopt) : known_(known) {}

    // Nobody looked for a while, or ever. Of a tool without a counter `epoch` names the count that begins if
    // the tool does not show that it did nothing meanwhile; it must never have been given before.
    void unwatched(std::uint64_t epoch) { unwatched_ = epoch; }

    // The tool of a handshake was told that its result is stored: from now on it may show the next one.
    void let_go() { let_go_ = true; }

    // `words` are the blocks of reads_of(profile); `again` is the second read, see second_read_of.
    // `familiar`: the content (content_of) is that of the newest known result; it is only looked at without a
    // counter. A read of the wrong length is a DecodeFault.
    [[nodiscard]] std::expected<WatchOutcome, DecodeFault> observe(const RegisterProfile& profile,
                                                                   std::span<const std::uint16_t> words,
                                                                   std::span<const std::uint16_t> again,
                                                                   bool familiar = false);
    [[nodiscard]] const std::optional<KnownResult>& known() const noexcept { return known_; }

  private:
    struct Look {
        std::vector<std::uint64_t> marks;
        std::vector<std::uint16_t> content;
    };
    using Seen = std::expected<WatchOutcome, DecodeFault>;
    [[nodiscard]] static std::optional<Seen> unlike(const RegisterProfile& profile,
                                                    const RegisterImage& first,
                                                    std::span<const std::uint16_t> again,
                                                    std::optional<std::uint64_t> counter);
    [[nodiscard]] Seen counted(const RegisterProfile& profile, const RegisterImage& first,
                               std::span<const std::uint16_t> again);
    [[nodiscard]] Seen marked(const RegisterProfile& profile, const RegisterImage& first,
                              std::span<const std::uint16_t> again, bool familiar);
    [[nodiscard]] WatchOutcome by_count(const RegisterProfile& profile, std::uint64_t raw,
                                        std::optional<std::uint64_t> epoch);
    [[nodiscard]] WatchOutcome by_change(Look look, bool nothing_happened);
    [[nodiscard]] WatchOutcome by_ready(const RegisterProfile& profile, Look look, bool familiar);
    [[nodiscard]] WatchOutcome begin_count(std::uint64_t epoch);

    std::optional<KnownResult> known_;
    std::optional<std::uint64_t> unwatched_;
    bool let_go_ = false;       // of the result that it showed last
    std::optional<Look> last_;  // without a counter: what was last seen
};

}  // namespace tautgate::protocol
