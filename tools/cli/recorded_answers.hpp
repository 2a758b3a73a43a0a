// The tool of a capture of registers, asked once more: by the profile with which it was recorded, exchange by
// exchange, byte for byte; by another one, from what the registers held then, as far as they were recorded.
// Pure; one thread.
#pragma once

#include <cstdint>
#include <expected>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "protocol/capture.hpp"
#include "protocol/register_request.hpp"
#include "tools/cli/register_look.hpp"

namespace tautgate::cli {

class RecordedAnswers {
  public:
    RecordedAnswers(const protocol::Capture& capture, protocol::ModbusWire wire);

    [[nodiscard]] bool over() const noexcept { return next_ == exchanges_.size(); }
    // Of what is asked next, since the capture began.
    [[nodiscard]] std::int64_t at_us() const { return over() ? 0 : exchanges_[next_].at_us; }
    // Before each look: of another profile the registers are those of the next round of questions.
    void begin_look();
    // Only reads are asked. What was not recorded is unanswered for now, and says what was.
    [[nodiscard]] std::expected<std::string, Unanswered> answer(const std::string& request);

  private:
    using Place = std::pair<protocol::RegisterTable, std::uint32_t>;
    [[nodiscard]] std::expected<std::string, Unanswered> answer_by_place(const std::string& request);
    // To the end of the round of questions that the recorded profile asked.
    void take_round();
    void take(const protocol::Exchange& exchange);
    // Acknowledgements that were tried then.
    void skip_writes();
    // "holding 100-108, input 7"
    [[nodiscard]] std::string held() const;

    std::vector<protocol::Exchange> exchanges_;
    protocol::ModbusWire wire_;
    std::size_t next_ = 0;
    bool by_place_ = false;
    std::map<Place, std::uint16_t> registers_;  // as they were last read
    std::vector<protocol::Exchange> refused_;   // in this round, by the tool
};

}  // namespace tautgate::cli
