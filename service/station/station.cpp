#include "service/station/station.hpp"

#include <algorithm>
#include <filesystem>
#include <utility>

#include <boost/asio/post.hpp>
#include <fmt/format.h>
#include <sodium.h>
#include <spdlog/spdlog.h>

#include "service/interlock/canonical.hpp"
#include "service/interlock/check_passes.hpp"
#include "service/interlock/gate.hpp"
#include "service/interlock/lookup.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/interlock/signals.hpp"
#include "service/journal/person_marks.hpp"
#include "service/station/service_manager.hpp"
#include "service/web/enum_names.hpp"

namespace tautgate::station {
namespace {

using interlock::EventNumber;
using interlock::Overloaded;
using interlock::Payload;

constexpr std::chrono::milliseconds beat_without_rules{100};
constexpr std::chrono::seconds house_interval{1};
constexpr std::chrono::minutes head_interval{15};
constexpr std::chrono::hours file_check_interval{24};
constexpr std::uint32_t unclean_ends_allowed = 3;

// A token for a stay: never zero, all ones or one of those kept for challenges.
interlock::Token draw_token() {
    for (;;) {
        const std::uint32_t value = randombytes_random();
        if (protocol::token_kind(value) == protocol::TokenKind::stay)
            return {value};
    }
}

// One on which no controller moves.
interlock::Token draw_reserved_token() {
    for (;;) {
        const std::uint32_t value = randombytes_random() | 0xFF000000U;
        if (protocol::token_kind(value) == protocol::TokenKind::challenge)
            return {value};
    }
}

std::vector<interlock::FreshToken> draw_tokens(const config::Station& station) {
    std::vector<interlock::FreshToken> tokens;
    tokens.reserve(station.bays.size());
    for (const config::Bay& bay : station.bays)
        tokens.push_back({interlock::BayId{bay.id}, draw_token()});
    return tokens;
}

protocol::Code code_of(interlock::OnWire code) {
    switch (code) {
    case interlock::OnWire::withheld: return protocol::Code::withheld;
    case interlock::OnWire::released: return protocol::Code::released;
    case interlock::OnWire::leaving_incomplete: return protocol::Code::leaving_incomplete;
    }
    return protocol::Code::withheld;
}

std::optional<interlock::BayId> bay_named_in(const Payload& payload) {
    return std::visit(
        [](const auto& what) -> std::optional<interlock::BayId> {
            if constexpr (requires { std::optional<interlock::BayId>{what.bay}; })
                return std::optional<interlock::BayId>{what.bay};
            else
                return std::nullopt;
        },
        payload);
}

// Whom the event enrols.
interlock::Person* person_in(Payload& payload) {
    if (auto* enrolled = std::get_if<interlock::PersonEnrolled>(&payload))
        return &enrolled->person;
    auto* replaced = std::get_if<interlock::AdministratorReplaced>(&payload);
    return replaced != nullptr ? &replaced->person : nullptr;
}

// Permissives that are decided to be out.
std::vector<interlock::PermissiveId> out_in(const interlock::State& state) {
    std::vector<interlock::PermissiveId> out;
    for (const interlock::BayState& bay : state.bays) {
        for (const interlock::PermissiveState& permissive : bay.permissives) {
            if (!std::holds_alternative<interlock::Withheld>(permissive.output))
                out.push_back(permissive.id);
        }
    }
    return out;
}

bool touches(const interlock::Record& record, const std::vector<interlock::PermissiveId>& out) {
    return std::ranges::any_of(record.changes, [&](const interlock::PermissiveChange& change) {
        return std::ranges::find(out, change.permissive) != out.end();
    });
}

bool ends_wiring_test(const interlock::Record& record) {
    return std::ranges::any_of(record.effects, [](const interlock::Effect& effect) {
        return std::holds_alternative<interlock::WiringTestOver>(effect);
    });
}

// A person has decided something, and it came to pass.
bool anchors(const journal::StoredEvent& stored) {
    const bool decides = std::holds_alternative<interlock::Proposed>(stored.event.payload) ||
                         std::holds_alternative<interlock::Seconded>(stored.event.payload) ||
                         std::holds_alternative<interlock::AdministratorReplaced>(stored.event.payload);
    return decides && !std::holds_alternative<interlock::Refused>(stored.record.outcome) &&
           !std::holds_alternative<interlock::AwaitsSecond>(stored.record.outcome);
}

bool releases(const interlock::Record& record) {
    return std::ranges::any_of(record.changes, [](const interlock::PermissiveChange& change) {
        return !std::holds_alternative<interlock::Withheld>(change.now);
    });
}

// The event that the last run died of, as a record that is not decided.
interlock::EventSetAside set_aside(const journal::InHand& found, const config::Station* rules) {
    interlock::EventSetAside aside;
    aside.raw = found.raw;
    aside.why = "the service ended while it decided this";
    if (!found.event)
        return aside;
    aside.bay = bay_named_in(found.event->payload);
    const auto* result = std::get_if<interlock::ResultReceived>(&found.event->payload);
    if (result == nullptr)
        return aside;
    aside.tool = result->tool;
    aside.epoch = result->epoch;
    aside.counter = result->reading.counter;
    aside.digest = result->digest;
    const config::Tool* tool = rules != nullptr ? interlock::tool_in(*rules, result->tool) : nullptr;
    if (tool != nullptr)
        aside.bay = interlock::BayId{tool->bay};
    return aside;
}

}  // namespace

Station::Station(boost::asio::io_context& loop, Parts parts)
    : loop_(loop), parts_(std::move(parts)), state_(parts_.recovered.state), rules_(parts_.recovered.rules),
      durable_(parts_.recovered.head.number), watch_(state_), beat_timer_(loop), house_timer_(loop),
      file_checker_(parts_.journal, parts_.vfs, [this](const FileCheck& check) {
          boost::asio::post(loop_, [this, check] { file_checked(check); });
      }) {
    if (parts_.staged.revision && parts_.staged.station)
        rules_.emplace(*parts_.staged.revision, parts_.staged.station);
    for (const interlock::ToolState& tool : state_.tools) {
        if (const auto* following = std::get_if<interlock::Following>(&tool.count))
            stored_[tool.id] = {tool.id, following->epoch, following->counter};
    }
    if (!parts_.writer) {
        raise({"journal_not_writable", "the journal cannot be written",
               "make the disk writable, then start again", true});
    }
}

Station::~Station() {
    file_checker_.stop();
    lookups_.stop();
    lookups_.join();
}

// ---- events in ----------------------------------------------------------------------------------------

void Station::begin() {
    began_ns_ = parts_.clock.stamp().monotonic_ns;
    const config::Station* in_force = interlock::rules_of(rules_, state_.rules);
    if (parts_.hand && parts_.hand->unclean_ends_lately() >= unclean_ends_allowed) {
        sources_allowed_ = false;
        raise({"ended_unclean_repeatedly", "the service died three times within ten minutes",
               "read its log, then stop and start it in order", true});
    }
    interlock::StationStarted started{parts_.program_version, parts_.recovered.clean_end, {}};
    if (in_force != nullptr)
        started.tokens = draw_tokens(*in_force);
    take(started, {}, {});
    if (parts_.hand && parts_.hand->found()) {
        const auto& found = *parts_.hand->found();
        const bool stored = found.event && found.event->number <= parts_.recovered.head.number;
        if (!stored)
            take(set_aside(found, in_force), {}, {});
    }
    if (parts_.recovered.differs_at)
        take(interlock::DecisionDiffered{*parts_.recovered.differs_at, parts_.program_version}, {}, {});
    rewire();
    arm_beat();
    keep_house();
}

void Station::stand_by() {
    arm_beat();
    keep_house();
}

// Names in events refer to the rules in force; before there are any, the equipment is only held.
void Station::from_links(Payload payload) {
    if (stopping_ || failed_ || !state_.rules)
        return;
    if (auto* scanned = std::get_if<interlock::TicketScanned>(&payload)) {
        look_up_ticket({scanned->bay, scanned->serial, scanned->order},
                       [this, event = *scanned](const Looked& known) mutable {
                           if (!known)
                               return take(interlock::InputRefused{"scanner", event.raw,
                                                                   sentence_for_scan(known.error()), 1},
                                           {}, {});
                           event.earlier_stays = known->stays;
                           event.joined = known->joined;
                           event.closed_order = known->order;
                           take(std::move(event), {}, {});
                       });
        return;
    }
    if (const auto* misread = std::get_if<interlock::LabelMisread>(&payload)) {
        // A badge at the bay's scanner signs its person on. What stands on it is not recorded.
        if (const auto person = badges_ ? badges_(misread->raw) : std::nullopt)
            payload = interlock::OperatorSignedOn{misread->bay, *person};
    }
    if (auto* reported = std::get_if<interlock::ControllerReported>(&payload)) {
        reported->fresh = draw_token();
        // A link that counts by itself has said what was released as the movement was made.
        auto released = parts_.wiring ? parts_.wiring->released_on_wire(reported->bay)
                                      : std::vector<interlock::PermissiveId>{};
        std::erase_if(released, [&](const interlock::PermissiveId& id) {
            return std::ranges::find(reported->on_wire_released, id) != reported->on_wire_released.end();
        });
        std::ranges::move(released, std::back_inserter(reported->on_wire_released));
    }
    take(std::move(payload), {}, {});
}

// The tool may drop it once it is durable.
void Station::trace_from_links(links::ArrivedTrace trace) {
    if (stopping_ || failed_ || !state_.rules)
        return;
    const auto stored = [this, event = trace.event](const auto& recorded) {
        if (!recorded)
            return;
        spdlog::info("event={} trace of result {} of tool {} in epoch {}: samples={}", recorded->event.value,
                     event.counter, event.tool.text, event.epoch, event.samples);
        if (parts_.wiring)
            parts_.wiring->trace_stored(event);
    };
    trace.event.read = read_curve(rules_, state_, trace.event.tool, trace.samples.bytes);
    take(std::move(trace.event), {std::move(trace.samples)}, stored);
}

// What a ticket is scanned for: a stay (or the one that begins with it), and a doubt about it. Both must be
// the same when the scan is decided.
std::pair<interlock::Token, interlock::Doubt> Station::place_of(const interlock::BayId& id) const {
    const interlock::BayState* bay = interlock::bay_of(state_, id);
    const auto* stay = bay != nullptr ? std::get_if<interlock::Stay>(&bay->occupant) : nullptr;
    if (stay != nullptr)
        return {stay->token, stay->doubt};
    return {bay != nullptr ? bay->offered : interlock::Token{}, interlock::Doubt::none};
}

std::string Station::sentence_for_scan(NotLookedUp why) {
    return why == NotLookedUp::no_answer ? "the journal could not be asked about it"
                                         : "the unit at the bay changed while it was looked up; scan again";
}

web::NotRecorded Station::not_recorded(NotLookedUp why) {
    if (why == NotLookedUp::no_answer)
        return {"the journal could not be asked about the serial number", "try again"};
    return {"the unit at the bay changed while the serial number was looked up", "look again, then repeat"};
}

void Station::look_up_ticket(const TicketAsked& ticket, std::function<void(const Looked&)> found) {
    auto ask = [this, path = parts_.journal, vfs = parts_.vfs, ticket, at = place_of(ticket.bay),
                found = std::move(found)] {
        Looked answer = std::unexpected(NotLookedUp::no_answer);
        if (auto reader = journal::Reader::open(path, vfs)) {
            auto stays = (*reader)->earlier_stays(ticket.serial);
            auto joined = (*reader)->joined(ticket.serial);
            auto order = (*reader)->closed_order(ticket.order);
            if (stays && joined && order)
                answer = KnownBefore{*stays, std::move(*joined), std::move(*order)};
        }
        boost::asio::post(loop_, [this, ticket, at, found, answer = std::move(answer)] {
            if (stopping_ || failed_)
                return;
            const bool in_time = !answer || at == place_of(ticket.bay);
            found(in_time ? answer : std::unexpected(NotLookedUp::unit_changed));
        });
    };
    boost::asio::post(lookups_, std::move(ask));
}

void Station::look_up_orders(const std::vector<protocol::OrderEntry>& orders,
                             std::function<void(const LookedOrders&)> found) {
    std::vector<std::string> numbers;
    numbers.reserve(orders.size());
    for (const protocol::OrderEntry& entry : orders)
        numbers.push_back(entry.order);
    auto ask = [this, path = parts_.journal, vfs = parts_.vfs, numbers = std::move(numbers),
                found = std::move(found)] {
        LookedOrders answer = std::unexpected(NotLookedUp::no_answer);
        if (auto reader = journal::Reader::open(path, vfs)) {
            if (auto closed = (*reader)->closed_orders(numbers))
                answer = std::move(*closed);
        }
        boost::asio::post(loop_, [this, found, answer = std::move(answer)] {
            if (!stopping_ && !failed_)
                found(answer);
        });
    };
    boost::asio::post(lookups_, std::move(ask));
}

void Station::submit_orders(interlock::OrdersReceived received, web::RecordedCallback done) {
    const std::vector<protocol::OrderEntry> asked = received.orders;
    look_up_orders(asked, [this, received = std::move(received),
                           done = std::move(done)](const LookedOrders& closed) mutable {
        if (!closed) {
            done(std::unexpected(
                web::NotRecorded{"the journal could not be asked about the orders", "try again"}));
            return;
        }
        received.closed = *closed;
        take(std::move(received), {}, std::move(done));
    });
}

void Station::submit_hold(interlock::Proposed proposed, web::RecordedCallback done) {
    auto ask = [this, path = parts_.journal, vfs = parts_.vfs, proposed = std::move(proposed),
                done = std::move(done)]() mutable {
        auto& hold = std::get<interlock::PlaceHoldOn>(proposed.action);
        bool known = false;
        if (auto reader = journal::Reader::open(path, vfs)) {
            if (auto units = (*reader)->units_touched(hold.source, *hold.since_utc_us)) {
                hold.units = std::move(*units);
                known = true;
            }
        }
        boost::asio::post(
            loop_, [this, proposed = std::move(proposed), done = std::move(done), known]() mutable {
                if (stopping_ || failed_)
                    return;
                if (!known)
                    return done(std::unexpected(web::NotRecorded{
                        "the journal could not be asked which units it has touched", "try again"}));
                after_lookup(std::move(proposed), std::nullopt, std::move(done));
            });
    };
    boost::asio::post(lookups_, std::move(ask));
}

void Station::submit(Payload payload, std::optional<people::PersonRecord> person,
                     web::RecordedCallback done) {
    if (stopping_ || failed_ || !parts_.writer) {
        done(std::unexpected(web::NotRecorded{"the service cannot record anything now", "see its health"}));
        return;
    }
    if (auto* orders = std::get_if<interlock::OrdersReceived>(&payload))
        return submit_orders(std::move(*orders), std::move(done));
    std::optional<TicketAsked> asked;
    if (const auto* scanned = std::get_if<interlock::TicketScanned>(&payload))
        asked = TicketAsked{scanned->bay, scanned->serial, scanned->order};
    if (const auto* proposed = std::get_if<interlock::Proposed>(&payload)) {
        const auto* hold = std::get_if<interlock::PlaceHoldOn>(&proposed->action);
        if (hold != nullptr && hold->since_utc_us)
            return submit_hold(*proposed, std::move(done));
        if (const auto* corrected = std::get_if<interlock::CorrectTicket>(&proposed->action))
            asked = TicketAsked{proposed->bay, corrected->serial, corrected->order};
    }
    if (!asked) {
        after_lookup(std::move(payload), std::move(person), std::move(done));
        return;
    }
    look_up_ticket(*asked, [this, payload = std::move(payload), person = std::move(person),
                            done = std::move(done)](const Looked& known) mutable {
        if (!known) {
            done(std::unexpected(not_recorded(known.error())));
            return;
        }
        const auto fill = [&](auto& ticket) {
            ticket.earlier_stays = known->stays;
            ticket.joined = known->joined;
            ticket.closed_order = known->order;
        };
        if (auto* scanned = std::get_if<interlock::TicketScanned>(&payload))
            fill(*scanned);
        if (auto* proposed = std::get_if<interlock::Proposed>(&payload))
            fill(std::get<interlock::CorrectTicket>(proposed->action));
        after_lookup(std::move(payload), std::move(person), std::move(done));
    });
}

void Station::after_lookup(Payload payload, std::optional<people::PersonRecord> person,
                           web::RecordedCallback done) {
    std::vector<journal::Attachment> attachments;
    fill_in(payload, attachments);
    if (person)
        attach(*person, payload, attachments);
    take(std::move(payload), std::move(attachments), std::move(done));
}

// The name and the secret go beside the record, their marks into it.
void Station::attach(const people::PersonRecord& person, Payload& payload,
                     std::vector<journal::Attachment>& attachments) {
    const journal::PersonName name{person.number, person.name, person.badge, journal::draw_salt()};
    const journal::Credential credential{person.number, person.credential};
    if (auto* enrolled = person_in(payload)) {
        if (!name.name.empty())
            enrolled->name_mark = mark_of(name);
        if (!credential.argon2id.empty())
            enrolled->secret_mark = mark_of(credential);
    }
    if (auto* renewed = std::get_if<interlock::SecretRenewed>(&payload))
        renewed->secret_mark = mark_of(credential);
    // One that was taken out, or is not believed, stays as it is until it is given anew.
    if (!name.name.empty())
        attachments.emplace_back(name);
    if (!credential.argon2id.empty())
        attachments.emplace_back(credential);
}

void Station::fill_in(Payload& payload, std::vector<journal::Attachment>& attachments) {
    if (auto* approved = std::get_if<interlock::RulesApproved>(&payload)) {
        if (approved->revision == parts_.staged.revision && parts_.staged.station) {
            approved->tokens = draw_tokens(*parts_.staged.station);
            attachments.emplace_back(
                journal::Document{approved->revision.digest, "config", parts_.staged.text});
        }
    }
    if (const auto* erased = std::get_if<interlock::NameErased>(&payload))
        attachments.emplace_back(journal::ErasedName{erased->person});
    if (auto* began = std::get_if<interlock::WiringTestBegan>(&payload))
        began->token = draw_reserved_token();
    if (auto* proposed = std::get_if<interlock::Proposed>(&payload)) {
        if (auto* left = std::get_if<interlock::UnitHasLeft>(&proposed->action))
            left->fresh = draw_token();
    }
}

// ---- decide and record --------------------------------------------------------------------------------

std::optional<interlock::Decision> Station::decided(const interlock::Event& event) {
    try {
        auto decision = interlock::decide(rules_, std::move(state_), event);
        std::string broken = interlock::broken_invariant(rules_, decision.state);
        if (broken.empty())
            return decision;
        fail(ExitCode::core_failed, "a decision broke a promise: " + broken);
    } catch (const std::exception& error) {
        // The state is gone with it; nothing can be decided any more. The next start replays the journal.
        fail(ExitCode::core_failed, std::string("the decision core failed: ") + error.what());
    }
    return std::nullopt;
}

void Station::take(Payload payload, std::vector<journal::Attachment> attachments,
                   web::RecordedCallback done) {
    if (failed_ || !parts_.writer) {
        if (done)
            done(std::unexpected(
                web::NotRecorded{"the journal cannot be written", "see the station's health"}));
        return;
    }
    interlock::Event event{EventNumber{state_.newest.value + 1}, parts_.clock.stamp(), std::move(payload)};
    if (parts_.hand)
        parts_.hand->note(event);
    const auto out_before = out_in(state_);
    auto decision = decided(event);
    if (!decision)
        return;  // the note stays: the next start sets this event aside
    if (std::holds_alternative<interlock::Refused>(decision->record.outcome))
        attachments.clear();
    auto entry = journal::entry_of(watch_, std::move(event), decision->state, std::move(decision->record),
                                   parts_.program_version, std::move(attachments));
    const interlock::Record& record = entry.stored.record;
    state_ = std::move(decision->state);
    // Withholding never waits. A release does, at the link until it is durable: the disk is asked first.
    const bool withholds = touches(record, out_before) || ends_wiring_test(record);
    const bool to_release = !withholds && releases(record);
    if (withholds)
        publish();
    waiting_.push_back({state_.newest, record.outcome, {}, anchors(entry.stored), std::move(done)});
    follow_effects(record, waiting_.back());
    waiting_.back().said = for_the_log(record);
    // Decided: from here on its death is no fault of this event. Cleared before the journal's thread has it,
    // so that a death in the commit leaves an event that never was, and not one that is set aside.
    if (parts_.hand)
        parts_.hand->clear();
    parts_.writer->append(std::move(entry));
    if (to_release)
        publish();
}

// One line when a permissive is released or withheld, or when the worst reason for holding it is another one:
// the journal keeps every change.
std::vector<Station::ForTheLog> Station::for_the_log(const interlock::Record& record) {
    std::vector<ForTheLog> news;
    for (const interlock::PermissiveChange& change : record.changes) {
        const interlock::BayState* bay = interlock::bay_of(std::as_const(state_), change.bay);
        if (bay == nullptr)
            continue;
        const auto now =
            std::ranges::find(bay->permissives, change.permissive, &interlock::PermissiveState::id);
        if (now == bay->permissives.end())
            continue;
        const auto word = std::pair{now->output.index(),
                                    now->reasons.empty() ? 0U : static_cast<unsigned>(now->reasons[0].code)};
        const auto [said, first] = said_.try_emplace({change.bay, change.permissive}, word);
        if (!first && said->second == word)
            continue;
        said->second = word;
        news.push_back({change.bay, {now->id, now->output, {}}});
        if (!now->reasons.empty())
            news.back().now.reasons.push_back(now->reasons.front());
    }
    return news;
}

void Station::log(const Waiting& decided) {
    for (const auto& [bay, now] : decided.said) {
        const std::string output = std::visit(
            Overloaded{[&](const interlock::Withheld&) {
                           const auto& worst = now.reasons.front();
                           return fmt::format("withheld reason={} \"{}\"", static_cast<unsigned>(worst.code),
                                              interlock::sentence(worst));
                       },
                       [](const interlock::Released&) { return std::string("released"); },
                       [](const interlock::LeavingIncomplete&) { return std::string("leaving-incomplete"); }},
            now.output);
        spdlog::info("event={} bay={} permissive={} decided={}", decided.event.value, bay.text, now.id.text,
                     output);
    }
}

void Station::follow_effects(const interlock::Record& record, Waiting& waiting) {
    for (const interlock::Effect& effect : record.effects) {
        std::visit(
            Overloaded{[&](const interlock::Acknowledge& stored) { waiting.acknowledge.push_back(stored); },
                       [&](const interlock::Alarm& alarm) {
                           spdlog::warn("alarm {} bay={} unit={} \"{}\"", web::enum_name(alarm.code),
                                        alarm.bay.text, alarm.unit.text, alarm.detail);
                       },
                       [&](const interlock::WiringTestOver& over) {
                           spdlog::info("wiring-test bay={} over {}", over.bay.text,
                                        web::enum_name(over.why));
                       },
                       [&](const interlock::TakeSnapshot&) {
                           if (!std::exchange(snapshot_due_, true) && !stopping_)
                               boost::asio::post(loop_, [this] { take_snapshot(); });
                       }},
            effect);
    }
}

void Station::take_snapshot() {
    if (!std::exchange(snapshot_due_, false) || failed_ || stopping_)
        return;
    take(interlock::SnapshotTaken{interlock::canonical_bytes(state_)}, {}, {});
}

void Station::on_durable(EventNumber up_to) {
    if (failed_ || up_to <= durable_)
        return;
    durable_ = up_to;
    publish();
    while (!waiting_.empty() && waiting_.front().event <= durable_) {
        Waiting done = std::move(waiting_.front());
        waiting_.pop_front();
        for (const auto& stored : done.acknowledge) {
            stored_[stored.tool] = stored;
            parts_.probes.reached("before_acknowledgement");
            if (parts_.wiring)
                parts_.wiring->acknowledge(stored);
            parts_.probes.reached("after_acknowledgement");
        }
        // Not before: what is to go out would wait for its own line in the log.
        log(done);
        if (done.anchors)
            note_head();
        if (done.done)
            done.done(web::Recorded{done.event, done.outcome});
    }
    if (state_.rules && state_.rules != wired_for_)
        rewire();
    if (durable_listener_)
        durable_listener_();
}

void Station::on_journal_failed(const journal::JournalError& error) {
    if (parts_.reserve && error.fault == journal::JournalFault::disk_full)
        static_cast<void>(parts_.reserve->give_up());
    fail(ExitCode::journal_failed, journal::to_text(error));
}

void Station::fail(ExitCode code, const std::string& why) {
    if (std::exchange(failed_, true))
        return;
    spdlog::critical("withheld and ending: {}", why);
    publish();
    for (Waiting& waiting : waiting_) {
        log(waiting);
        if (waiting.done)
            waiting.done(std::unexpected(
                web::NotRecorded{why, "it is not known whether this was recorded; look again"}));
    }
    waiting_.clear();
    if (parts_.wiring)
        parts_.wiring->stop();
    if (fatal_)
        fatal_(code);
}

// ---- wiring -------------------------------------------------------------------------------------------

// The links follow the rules in force. Bringing them up anew withholds, and presence is confirmed again.
void Station::rewire() {
    const auto found = state_.rules ? rules_.find(*state_.rules) : rules_.end();
    if (found == rules_.end())
        return;
    wired_for_ = state_.rules;
    const auto& rules = found->second;
    Wiring::Callbacks callbacks{
        [this](Payload payload) { from_links(std::move(payload)); },
        [this](links::ArrivedTrace trace) { trace_from_links(std::move(trace)); },
        [this](const domain::ToolId& tool, const std::string& epoch) -> std::uint64_t {
            const auto stored = stored_.find(tool);
            if (stored != stored_.end() && stored->second.epoch == epoch)
                return stored->second.counter + 1;
            const interlock::ToolState* state = interlock::tool_of(std::as_const(state_), tool);
            const auto* following =
                state != nullptr ? std::get_if<interlock::Following>(&state->count) : nullptr;
            return following != nullptr && following->epoch == epoch ? following->counter + 1 : 1;
        },
        [this](const domain::ToolId& tool) { return known_of(tool); },
        std::filesystem::path(parts_.journal).parent_path(),
        [this](const domain::ToolId& tool) -> std::uint64_t {
            const interlock::ToolState* state = interlock::tool_of(std::as_const(state_), tool);
            if (state == nullptr)
                return 0;
            return std::visit(Overloaded{[](const interlock::NoBaseline&) { return std::uint64_t{0}; },
                                         [](const interlock::Following& it) { return it.counter; },
                                         [](const interlock::Broken& it) { return it.newest; }},
                              state->count);
        },
        [this](const interlock::BayId& bay) { return known_of_bay(bay); }};
    if (parts_.wiring)
        parts_.wiring->stop();
    parts_.wiring =
        std::make_unique<Wiring>(loop_, rules, parts_.clock.boot(), std::move(callbacks), parts_.durable);
    parts_.wiring->start_controllers();
    forget_links();
    publish();
    order_feed_.reset();
    if (!sources_allowed_)
        return;
    watch_orders(*rules);
    for (const std::string& fault : parts_.wiring->start_sources()) {
        spdlog::error("{}", fault);
        raise({"link_not_up", fault, "free the port or change it in the configuration, then start again",
               true});
    }
}

// The folder's faults are told, and withhold nothing by themselves: a unit without its order is held for
// that.
void Station::watch_orders(const config::Station& rules) {
    tell_order_folder({});
    if (!rules.orders || !parts_.writer)
        return;
    order_feed_.emplace(
        loop_, rules, parts_.folder, order_turns_,
        OrderFeed::Callbacks{
            [this](interlock::OrdersReceived received, web::RecordedCallback done) {
                submit(std::move(received), std::nullopt, std::move(done));
            },
            [this](interlock::InputRefused refused) {
                if (!stopping_ && !failed_)
                    take(std::move(refused), {}, {});
            },
            [this](const std::vector<std::string>& sentences) { tell_order_folder(sentences); },
            [this]() -> const interlock::State& { return state_; }});
    order_feed_->start();
}

void Station::tell_order_folder(const std::vector<std::string>& sentences) {
    constexpr const char* code = "order_folder";
    if (sentences.empty()) {
        troubles_.clear(code);
        return;
    }
    // "what; remedy", as every sentence of the folder is.
    const std::string& first = sentences.front();
    const auto cut = std::min(first.find("; "), first.size());
    std::string what = first.substr(0, cut);
    if (sentences.size() > 1)
        what += fmt::format(" (and {} more)", sentences.size() - 1);
    raise({code, std::move(what), cut < first.size() ? first.substr(cut + 2) : "look at the folder", false});
}

// What the links before knew is not known of the new ones.
void Station::forget_links() {
    const std::string why = "the links were brought up anew";
    std::vector<Payload> events;
    for (const interlock::ToolState& tool : state_.tools) {
        if (tool.link != interlock::Quality::unknown)
            events.emplace_back(interlock::ToolLinkChanged{tool.id, interlock::Quality::unknown, why, 1});
    }
    for (const interlock::BayState& bay : state_.bays) {
        if (bay.controller.link != interlock::Quality::unknown)
            events.emplace_back(
                interlock::ControllerLinkChanged{bay.id, interlock::Quality::unknown, why, 1});
    }
    for (Payload& event : events)
        take(std::move(event), {}, {});
}

std::optional<links::KnownOfTool> Station::known_of(const domain::ToolId& tool) const {
    const interlock::ToolState* state = interlock::tool_of(state_, tool);
    const auto* broken = state != nullptr ? std::get_if<interlock::Broken>(&state->count) : nullptr;
    const auto stored = stored_.find(tool);
    if (stored == stored_.end() && broken == nullptr)
        return std::nullopt;
    // Where something is missing, the newest that came is where to go on; it is not what the tool may drop.
    const auto& [epoch, counter] = stored != stored_.end()
                                       ? std::pair(stored->second.epoch, stored->second.counter)
                                       : std::pair(broken->epoch, broken->newest);
    links::KnownOfTool known{epoch, counter, std::nullopt, stored != stored_.end()};
    if (state == nullptr)
        return known;
    for (const interlock::SeenResult& seen : state->recent)
        if (seen.epoch == epoch && seen.counter == counter)
            known.digest = seen.digest;
    // A baseline was only named, and the tool may drop what came only.
    known.complete = known.complete && (known.digest || state->baseline != counter);
    return known;
}

std::optional<links::KnownOfBay> Station::known_of_bay(const interlock::BayId& id) const {
    const interlock::BayState* bay = interlock::bay_of(state_, id);
    if (bay == nullptr || !bay->controller.counts)
        return std::nullopt;
    const bool there = std::holds_alternative<interlock::Stay>(bay->occupant) || bay->departure_due;
    return links::KnownOfBay{*bay->controller.counts, there};
}

// ---- outputs ------------------------------------------------------------------------------------------

std::vector<links::PermissiveOrder> Station::orders_of(const interlock::BayState& bay) const {
    const bool forced = failed_ || stopping_ || troubles_.withhold();
    std::vector<links::PermissiveOrder> orders;
    for (const interlock::PermissiveState& permissive : bay.permissives) {
        const config::Permissive* known = interlock::permissive_in(parts_.wiring->rules(), permissive.id);
        if (known == nullptr)
            continue;
        const auto claim = interlock::claim_of(bay, permissive);
        const auto code = forced ? protocol::Code::withheld : code_of(claim.code);
        const auto once_durable = parts_.probes.release_before_durable ? EventNumber{} : claim.once_durable;
        const auto reason = forced ? protocol::reason_of_station
                            : permissive.reasons.empty()
                                ? std::uint16_t{0}
                                : static_cast<std::uint16_t>(permissive.reasons.front().code);
        orders.push_back({known->number, code, claim.token.value, reason,
                          interlock::movements_of(bay, permissive.id), once_durable});
    }
    return orders;
}

void Station::publish() {
    if (!parts_.wiring)
        return;
    beat_ = static_cast<std::uint16_t>(beat_ + 1);
    for (const interlock::BayState& bay : state_.bays)
        parts_.wiring->publish(bay.id, orders_of(bay), beat_);
    for (const config::Tool& tool : parts_.wiring->rules().tools)
        if (tool.control)
            order({tool.id});
    const bool station_fails = failed_ || troubles_.withhold();
    for (const interlock::BayState& bay : state_.bays)
        if (parts_.wiring->has_lights(bay.id))
            parts_.wiring->show(bay.id, interlock::signals_of(bay, durable_, station_fails));
}

// Letting a tool run waits for the disk like a release.
void Station::order(const domain::ToolId& id) {
    const interlock::ToolState* tool = interlock::tool_of(std::as_const(state_), id);
    if (tool == nullptr)
        return;
    const bool forced = failed_ || stopping_ || troubles_.withhold();
    const auto* on = std::get_if<interlock::ToolOn>(&tool->order);
    if (forced || (on != nullptr && !interlock::may_go_out(on->by, durable_)))
        parts_.wiring->order(id, {});
    else if (on != nullptr)
        parts_.wiring->order(id, {on->by, true, on->program});
    else
        parts_.wiring->order(id, {std::get<interlock::ToolOff>(tool->order).by, false, {}});
}

// Only this loop advances the beat, after it has served its queue: a loop that stands still is seen on the
// wire within the time-out.
void Station::arm_beat() {
    auto interval = beat_without_rules;
    if (parts_.wiring) {
        for (const config::Bay& bay : parts_.wiring->rules().bays)
            interval = std::min(interval, config::shortest_beat(bay));
    }
    beat_due_ = std::chrono::steady_clock::now() + interval;
    beat_timer_.expires_at(beat_due_);
    beat_timer_.async_wait([this](const boost::system::error_code& error) {
        if (error)
            return;
        const auto late = std::chrono::steady_clock::now() - beat_due_;
        longest_turn_ = std::max(longest_turn_, std::chrono::duration_cast<std::chrono::microseconds>(late));
        parts_.probes.reached("turn");
        if (!failed_)
            publish();
        arm_beat();
    });
}

std::optional<interlock::OnWire> Station::on_wire(const interlock::BayId& bay,
                                                  const interlock::PermissiveId& id) const {
    if (!parts_.wiring || !parts_.wiring->drives(bay))
        return std::nullopt;
    const auto released = parts_.wiring->released_on_wire(bay);
    if (std::ranges::find(released, id) == released.end())
        return interlock::OnWire::withheld;
    const interlock::BayState* known = interlock::bay_of(state_, bay);
    if (known == nullptr)
        return std::nullopt;
    const auto permissive = std::ranges::find(known->permissives, id, &interlock::PermissiveState::id);
    const bool leaving = permissive != known->permissives.end() &&
                         std::holds_alternative<interlock::LeavingIncomplete>(permissive->output);
    return leaving ? interlock::OnWire::leaving_incomplete : interlock::OnWire::released;
}

// ---- house keeping ------------------------------------------------------------------------------------

void Station::raise(web::Trouble trouble) {
    const std::string line = trouble.code + ": " + trouble.what;
    if (troubles_.raise(std::move(trouble)))
        spdlog::warn("trouble {}", line);
    publish();
}

void Station::keep_house() {
    const auto* in_force = interlock::rules_of(rules_, state_.rules);
    const std::chrono::milliseconds limit =
        in_force != nullptr ? in_force->sync_limit : std::chrono::milliseconds{5000};
    const auto outstanding = parts_.writer ? parts_.writer->outstanding() : std::nullopt;
    if (outstanding && *outstanding > limit) {
        raise({"sync_overdue",
               fmt::format("the disk has not answered for {} ms",
                           std::chrono::duration_cast<std::chrono::milliseconds>(*outstanding).count()),
               "look at the disk", true});
    } else if (troubles_.clear("sync_overdue")) {
        publish();
    }
    end_wiring_tests_if_due();
    give_up_curves_if_due();
    ask_for_checks_if_due();
    look_at_disk();
    check_file_if_due();
    note_head_if_due();
    feed_watchdog();
    house_timer_.expires_after(house_interval);
    house_timer_.async_wait([this](const boost::system::error_code& error) {
        if (!error && !failed_ && !stopping_)
            keep_house();
    });
}

void Station::end_wiring_tests_if_due() {
    const auto* in_force = interlock::rules_of(rules_, state_.rules);
    if (in_force == nullptr)
        return;
    const auto now = parts_.clock.stamp();
    std::vector<interlock::BayId> due;
    for (const interlock::BayState& bay : state_.bays) {
        if (!bay.wiring_test)
            continue;
        const std::chrono::nanoseconds lasted{now.monotonic_ns - bay.wiring_test->since.monotonic_ns};
        if (lasted >= in_force->wiring_tests.limit)
            due.push_back(bay.id);
    }
    for (const interlock::BayId& bay : due)
        take(interlock::WiringTestEnded{.bay = bay, .by = std::nullopt}, {}, {});
}

void Station::give_up_curves_if_due() {
    const auto awaited = within_reach(interlock::awaited_curves(rules_, state_), state_);
    for (interlock::CurveGivenUp& over : curve_patience_.overdue(awaited, parts_.clock.monotonic()))
        take(std::move(over), {}, {});
}

// Stamps of another boot say nothing about now: of what began to wait before it, the whole time is waited
// once more.
void Station::ask_for_checks_if_due() {
    const auto now = parts_.clock.stamp();
    for (const interlock::WaitingCheck& check : interlock::waiting_checks(rules_, state_)) {
        const auto since = check.since.boot == now.boot ? check.since.monotonic_ns : began_ns_;
        if (std::chrono::nanoseconds{now.monotonic_ns - since} >= check.wait)
            take(check.due, {}, {});
    }
}

void Station::look_at_disk() {
    const auto space = journal::space_beside(parts_.journal, journal::reserve_kept);
    if (!space) {
        raise({"disk_unknown", journal::to_text(space.error()), "look at the disk", true});
        return;
    }
    bool changed = troubles_.clear("disk_unknown");
    if (space->level == journal::SpaceLevel::ample) {
        changed = troubles_.clear("disk_filling") || changed;
        if (changed)
            publish();
        return;
    }
    raise({"disk_filling",
           fmt::format("{} MiB are left on the journal's disk", space->free_bytes / (1024 * 1024)),
           "make room on the disk", space->level == journal::SpaceLevel::at_reserve});
}

// Soon after the start, then every day: the disk may lose what nobody reads.
void Station::check_file_if_due() {
    if (!parts_.writer)
        return;
    const auto now = std::chrono::steady_clock::now();
    if (file_check_begun_ && now - *file_check_begun_ < file_check_interval)
        return;
    file_check_begun_ = now;
    file_checker_.begin();
}

void Station::file_checked(const FileCheck& check) {
    file_check_ = check;
    if (!check.found.empty()) {
        raise({"journal_damaged", "the check of the journal's file found: " + check.found,
               "keep the file, bring back the latest backup and call maintenance", true});
        return;
    }
    spdlog::info("the journal's file is sound; its check took {} ms, since it yields to everything else",
                 check.took.count());
    if (troubles_.clear("journal_damaged"))
        publish();
}

// The newest durable event goes to the service's log from time to time, and with every decision of a person,
// so that a cut at the journal's end shows.
void Station::note_head_if_due() {
    const auto now = std::chrono::steady_clock::now();
    if (head_noted_ == std::chrono::steady_clock::time_point{} || now - head_noted_ >= head_interval)
        note_head();
}

void Station::note_head() {
    head_noted_ = std::chrono::steady_clock::now();
    boost::asio::post(lookups_, [path = parts_.journal, vfs = parts_.vfs] {
        auto reader = journal::Reader::open(path, vfs);
        if (!reader)
            return;
        if (const auto head = (*reader)->head())
            spdlog::info("journal head event={} hash={}", head->number.value, journal::hex(head->hash));
    });
}

web::StagedRules Station::staged_rules() const {
    return {parts_.staged.file, parts_.staged.revision, parts_.staged.faults, parts_.staged.warnings};
}

web::HealthFacts Station::health() const {
    web::HealthFacts facts;
    if (parts_.wiring)
        facts.inputs = parts_.wiring->health();
    facts.journal.path = parts_.journal;
    facts.journal.newest = state_.newest;
    facts.journal.durable = durable_;
    if (parts_.writer) {
        if (const auto outstanding = parts_.writer->outstanding())
            facts.journal.outstanding_sync =
                std::chrono::duration_cast<std::chrono::milliseconds>(*outstanding);
        facts.journal.wal_bytes = std::uint64_t{parts_.writer->statistics().wal_frames} * 4096U;
    }
    if (const auto space = journal::space_beside(parts_.journal, journal::reserve_kept)) {
        facts.journal.disk_free_bytes = space->free_bytes;
        facts.journal.disk_size_bytes = space->all_bytes;
    }
    if (file_check_) {
        const auto age = std::chrono::steady_clock::now() - file_check_->ended;
        facts.journal.file_check = {.age = std::chrono::duration_cast<std::chrono::seconds>(age),
                                    .took = file_check_->took,
                                    .found = file_check_->found};
    }
    facts.up = std::chrono::duration_cast<std::chrono::seconds>(std::chrono::steady_clock::now() - started_);
    facts.longest_turn = longest_turn_;
    return facts;
}

std::expected<protocol::Ticket, protocol::LabelFault> Station::read_label(const interlock::BayId&,
                                                                          std::string_view text) const {
    if (!parts_.wiring || !parts_.wiring->labels())
        return std::unexpected(protocol::LabelFault{});
    return parts_.wiring->labels()->read(text);
}

// ---- the end ------------------------------------------------------------------------------------------

void Station::stop(const std::function<void()>& done) {
    if (stopping_ || failed_) {
        done();
        return;
    }
    tell_stopping();
    stopping_ = true;
    if (order_feed_)
        order_feed_->stop();
    if (parts_.writer) {
        take(interlock::StationStopped{}, {}, {});
        if (!failed_)
            take(interlock::SnapshotTaken{interlock::canonical_bytes(state_)}, {}, {});
    }
    publish();
    if (parts_.wiring)
        parts_.wiring->stop();
    beat_timer_.cancel();
    house_timer_.cancel();
    if (parts_.writer)
        parts_.writer->close();
    if (parts_.hand && !failed_) {
        // Whoever stops a station in order that had come up withheld for this has seen why.
        if (!sources_allowed_)
            parts_.hand->forget_unclean_ends();
        parts_.hand->ended_in_order();
    }
    done();
}

}  // namespace tautgate::station
