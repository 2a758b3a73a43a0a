#include "service/links/controller_blocks.hpp"

#include <algorithm>
#include <iterator>
#include <limits>
#include <utility>

#include <fmt/format.h>

#include "service/interlock/gate.hpp"

namespace tautgate::links {

using protocol::Code;
using protocol::Feedback;
using protocol::FeedbackBlock;
using protocol::PlcFault;

namespace {

// Beats that are remembered: more than a controller can be behind without being stale, whatever the interval.
constexpr std::size_t beats_remembered = 256;

[[nodiscard]] bool is_out(Code code) noexcept { return code != Code::withheld; }

[[nodiscard]] std::optional<Code> code_of(Feedback acting) noexcept {
    switch (acting) {
    case Feedback::unknown: return std::nullopt;
    case Feedback::withheld: return Code::withheld;
    case Feedback::released: return Code::released;
    case Feedback::leaving_incomplete: return Code::leaving_incomplete;
    }
    return std::nullopt;
}

// What tries the wiring is out, but lets nothing move: its token is none of a stay.
[[nodiscard]] bool lets_move(Code code, std::uint32_t token) noexcept {
    return is_out(code) && protocol::token_kind(token) == protocol::TokenKind::stay;
}

// The controller takes none of our blocks; nothing: it does, as far as the fault tells.
[[nodiscard]] std::optional<std::string> link_fault(std::uint16_t fault) {
    switch (static_cast<PlcFault>(fault)) {
    case PlcFault::bad_block: return "the controller finds the permissive block not good (fault 1)";
    case PlcFault::beat_still: return "the controller sees no new beat (fault 2)";
    case PlcFault::beat_jumped: return "the controller saw the beat jump (fault 3)";
    case PlcFault::waiting_for_beat: return "the controller has accepted no block yet (fault 4)";
    case PlcFault::none:
    case PlcFault::no_token:
    case PlcFault::other_token:
    case PlcFault::moved_while_withheld:
    case PlcFault::equipment: return std::nullopt;
    }
    return std::nullopt;
}

// The equipment's own fault, or one that we do not know. A wrong movement is told by itself.
[[nodiscard]] bool equipment_fault(std::uint16_t fault) noexcept {
    return fault >= static_cast<std::uint16_t>(PlcFault::equipment);
}

[[nodiscard]] interlock::Presence presence_of(protocol::Presence presence) noexcept {
    switch (presence) {
    case protocol::Presence::unknown: return interlock::Presence::unknown;
    case protocol::Presence::absent: return interlock::Presence::absent;
    case protocol::Presence::present: return interlock::Presence::present;
    }
    return interlock::Presence::unknown;
}

[[nodiscard]] bool agree(const FeedbackBlock& one, const FeedbackBlock& other) noexcept {
    return one.presence == other.presence && one.arrivals == other.arrivals &&
           one.departures == other.departures && one.plc_starts == other.plc_starts;
}

// One that has not taken its token yet says none. Two different ones are no echo of any stay.
[[nodiscard]] domain::Token common_token(std::span<const FeedbackBlock> blocks) noexcept {
    domain::Token common;
    for (const FeedbackBlock& block : blocks) {
        if (block.token == 0 || block.token == common.value)
            continue;
        if (common.value != 0)
            return {};
        common.value = block.token;
    }
    return common;
}

}  // namespace

ControllerFrame controller_frame(const config::Station& station, const config::Bay& bay) {
    ControllerFrame frame{.bay = {bay.id}, .link = bay.controller, .points = {}};
    for (const auto& permissive : station.permissives)
        if (permissive.bay == bay.id)
            frame.points.push_back(
                {{permissive.id}, {station.number, bay.number, permissive.number}, permissive.one_shot});
    return frame;
}

// ---- out ------------------------------------------------------------------------------------------------

Outgoing::Outgoing(const ControllerFrame& frame, std::uint16_t first_beat)
    : frame_(frame), ordered_(frame.points.size()), once_durable_(frame.points.size()), beat_(first_beat),
      confirmed_(frame.points.size()), possible_(frame.points.size()) {
    advances_.fill(Instant::min());
}

void Outgoing::order(std::vector<PermissiveOrder> orders, std::uint16_t loop_beat, Instant now) {
    for (std::size_t i = 0; i < ordered_.size(); ++i) {
        const auto found =
            std::ranges::find(orders, frame_.points[i].address.permissive, &PermissiveOrder::permissive);
        ordered_[i] =
            found == orders.end() ? Shown{} : Shown{found->code, found->token, found->reason, found->moved};
        once_durable_[i] = found == orders.end() ? domain::EventNumber{} : found->once_durable;
    }
    if (loop_beat_ != loop_beat) {
        loop_beat_ = loop_beat;
        ordered_at_ = now;
        fresh_beat_ = true;
    }
    stale_orders_ = !trusted_;
}

void Outgoing::trust(bool echo_is_good) {
    if (echo_is_good && !trusted_)
        stale_orders_ = true;
    trusted_ = echo_is_good;
}

bool Outgoing::loop_is_silent(Instant now) const {
    return !loop_beat_ || now - ordered_at_ >= frame_.link.echo_timeout;
}

Outgoing::Row Outgoing::row(Instant now) const {
    Row row = ordered_;
    const bool all_held = ended_ || !trusted_ || stale_orders_ || loop_is_silent(now);
    for (std::size_t i = 0; i < row.size(); ++i) {
        Shown& shown = row[i];
        if (!all_held && !is_guarded(i) && interlock::may_go_out(once_durable_[i], durable_))
            continue;
        // What tries the wiring is no stay's: a unit that comes meanwhile must not take its token.
        if (is_out(shown.code) && !lets_move(shown.code, shown.token))
            shown.token = 0;
        shown.code = Code::withheld;
    }
    return row;
}

bool Outgoing::is_guarded(std::size_t point) const {
    return !guards_.empty() && !(guards_[point].open && guards_[point].moved == ordered_[point].moved);
}

// Something that is out is to be so no longer.
bool Outgoing::withholding(Instant now) const {
    const Row wanted = row(now);
    for (std::size_t i = 0; i < wanted.size(); ++i)
        if (is_out(shown_[i].code) &&
            (wanted[i].code != shown_[i].code || wanted[i].token != shown_[i].token))
            return true;
    return false;
}

Instant Outgoing::due(Instant now) const {
    if (shown_.empty() || withholding(now))
        return Instant::min();
    const auto interval = std::chrono::duration_cast<Instant::duration>(frame_.link.beat_interval);
    Instant next = (row(now) == shown_ ? shown_at_ : advances_.front()) + interval;
    // The moment in which a loop that stays silent loses what is out.
    if (std::ranges::any_of(shown_, [](const Shown& shown) { return is_out(shown.code); }))
        next = std::min(next, ordered_at_ + frame_.link.echo_timeout);
    return next;
}

std::vector<std::uint16_t> Outgoing::take(Instant now) {
    if (std::exchange(fresh_beat_, false)) {
        ++beat_;
        std::ranges::rotate(advances_, advances_.begin() + 1);
        advances_.back() = now;
    }
    shown_ = row(now);
    shown_at_ = now;
    remember(shown_, now);
    std::vector<std::uint16_t> words;
    words.reserve(shown_.size() * protocol::permissive_words);
    for (std::size_t i = 0; i < shown_.size(); ++i) {
        possible_[i] = possible_[i] || lets_move(shown_[i].code, shown_[i].token);
        std::ranges::copy(protocol::encode({.address = frame_.points[i].address,
                                            .token = shown_[i].token,
                                            .code = shown_[i].code,
                                            .reason = shown_[i].reason,
                                            .moved = shown_[i].moved,
                                            .beat = beat_}),
                          std::back_inserter(words));
    }
    return words;
}

void Outgoing::remember(const Row& row, Instant now) {
    if (beats_.empty() || beats_.back().beat != beat_) {
        beats_.push_back({beat_, now, {}});
        if (beats_.size() > beats_remembered)
            beats_.pop_front();
    }
    auto& rows = beats_.back().rows;
    // Only what may be acted on matters; under one beat that is the first row and, rarely, a few more.
    if (std::ranges::find(rows, row) == rows.end())
        rows.push_back(row);
}

void Outgoing::sent() {
    for (std::size_t i = 0; i < shown_.size(); ++i)
        confirmed_[i] = lets_move(shown_[i].code, shown_[i].token);
    possible_.assign(shown_.size(), false);
}

std::vector<domain::PermissiveId> Outgoing::released_on_wire() const {
    std::vector<domain::PermissiveId> released;
    for (std::size_t i = 0; i < frame_.points.size(); ++i)
        if (confirmed_[i] || possible_[i])
            released.push_back(frame_.points[i].id);
    return released;
}

std::vector<bool> Outgoing::maybe_on() const {
    std::vector<bool> maybe(frame_.points.size());
    for (std::size_t i = 0; i < maybe.size(); ++i)
        maybe[i] = confirmed_[i] || possible_[i];
    return maybe;
}

std::vector<bool> Outgoing::on() const {
    std::vector<bool> on(frame_.points.size());
    for (std::size_t i = 0; i < shown_.size(); ++i)
        on[i] = lets_move(shown_[i].code, shown_[i].token);
    return on;
}

std::optional<Instant> Outgoing::first_shown(std::uint16_t beat) const {
    const auto found = std::ranges::find(beats_, beat, &Beat::beat);
    return found == beats_.end() ? std::nullopt : std::optional(found->since);
}

bool Outgoing::may_act(std::size_t point, const FeedbackBlock& back) const {
    const auto code = code_of(back.acting);
    if (!code || !is_out(*code))
        return true;
    const auto found = std::ranges::find(beats_, back.beat, &Beat::beat);
    // A beat from before this run says nothing about what was given in it.
    if (found == beats_.end())
        return true;
    const bool one_shot = frame_.points[point].one_shot;
    return std::ranges::any_of(found->rows, [&](const Row& row) {
        const Shown& shown = row[point];
        return shown.code == *code && shown.token == back.token && (!one_shot || shown.moved == back.moved);
    });
}

// ---- in -------------------------------------------------------------------------------------------------

FeedbackSeen Incoming::take(std::span<const std::uint16_t> words, const Outgoing& outgoing) {
    FeedbackSeen seen;
    std::vector<FeedbackBlock> blocks;
    for (std::size_t i = 0; i < frame_.points.size(); ++i) {
        const auto& [id, address, one_shot] = frame_.points[i];
        const auto begin = std::min(i * protocol::feedback_words, words.size());
        const auto length = std::min(protocol::feedback_words, words.size() - begin);
        const auto block = protocol::decode_feedback(words.subspan(begin, length), address);
        if (!block) {
            seen.why_not = fmt::format("feedback for {}: {}", id.text, protocol::to_text(block.error()));
            return seen;
        }
        blocks.push_back(*block);
    }
    if (blocks.empty()) {
        seen.why_not = "the bay has no permissive, so that the controller has nothing to echo";
        return seen;
    }
    for (const FeedbackBlock& block : blocks)
        if (!agree(block, blocks.front())) {
            seen.why_not =
                fmt::format("the feedback blocks of {} and {} tell different counts or presence",
                            frame_.points.front().id.text,
                            frame_.points[static_cast<std::size_t>(&block - blocks.data())].id.text);
            return seen;
        }

    interlock::ControllerReported report{.bay = frame_.bay,
                                         .present = presence_of(blocks.front().presence),
                                         .arrivals = blocks.front().arrivals,
                                         .departures = blocks.front().departures,
                                         .starts = blocks.front().plc_starts,
                                         .moved = {},
                                         .echoed = common_token(blocks),
                                         .fault = false,
                                         .fresh = {},
                                         .on_wire_released = {},
                                         .moved_wrongly = {}};
    std::optional<Instant> alive_as_of = Instant::max();
    for (std::size_t i = 0; i < blocks.size(); ++i) {
        const FeedbackBlock& block = blocks[i];
        const std::string& id = frame_.points[i].id.text;
        report.moved.push_back({frame_.points[i].id, block.moved});
        report.fault = report.fault || equipment_fault(block.fault);
        const auto shown = outgoing.first_shown(block.beat);
        if (block.fault == static_cast<std::uint16_t>(PlcFault::moved_while_withheld))
            report.moved_wrongly.push_back(frame_.points[i].id);
        if (!outgoing.may_act(i, block)) {
            seen.acts_alone = true;
            seen.why_not =
                fmt::format("the controller acts on a release of {} that the station did not give{}", id,
                            frame_.points[i].one_shot
                                ? ", or that its movement has used up (is it set to one-shot there?)"
                                : "");
        } else if (const auto fault = link_fault(block.fault); fault && !seen.acts_alone) {
            seen.why_not = fmt::format("{}: {}", id, *fault);
        } else if (block.acting == Feedback::unknown && !seen.acts_alone) {
            seen.why_not = fmt::format("{}: the state code that comes back is none of ours", id);
        } else if (!shown && !seen.acts_alone) {
            seen.why_not = fmt::format("{}: beat {} that comes back was not sent lately", id, block.beat);
        }
        alive_as_of = shown && alive_as_of ? std::optional(std::min(*shown, *alive_as_of)) : std::nullopt;
    }
    if (seen.why_not.empty())
        seen.alive_as_of = alive_as_of;
    if (last_ != report) {
        last_ = report;
        seen.report = std::move(report);
    }
    return seen;
}

}  // namespace tautgate::links
