// What the inputs of an I/O module say, for whoever wires them: each as it stands, and each change with what
// the service would make of it, a pulse with its length. Reads only; the service is not asked. ModuleLooker
// is pure; look_at_module blocks. One thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "config/io_gauges.hpp"
#include "tools/cli/look.hpp"

namespace tautgate::cli {

// One thing that one input says.
struct InputSaid {
    std::string input;   // its id
    std::string what;    // "reads on", "a pulse of 12.0 ms, too short; ..."
    bool counts = true;  // false: the service would make nothing of it, or tell it as wrong
    bool operator==(const InputSaid&) const = default;
};

class ModuleLooker {
  public:
    explicit ModuleLooker(const config::IoModule& module);

    // What is to be read for one look.
    [[nodiscard]] const std::vector<protocol::BlockRange>& reads() const noexcept { return blocks_; }
    // `words`: what was read, in a row. What is news since the look before; of the first everything.
    [[nodiscard]] std::vector<InputSaid> look(protocol::PulseTime at, std::span<const std::uint16_t> words);
    // Nobody can look: the next look is a first one.
    [[nodiscard]] std::vector<InputSaid> lost();

  private:
    struct Watched {
        config::IoInput input;
        config::InputGauge gauge;
        std::optional<std::uint16_t> shown;  // the level or number as it was told last
    };
    [[nodiscard]] std::uint16_t word_of(const config::IoInput& input,
                                        std::span<const std::uint16_t> words) const;
    static void look(Watched& watched, protocol::PulseTime at, std::uint16_t word,
                     std::vector<InputSaid>& said);

    std::vector<protocol::BlockRange> blocks_;
    std::vector<Watched> inputs_;
};

// Exit::no where the last look had no answer. `order.tool` is the module's id.
[[nodiscard]] Asked<Exit> look_at_module(const Desk& desk, const LookOrder& order,
                                         const config::IoModule& module);

}  // namespace tautgate::cli
