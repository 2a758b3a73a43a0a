// One look at a polled tool as the service looks at it, but with everything shown: the same requests in the
// same order, what each answer says, and whether it was written meanwhile. How the bytes travel is the
// caller's: over a wire, or out of a capture. Reads only, until told otherwise. One thread.
#pragma once

#include <cstdint>
#include <expected>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "protocol/register_explain.hpp"
#include "protocol/register_profile.hpp"
#include "protocol/register_request.hpp"
#include "tools/cli/views.hpp"

namespace tautgate::cli {

// Why there is no answer, not even none in time: one sentence.
struct Unanswered {
    std::string why;
    bool goes_on = false;  // other requests may be answered; otherwise there is nobody to ask any more
};
// What came back for a request: a whole answer, a part of one, or nothing in time.
using Ask = std::function<std::expected<std::string, Unanswered>(const std::string& request)>;

struct RegisterLook {
    // The result; of a ring its count, then the slot of its newest result. Then, where the profile has them,
    // whether the tool may run, and the head of the curve.
    std::vector<protocol::Explanation> parts;
    bool torn = false;  // two reads in a row differed: it was being written
    std::string fault;  // one sentence: no answer, or one that does not fit
    // The same without the number that each exchange has of its own: two looks of one trouble are equal in
    // it.
    std::string trouble = {};
    // The station could use all of it.
    [[nodiscard]] bool understood() const noexcept;
};
// The fields that decode to nothing the station could use.
[[nodiscard]] std::vector<std::string> not_usable_in(const RegisterLook& look);

class RegisterLooker {
  public:
    // `profile` is without faults.
    RegisterLooker(protocol::RegisterProfile profile, protocol::ModbusWire wire, std::uint8_t unit, Ask ask);

    // The error: there is nobody to ask any more. After a look with a fault a TCP connection is to be given
    // up.
    [[nodiscard]] std::expected<RegisterLook, std::string> look();
    // Tells the tool that what the last look showed is stored, though it is stored nowhere: only for somebody
    // who wants to try the handshake. False: there was nothing to tell. The error is one sentence.
    [[nodiscard]] std::expected<bool, std::string> acknowledge();

  private:
    using Words = std::vector<std::uint16_t>;
    // Nothing: the answer did not do, and the look says why.
    [[nodiscard]] std::expected<std::optional<Words>, std::string>
    read(const std::vector<protocol::BlockRange>& blocks, RegisterLook& look);
    // Of the parts that follow the result. A fault of the answer ends the look.
    [[nodiscard]] std::expected<void, std::string> look_at_slot(RegisterLook& look, const Words& words);
    [[nodiscard]] std::expected<void, std::string> look_at_control(RegisterLook& look);
    [[nodiscard]] std::expected<void, std::string> look_at_curve(RegisterLook& look);
    [[nodiscard]] std::expected<void, std::string> read_curve(RegisterLook& look, const Words& head,
                                                              std::size_t samples);
    [[nodiscard]] std::expected<bool, std::string> tell(const std::string& request);
    [[nodiscard]] protocol::RequestHead next_head() noexcept;

    protocol::RegisterProfile profile_;
    protocol::ModbusWire wire_;
    std::uint8_t unit_;
    Ask ask_;
    std::uint16_t transaction_ = 0;
    Words last_;
    Words head_;           // of the curve that was read last
    std::string curve_;    // what it was
    bool shaken_ = false;  // the value of the handshake stands in the tool
    std::optional<std::uint64_t> told_;
};

struct LookStyle {
    Style style;
    bool orders = false;        // every word order of numbers in several registers
    bool only_changed = false;  // what is as it was is left out
};
// `before`: the look before this one. Empty: nothing changed and only that was wanted.
[[nodiscard]] std::string look_text(const RegisterLook& look, const RegisterLook* before,
                                    const LookStyle& how);
[[nodiscard]] nlohmann::ordered_json look_json(const RegisterLook& look, const RegisterLook* before);

}  // namespace tautgate::cli
