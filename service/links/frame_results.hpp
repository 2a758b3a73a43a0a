// What the frames of one tool mean for the record: what is told to the interlock of each, when a result can
// have been made, which of them wait to be acknowledged, and by which number the tool knows them. It judges
// nothing: that a result is a repetition, missing, or another under its number is for the interlock to find.
//
// A tool that names another place of its count all the time does not fill the record: while the interlock
// waits for results that it named, three more such words are told at once within a second, and of what
// follows those that decide; how many were passed over is told, too.
//
// In doubt a result is older than it looks, and a count that cannot be followed begins anew. The tool's own
// stamp has no say in when a result was made.
//
// Pure: the caller brings the time. Belongs to one tool and one thread.
#pragma once

#include <cstdint>
#include <deque>
#include <map>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/frame_count.hpp"
#include "protocol/frame_decode.hpp"
#include "service/interlock/decide.hpp"
#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"
#include "service/links/tool_link.hpp"
#include "service/links/tool_talk.hpp"
#include "service/links/trace_sink.hpp"

namespace tautgate::links {

class FrameResults {
  public:
    struct Step {
        std::vector<interlock::Payload> tell;  // in this order
        std::optional<ArrivedTrace> trace;
        std::optional<RunSeen> seen;             // what the tool says of whether it may run
        std::vector<std::uint64_t> acknowledge;  // by the numbers that the tool gave
        std::uint64_t passed_over = 0;           // words on where its count stands that are not told
    };

    // `profile` is without faults and outlives this; of `tool` the times matter. `boot` is the boot's id,
    // `seed` chooses the names of counts that begin here: never the same one twice.
    FrameResults(const protocol::FrameProfile& profile, const config::Tool& tool,
                 std::optional<KnownOfTool> known, std::string boot, std::uint64_t seed);

    // A connection begins: where the tool's count stands is not known until it says so.
    void connected(SteadyTime now);
    [[nodiscard]] Step take(const protocol::FrameHeard& heard, SteadyTime now);
    // Something came that may have been a result. Of a tool that counts the next number will tell.
    [[nodiscard]] Step not_understood(SteadyTime now);
    // Call it often.
    [[nodiscard]] Step look(SteadyTime now);
    // What is held back; the connection ended.
    [[nodiscard]] Step rest(SteadyTime now);
    // What is taken from now on may have come at any time since then, and was only read late; nothing: it has
    // just come.
    void read_late(std::optional<SteadyTime> since) noexcept { late_since_ = since; }

    // Those that the tool is to be told of now.
    [[nodiscard]] std::vector<std::uint64_t> stored(const interlock::Acknowledge& stored, SteadyTime now);
    // Results of this connection that the tool waits to be told of.
    [[nodiscard]] std::size_t unconfirmed() const noexcept { return waiting_.size(); }
    // Whether the tool said on this connection where its count stands, if it ever says so.
    [[nodiscard]] bool stands() const noexcept { return !tells_newest_ || answered_.has_value(); }

  private:
    struct Place {
        std::string epoch;
        std::uint64_t counter = 0;
        bool operator==(const Place&) const = default;
    };
    // A number that the tool named as its newest before the result came, and since when.
    struct Raised {
        std::uint64_t newest = 0;
        SteadyTime at;
    };

    void take(Step& step, const protocol::FrameResult& result, SteadyTime now);
    void take(Step& step, const protocol::FrameStatus& status, SteadyTime now);
    void take(Step& step, const protocol::FrameTrace& trace);
    void take_newest(Step& step, const Place& place, SteadyTime now);
    void raise(const Place& place, SteadyTime now);
    void answer(Step& step, const Place& place, SteadyTime now);
    void tell_place(Step& step, const Place& place, SteadyTime now);
    void hold_back(const Place& place);
    void tell_held(Step& step, SteadyTime now);
    [[nodiscard]] std::optional<Place> said() const;
    [[nodiscard]] Place place_of(const protocol::FrameResult& result, std::uint64_t digest);
    [[nodiscard]] Place place_by_mark(const protocol::FrameResult& result, std::uint64_t digest);
    [[nodiscard]] bool continues(const Place& place) const;
    [[nodiscard]] std::uint64_t newest_named() const;
    [[nodiscard]] bool lacks_nothing(SteadyTime now) const;
    void catch_up(SteadyTime now);
    [[nodiscard]] std::int64_t unheard_from_ns() const;
    [[nodiscard]] SteadyTime came_at(SteadyTime now) const { return late_since_.value_or(now); }
    void follow(const Place& place, const std::string& mark);
    void begin_anew();
    void await_confirmation(const Place& place, std::uint64_t raw);
    [[nodiscard]] domain::Interval made_of(const Place& place, SteadyTime now) const;
    [[nodiscard]] std::optional<SteadyTime> live_since(const Place& place, SteadyTime now) const;
    [[nodiscard]] std::int64_t delay_ns() const;
    [[nodiscard]] std::string epoch_named(const std::string& epoch) const;

    const protocol::FrameProfile& profile_;
    const protocol::FrameCounter* counter_;  // null: the tool does not count
    const bool tells_newest_;
    const domain::ToolId tool_;
    const std::chrono::milliseconds longest_delay_;
    const std::chrono::milliseconds settling_;
    const std::chrono::milliseconds sends_within_;  // what it kept, of a tool without a newest number
    const std::string boot_;
    std::mt19937_64 epochs_;
    protocol::FrameCount count_;
    std::optional<std::uint64_t> newest_digest_;
    std::optional<Place> told_;  // where the interlock was last told that the count stands
    SteadyTime told_from_{};     // since then so many words were told:
    unsigned told_since_ = 0;
    std::vector<Place> held_;  // to be told when it is time to
    std::uint64_t passed_over_ = 0;
    std::optional<Place> have_;  // the newest result that came, or that was there when we first heard
    std::optional<SteadyTime> caught_up_;  // when the tool last said something and we lacked nothing
    std::optional<SteadyTime> late_since_;
    std::optional<interlock::Acknowledge> stored_;
    // Of this connection:
    SteadyTime since_{};
    SteadyTime free_since_{};        // it was told of what it waited for, or had nothing to wait for
    std::int64_t offline_from_ns_;   // what was made while we did not hear the tool was made after this
    std::optional<Place> answered_;  // by the first word on its newest, or the first of a new count
    std::deque<Raised> raised_;
    bool placed_ = false;  // of a tool that does not count: its results since then are followed
    bool any_result_ = false;
    std::string waiting_epoch_;
    std::map<std::uint64_t, std::uint64_t> waiting_;  // the tool's own number, by the unrolled one
};

}  // namespace tautgate::links
