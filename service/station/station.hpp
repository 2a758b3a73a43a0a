// The running station: takes what the links and people report, has it decided, makes it durable, and lets out
// what may go out. All of it on the loop's thread; the journal's thread only posts.
//
// The order of things for every event: note it, decide, let withholds out at once, hand it to the journal;
// when it is durable, let releases out, acknowledge tools, answer callers. In doubt (a failed journal, a core
// that throws, a broken invariant) everything is withheld and the process ends with a code of its own.
#pragma once

#include <cstdint>
#include <deque>
#include <expected>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>

#include "service/journal/hand_note.hpp"
#include "service/journal/recovery.hpp"
#include "service/journal/reserve.hpp"
#include "service/journal/writer.hpp"
#include "service/station/clock.hpp"
#include "service/station/curve_desk.hpp"
#include "service/station/exit_code.hpp"
#include "service/station/file_check.hpp"
#include "service/station/order_feed.hpp"
#include "service/station/probes.hpp"
#include "service/station/troubles.hpp"
#include "service/station/wiring.hpp"
#include "service/web/station_port.hpp"

namespace tautgate::station {

// The configuration file as it was read at start. Only a proposal until two people approve it.
struct StagedFile {
    std::string file;
    std::string text;
    std::optional<interlock::Revision> revision;
    std::shared_ptr<const config::Station> station;  // null: it has faults
    std::vector<std::string> faults;                 // one line each, as the check of the description says it
    std::vector<std::string> warnings;               // so, too: to be read before anybody approves
};

class Station final : public web::StationPort {
  public:
    struct Parts {
        std::string journal;           // path
        std::filesystem::path folder;  // for state: where relative paths of the rules begin
        std::string program_version;
        StagedFile staged;
        journal::Recovered recovered;
        std::unique_ptr<journal::Writer> writer;  // null: the journal cannot be written; withheld
        std::optional<journal::HandNote> hand;
        std::optional<journal::Reserve> reserve;
        std::unique_ptr<Wiring> wiring;               // null: nothing is known to be wired
        std::shared_ptr<links::DurableMark> durable;  // of the wiring, advanced by the journal's thread
        std::shared_ptr<const web::Archive> archive;
        Clock clock;
        std::string vfs;  // SQLite's, for the journal's readers; empty: the system's
        Probes probes;
    };

    Station(boost::asio::io_context& loop, Parts parts);
    ~Station() override;
    Station(const Station&) = delete;
    Station& operator=(const Station&) = delete;
    Station(Station&&) = delete;
    Station& operator=(Station&&) = delete;

    // From the writer's thread, through the loop.
    void on_durable(interlock::EventNumber up_to);
    void on_journal_failed(const journal::JournalError& error);

    // Decides that the station is up, what was in hand when the last run died and what this version decides
    // differently; then brings the tools and scanners up, unless something withholds that.
    void begin();
    // Up where nothing can be recorded: withholds, beats and answers, and decides nothing.
    void stand_by();
    // Withholds, records the orderly end, closes the journal. `done` is called when that is over.
    void stop(const std::function<void()>& done);

    void raise(web::Trouble trouble);
    // Called when more is durable; the API answers those who follow.
    void set_durable_listener(std::function<void()> listener) { durable_listener_ = std::move(listener); }
    // Whose badge a scanner read that is no label; nobody's: nothing.
    using Badges = std::function<std::optional<domain::PersonNumber>(std::string_view)>;
    void set_badges(Badges badges) { badges_ = std::move(badges); }
    // Called once when the process must end.
    void set_fatal(std::function<void(ExitCode)> fatal) { fatal_ = std::move(fatal); }

    // ---- web::StationPort ----
    [[nodiscard]] const interlock::State& state() const override { return state_; }
    [[nodiscard]] const interlock::RuleBook& rule_book() const override { return rules_; }
    [[nodiscard]] interlock::EventNumber durable() const override { return durable_; }
    [[nodiscard]] std::optional<interlock::OnWire> on_wire(const interlock::BayId& bay,
                                                           const interlock::PermissiveId& id) const override;
    [[nodiscard]] web::StagedRules staged_rules() const override;
    [[nodiscard]] web::HealthFacts health() const override;
    [[nodiscard]] std::vector<web::Trouble> troubles() const override { return troubles_.list(); }
    [[nodiscard]] std::string_view program_version() const override { return parts_.program_version; }
    [[nodiscard]] std::chrono::nanoseconds monotonic() const override { return parts_.clock.monotonic(); }
    [[nodiscard]] std::expected<protocol::Ticket, protocol::LabelFault>
    read_label(const interlock::BayId& bay, std::string_view text) const override;
    [[nodiscard]] std::shared_ptr<const web::Archive> archive() const override { return parts_.archive; }
    void submit(interlock::Payload payload, std::optional<people::PersonRecord> person,
                web::RecordedCallback done) override;

  private:
    // A permissive that was released or withheld, or whose worst reason is another one.
    struct ForTheLog {
        interlock::BayId bay;
        interlock::PermissiveState now;
    };
    struct Waiting {
        interlock::EventNumber event;
        interlock::Outcome outcome;
        std::vector<interlock::Acknowledge> acknowledge;
        bool anchors = false;        // a person decided something: the log is told the journal's head with it
        web::RecordedCallback done;  // may be empty
        std::vector<ForTheLog> said = {};
    };

    void from_links(interlock::Payload payload);
    void trace_from_links(links::ArrivedTrace trace);
    void after_lookup(interlock::Payload payload, std::optional<people::PersonRecord> person,
                      web::RecordedCallback done);
    [[nodiscard]] std::pair<interlock::Token, interlock::Doubt> place_of(const interlock::BayId& id) const;
    enum class NotLookedUp : std::uint8_t { no_answer, unit_changed };
    // What the journal has of a ticket's serial number and of its order.
    struct KnownBefore {
        std::uint32_t stays = 0;
        std::optional<interlock::JoinedBefore> joined;
        std::optional<interlock::ClosedOrder> order;
    };
    using Looked = std::expected<KnownBefore, NotLookedUp>;
    [[nodiscard]] static std::string sentence_for_scan(NotLookedUp why);
    [[nodiscard]] static web::NotRecorded not_recorded(NotLookedUp why);
    struct TicketAsked {
        interlock::BayId bay;
        interlock::Serial serial;
        std::string order;
    };
    // For something that is about the unit now at the bay.
    void look_up_ticket(const TicketAsked& ticket, std::function<void(const Looked&)> found);
    using LookedOrders = std::expected<std::vector<interlock::ClosedOrder>, NotLookedUp>;
    void look_up_orders(const std::vector<protocol::OrderEntry>& orders,
                        std::function<void(const LookedOrders&)> found);
    void submit_orders(interlock::OrdersReceived received, web::RecordedCallback done);
    // A hold on what units have in common, with those of them that the journal knows.
    void submit_hold(interlock::Proposed proposed, web::RecordedCallback done);
    void watch_orders(const config::Station& rules);
    void tell_order_folder(const std::vector<std::string>& sentences);
    static void attach(const people::PersonRecord& person, interlock::Payload& payload,
                       std::vector<journal::Attachment>& attachments);
    void fill_in(interlock::Payload& payload, std::vector<journal::Attachment>& attachments);
    void take(interlock::Payload payload, std::vector<journal::Attachment> attachments,
              web::RecordedCallback done);
    [[nodiscard]] std::optional<interlock::Decision> decided(const interlock::Event& event);
    void follow_effects(const interlock::Record& record, Waiting& waiting);
    [[nodiscard]] std::vector<ForTheLog> for_the_log(const interlock::Record& record);
    static void log(const Waiting& decided);
    void take_snapshot();
    void rewire();
    void forget_links();

    void publish();
    void order(const domain::ToolId& id);
    // What is durable of the tool's newest result.
    [[nodiscard]] std::optional<links::KnownOfTool> known_of(const domain::ToolId& tool) const;
    [[nodiscard]] std::optional<links::KnownOfBay> known_of_bay(const interlock::BayId& bay) const;
    [[nodiscard]] std::vector<links::PermissiveOrder> orders_of(const interlock::BayState& bay) const;
    void arm_beat();
    void keep_house();
    void end_wiring_tests_if_due();
    void give_up_curves_if_due();
    void ask_for_checks_if_due();
    void look_at_disk();
    void check_file_if_due();
    void file_checked(const FileCheck& check);
    void note_head_if_due();
    void note_head();
    void fail(ExitCode code, const std::string& why);

    boost::asio::io_context& loop_;
    Parts parts_;
    interlock::State state_;
    interlock::RuleBook rules_;
    interlock::EventNumber durable_;
    journal::StayWatch watch_;
    std::map<domain::ToolId, interlock::Acknowledge> stored_;  // durable, by tool
    std::deque<Waiting> waiting_;
    std::optional<interlock::Revision>
        wired_for_;  // the rules that the links follow; none: they only withhold
    // What the log was last told of each permissive: its output and its worst reason.
    std::map<std::pair<interlock::BayId, interlock::PermissiveId>, std::pair<std::size_t, unsigned>> said_;
    Troubles troubles_;
    boost::asio::thread_pool lookups_{1};
    boost::asio::steady_timer beat_timer_;
    boost::asio::steady_timer house_timer_;
    std::uint16_t beat_ = 0;
    std::int64_t began_ns_ = 0;  // of this run, on the monotonic clock of its boot
    std::chrono::steady_clock::time_point started_ = std::chrono::steady_clock::now();
    std::chrono::steady_clock::time_point beat_due_{};
    std::chrono::steady_clock::time_point head_noted_{};
    std::chrono::microseconds longest_turn_{0};
    std::optional<std::chrono::steady_clock::time_point> file_check_begun_;
    std::optional<FileCheck> file_check_;  // the newest that is over
    FileChecker file_checker_;
    CurvePatience curve_patience_;
    std::shared_ptr<links::OrderTurns> order_turns_ = std::make_shared<links::OrderTurns>();
    std::optional<OrderFeed> order_feed_;  // while the rules take orders
    bool sources_allowed_ = true;
    bool snapshot_due_ = false;
    bool stopping_ = false;
    bool failed_ = false;
    std::function<void()> durable_listener_;
    Badges badges_;
    std::function<void(ExitCode)> fatal_;
};

}  // namespace tautgate::station
