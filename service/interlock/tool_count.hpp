// A tool counts its results. Whether the one that arrives is the next, one again, one that was missing, or of
// a count that started anew is said here and nowhere else, from the numbers that the journal has and lacks. A
// number that nobody can place is never dropped: it breaks the count, and a broken count withholds.
//
//   NoBaseline --first word--> Following --a number is left out--> Broken --what was missing came-->
//   Following
//                                        --the count starts anew-> Broken --people accept it------> Following
//
// Used by decide() only; nothing outside this folder includes it. Pure; one thread at a time.
#pragma once

#include <cstdint>
#include <optional>

#include "service/interlock/state.hpp"

namespace tautgate::interlock {

enum class Arrival : std::uint8_t {
    next,
    repeated,
    conflict,
    before_baseline,
    out_of_count,   // after something that is missing, or of a count that started anew
    after_all,      // people had accepted that it would not come
    maybe_counted,  // made before its count started anew: it may have been counted under its number then
};

// Whether all of it was made at or after `since`. What is of an earlier boot was there before anything of
// this one.
[[nodiscard]] bool made_after(const Interval& made, const Stamp& since);

// Whether all of it was made from `from` on, and up to `until` where there is an end.
[[nodiscard]] bool made_within(const Interval& made, const Stamp& from, const std::optional<Stamp>& until);

// Takes the result into the tool's count. `at` is when it is taken.
[[nodiscard]] Arrival count(ToolState& tool, const ResultReceived& result, const Stamp& at);
// A result that was set aside undecided: where it is the next one the count goes on after it, and it is known
// when it comes again. False: it is not the next, and stays to come.
[[nodiscard]] bool pass_over(ToolState& tool, const SeenResult& aside, const Stamp& at);
// The tool says where its count stands.
void take_word(ToolState& tool, const ToolAnswered& answered, const Stamp& at);
// People accept that what is missing does not come, or that the count started anew.
void accept_gap(ToolState& tool);

}  // namespace tautgate::interlock
