// Spoils one frame at a time, as it is told to: which of the eight errors, which way; how exactly is drawn.
// It sees every frame of a link before the other side does. One seed gives the same draws. One thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <functional>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "tests/link_errors/dialect.hpp"
#include "tests/link_errors/link_error.hpp"

namespace tautgate::link_errors {

// A frame on its way; it and everything behind it waits so long.
struct Parcel {
    Bytes bytes;
    std::chrono::milliseconds delay{0};
};

// What was done to a frame.
struct Injection {
    LinkError error = LinkError::loss;
    Way way = Way::asked;
    std::string how;
    Bytes before;
    std::vector<Parcel> after;
};
// For a person who has to find out what happened: "masquerade of an answer (sealed): 0001... became 0001..."
[[nodiscard]] std::string to_text(const Injection& injection);

struct Delays {
    std::chrono::milliseconds longest_short{3};  // one that no limit forbids
    std::chrono::milliseconds at_least{60};      // one that is beyond every limit of the link
    std::chrono::milliseconds at_most{90};
};

class Injector {
  public:
    using Seen = std::function<void(Way, const Bytes&)>;

    Injector(const Dialect& dialect, std::uint64_t seed, Delays delays)
        : dialect_(dialect), dice_(seed), delays_(delays) {}

    // What both sides really sent.
    void on_frame(Seen seen) { seen_ = std::move(seen); }
    // The next frame that way which can be spoilt so, is. Withdraws what was armed before.
    void arm(LinkError error, Way way);
    void disarm();
    // Nothing is armed, and nothing is kept back any more.
    [[nodiscard]] bool is_over() const noexcept { return !armed_ && !held_; }
    // Since the last arming; nothing: none could be spoilt yet.
    [[nodiscard]] const std::optional<Injection>& done() const noexcept { return done_; }
    // A sentence about what came of it, with what was done to the frame behind it.
    [[nodiscard]] std::string with_what_was_done(std::string sentence) const {
        return done_ ? std::move(sentence) + "; after " + to_text(*done_) : std::move(sentence);
    }
    // From now on nothing goes through either way.
    void cut(bool on) noexcept { cut_ = on; }

    // What goes on in place of the frame, in this order.
    [[nodiscard]] std::vector<Parcel> pass(Way way, const Bytes& frame);
    // The connection is a new one: what belonged to the old one does not come any more.
    void reconnected();

    [[nodiscard]] std::size_t frame_length(Way way, std::span<const std::uint8_t> bytes) const {
        return dialect_.frame_length(way, bytes);
    }

  private:
    struct Armed {
        LinkError error = LinkError::loss;
        Way way = Way::asked;
    };
    struct Spoilt {
        std::string how;
        std::vector<Parcel> parcels;
    };
    [[nodiscard]] std::optional<Spoilt> spoil(const Armed& armed, const Bytes& frame);
    [[nodiscard]] std::optional<Spoilt> corrupt(Way way, const Bytes& frame);
    [[nodiscard]] std::optional<Spoilt> repeat(Way way, const Bytes& frame);
    [[nodiscard]] std::optional<Spoilt> swap(Way way, const Bytes& frame);
    [[nodiscard]] std::optional<Spoilt> insert(Way way, const Bytes& frame);
    [[nodiscard]] Spoilt keep_waiting(const Bytes& frame);
    [[nodiscard]] std::optional<Bytes> earlier(Way way, const Bytes& like, std::size_t within);
    [[nodiscard]] std::deque<Bytes>& history(Way way) noexcept {
        return way == Way::asked ? asked_ : answered_;
    }
    void remember(Way way, const Bytes& frame);

    const Dialect& dialect_;
    Dice dice_;
    Delays delays_;
    Seen seen_;
    std::optional<Armed> armed_;
    std::optional<Injection> done_;
    std::optional<Armed>
        held_;  // after a wrong sequence: the frame kept back takes the place of the next one
    Bytes held_frame_;
    std::deque<Bytes> asked_;  // newest last
    std::deque<Bytes> answered_;
    std::size_t unanswered_ = 0;
    std::optional<std::size_t> swallow_after_;  // answers to come before the one to a request of ours
    bool cut_ = false;
};

}  // namespace tautgate::link_errors
