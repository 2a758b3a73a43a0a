#include "protocol/permissive_registers.hpp"

#include <array>

#include <boost/describe.hpp>
#include <boost/mp11.hpp>

namespace tautgate::protocol {
namespace {

constexpr std::array permissive_table{
    RegisterText{0, 1, "layout version", "1"},
    RegisterText{1, 1, "station", "number from the station description, 1 and up"},
    RegisterText{2, 1, "bay", "number, 1 and up"},
    RegisterText{3, 1, "permissive", "number, 1 and up"},
    RegisterText{4, 2, "token",
                 "of the stay that the block is for; while the bay is empty, of the next one; 0: none"},
    RegisterText{6, 1, "state code", "one of the state codes below"},
    RegisterText{7, 1, "reason number",
                 "of the first reason for holding, for a panel; 1: the station itself withholds everything, "
                 "and its health says why; 0: none"},
    RegisterText{8, 1, "moved",
                 "the PLC's own count of movements (feedback, offset 12), as the station knows it"},
    RegisterText{9, 1, "beat", "one up with every block that the station sends, after 65535 comes 0"},
    RegisterText{10, 2, "CRC-32", "over registers 0 to 9"},
};

constexpr std::array feedback_table{
    RegisterText{0, 1, "layout version", "1"},
    RegisterText{1, 1, "station", "as in the permissive block"},
    RegisterText{2, 1, "bay", "as in the permissive block"},
    RegisterText{3, 1, "permissive", "as in the permissive block"},
    RegisterText{4, 2, "token", "the one that the PLC holds; 0: none"},
    RegisterText{
        6, 1, "state code",
        "the one that the PLC acts on, not the one it received; while the wiring is tried, the one it "
        "received"},
    RegisterText{7, 1, "beat", "of the last block that the PLC accepted"},
    RegisterText{8, 1, "unit present", "0 no, 1 yes, other: not known; the debounced level"},
    RegisterText{9, 1, "arrivals", "one up per debounced rising edge of unit present"},
    RegisterText{10, 1, "departures", "one up per debounced falling edge"},
    RegisterText{11, 1, "PLC starts", "one up per start of the PLC program"},
    RegisterText{12, 1, "moved", "one up per movement that this permissive names"},
    RegisterText{13, 1, "fault", "one of the fault numbers below"},
    RegisterText{14, 2, "CRC-32", "over registers 0 to 13"},
};

template <std::size_t Size>
constexpr bool fills(const std::array<RegisterText, Size>& table, std::size_t length) {
    std::size_t next = 0;
    for (const RegisterText& text : table) {
        if (text.offset != next)
            return false;
        next += text.registers;
    }
    return next == length;
}
static_assert(fills(permissive_table, permissive_words), "every register once, without a gap");
static_assert(fills(feedback_table, feedback_words), "every register once, without a gap");

constexpr std::array code_table{
    StateCodeText{Code::released, "released"},
    StateCodeText{Code::withheld, "withheld"},
    StateCodeText{Code::leaving_incomplete,
                  "leaving incomplete: people decided that this unit leaves unproven, by this way"},
};
static_assert(code_table.size() == boost::mp11::mp_size<boost::describe::describe_enumerators<Code>>::value,
              "every code has its text");

constexpr std::array token_table{
    TokenText{0x00000000, 0x00000000, "no token"},
    TokenText{0x00000001, 0xFEFFFFFF, "a stay"},
    TokenText{0xFF000000, 0xFFFFFFFE,
              "a challenge or a test of the wiring: the PLC echoes it, but never moves on it"},
    TokenText{0xFFFFFFFF, 0xFFFFFFFF, "no token"},
};

constexpr std::array fault_table{
    FaultText{PlcFault::none, "none"},
    FaultText{PlcFault::bad_block, "the block is not good: CRC, layout, station, bay or permissive"},
    FaultText{PlcFault::beat_still, "no new beat within the time agreed"},
    FaultText{PlcFault::beat_jumped, "the beat went back, or on by more than 8"},
    FaultText{PlcFault::waiting_for_beat, "no block accepted yet since the start"},
    FaultText{PlcFault::no_token, "a unit is present and its token has not been taken"},
    FaultText{PlcFault::other_token, "the block is for another unit than the one present"},
    FaultText{PlcFault::moved_while_withheld,
              "a movement was made that was not allowed; until the next arrival"},
    FaultText{PlcFault::equipment, "the equipment's own fault"},
};
static_assert(fault_table.size() ==
                  boost::mp11::mp_size<boost::describe::describe_enumerators<PlcFault>>::value,
              "every fault has its text");

}  // namespace

std::string_view caution_text() noexcept {
    return "What the station gives is a process permissive: an added reason not to move. It is not a safety "
           "function, it protects no person and replaces no guard, emergency stop or load-holding device. "
           "The PLC "
           "ANDs it with its own conditions and never ORs it.";
}

std::span<const RegisterText> permissive_registers() noexcept { return permissive_table; }

std::span<const RegisterText> feedback_registers() noexcept { return feedback_table; }

std::span<const StateCodeText> state_code_texts() noexcept { return code_table; }

std::span<const TokenText> token_texts() noexcept { return token_table; }

std::span<const FaultText> fault_texts() noexcept { return fault_table; }

}  // namespace tautgate::protocol
