// How the frames of one kind of link are told apart and spoilt. The injector knows the eight errors, a
// dialect what they are made of on its wire; another kind of link is one more of these. Pure; one thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <random>
#include <span>
#include <vector>

namespace tautgate::link_errors {

using Bytes = std::vector<std::uint8_t>;

// From the side that calls (on a serial line: the master), or back to it.
enum class Way : std::uint8_t { asked, answered };

// The same draws for the same seed on every machine: the standard library's distributions leave theirs open.
class Dice {
  public:
    explicit Dice(std::uint64_t seed) : engine_(seed) {}
    // 0 to `end` - 1; `end` is not 0.
    [[nodiscard]] std::uint64_t below(std::uint64_t end) { return engine_() % end; }
    [[nodiscard]] bool one_in(std::uint64_t count) { return below(count) == 0; }

  private:
    std::mt19937_64 engine_;
};

class Dialect {
  public:
    Dialect() = default;
    virtual ~Dialect() = default;
    Dialect(const Dialect&) = delete;
    Dialect& operator=(const Dialect&) = delete;
    Dialect(Dialect&&) = delete;
    Dialect& operator=(Dialect&&) = delete;

    // Of the frame with which the bytes begin, its end included; 0: it is not whole yet.
    [[nodiscard]] virtual std::size_t frame_length(Way way, std::span<const std::uint8_t> bytes) const = 0;
    // Whether this frame is one to be spoilt. All others go through as they came.
    [[nodiscard]] virtual bool is_target(Way way, const Bytes& frame) const = 0;
    // Whether frames bear a check of the transport's own that the code under test looks at.
    [[nodiscard]] virtual bool has_check() const = 0;
    // Makes that check right again, so that whoever is above it is what is tested.
    virtual void seal(Bytes& frame) const = 0;
    // Whether more than the transport's check is claimed to guard this frame; otherwise it is not changed and
    // sealed, nor given another one's content.
    [[nodiscard]] virtual bool is_guarded(Way way, const Bytes& frame) const = 0;
    // Whether the spoilt frame would make the other side do what none of ours asks for; that is left out,
    // since what a device lets others write is its own affair.
    [[nodiscard]] virtual bool is_foreign_order(Way way, const Bytes& spoilt) const = 0;
    // Whether the one could stand where the other does.
    [[nodiscard]] virtual bool is_like(const Bytes& one, const Bytes& other) const = 0;
    // The content of another frame under what ties `present` to its exchange.
    [[nodiscard]] virtual Bytes in_place_of(const Bytes& content, const Bytes& present) const = 0;
    // As somebody else would have sent it, and as if it were meant for somebody else. Nothing: it cannot be
    // done to this frame.
    [[nodiscard]] virtual std::optional<Bytes> masquerade(Way way, const Bytes& frame, Dice& dice) const = 0;
    [[nodiscard]] virtual std::optional<Bytes> misaddress(Way way, const Bytes& frame, Dice& dice) const = 0;
};

}  // namespace tautgate::link_errors
