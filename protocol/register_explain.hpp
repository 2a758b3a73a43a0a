// What was read from a polled tool, register by register, for the person who wires it: which registers belong
// to which field of the profile, what the field says, and where it says nothing, why. Made by the very
// decoder that makes readings (register_decode.hpp), one field at a time, so that a field here can say
// nothing else than it says there. Pure; any thread.
//
// In doubt a row says what is wrong with it and keeps its raw words; nothing is left out.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/register_decode.hpp"
#include "protocol/register_plan.hpp"
#include "protocol/trace.hpp"

namespace tautgate::protocol {

// One field with its registers, or registers that were read and belong to no field.
struct ExplainedField {
    std::string name{};  // its place in the profile, "limits/torque_min"; empty: no field
    FieldPlace place{};  // where it was read; of a ring in the slot that was read
    std::vector<std::uint16_t> words{};
    std::string value{};    // as the decoder has it; empty with a fault
    std::string unit{};     // empty: a bare number
    std::string meaning{};  // of a code or a count: "M16-final", "tighten"
    std::string fault{};    // why it does not decode; empty: it does
    std::string remedy{};
    std::optional<WordOrder> order{};    // the one that the profile names
    std::optional<EveryOrder> orders{};  // of a number in several registers, unscaled
    bool operator==(const ExplainedField&) const = default;
};
TAUTGATE_FIELDS(ExplainedField, name, place, words, value, unit, meaning, fault, remedy, order, orders);

// What was read at once: the fields in the order of their registers, and what they say together.
struct Explanation {
    std::vector<ExplainedField> fields;
    std::string whole;  // "a tightening, the tool says OK", or why the station would take no result from it
    bool understood = false;
    bool operator==(const Explanation&) const = default;
};
TAUTGATE_FIELDS(Explanation, fields, whole, understood);

// `words` are the blocks of reads_of(profile) in a row.
[[nodiscard]] Explanation explain(const RegisterProfile& profile, std::span<const std::uint16_t> words);

// Of a ring whose `words` were read by reads_of(profile): the block with its newest result. Nothing where it
// has none yet, where its count cannot be read, or without a ring.
[[nodiscard]] std::optional<BlockRange> newest_slot(const RegisterProfile& profile,
                                                    std::span<const std::uint16_t> words);
// The words of such a block.
[[nodiscard]] Explanation explain_slot(const RegisterProfile& profile, const BlockRange& slot,
                                       std::span<const std::uint16_t> words);

// Of a profile with a control: whether the tool may run, and with which program. `words` are those of
// control_reads(profile) in a row.
[[nodiscard]] Explanation explain_control(const RegisterProfile& profile,
                                          std::span<const std::uint16_t> words);

// Of a profile with a curve: whose it is and how long. `words` are those of trace_head(profile).
[[nodiscard]] Explanation explain_trace_head(const RegisterProfile& profile,
                                             std::span<const std::uint16_t> words);
// What the samples are together, for a person: how many, and how far they go.
[[nodiscard]] std::string trace_words(const Trace& trace);

}  // namespace tautgate::protocol
