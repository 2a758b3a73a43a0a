#include "tests/exploration/floor.hpp"

#include <algorithm>
#include <utility>

#include "service/interlock/bypass.hpp"
#include "service/interlock/calibration.hpp"
#include "service/interlock/source_holds.hpp"

namespace tautgate::exploration {
namespace {

using namespace story;

const BayId bay_id{"B1"};
// The floor's clock stands still: it ends by a person, or not at all.
constexpr std::int64_t deputy_until = 1;
constexpr std::int64_t bypass_until = 1;
constexpr Token reserved_token{0xFF000001};  // of those that no stay is given

// Two joints of two fasteners: `mount` (A, loosened between two attempts) and `cap` (B, replaced after one
// that is not OK). A check is confirmed at the end.
config::Station two_joints() {
    config::Station station = small_station();
    std::erase_if(station.joints, [](const config::Joint& joint) { return joint.id == "clip"; });
    for (config::Joint& each : station.joints) {
        if (each.id == "cap")
            each.retry = {1, false, true};
    }
    station.plans.front().stages = {{"scan", {config::ScanStep{"D"}, config::ScanStep{"F"}}},
                                    {"join", {config::TightenStep{"mount"}, config::TightenStep{"cap"}}},
                                    {"finish", {config::ConfirmStep{"look", "Look at it"}}}};
    station.wiring_tests.roles = {config::Role::quality_engineer};
    station.tools.front().calibration = config::CalibrationRule{};
    return station;
}

config::Station without_lift() {
    config::Station station = two_joints();
    station.permissives.erase(station.permissives.begin());
    return station;
}

config::Station with_orders() {
    config::Station station = two_joints();
    station.orders.emplace();
    return station;
}

config::Station curve_limits() {
    config::Station station = two_joints();
    limit_curves(station, seated_within(10, 20));
    return station;
}

// `mount` is tightened and, after it has relaxed, checked, at fasteners that somebody selects; of `cap` the
// arm says which one it is.
config::Station checked_later() {
    config::Station station = two_joints();
    config::Joint& mount = station.joints[0];
    mount.placement = config::Placement::selected;
    mount.passes.push_back(check_after(std::chrono::seconds{60}, mount.passes.front()));
    mount.passes.back().window.angle->max = deg(8);
    station.joints[1].placement = config::Placement::by_arm;
    station.joints[1].fasteners.pop_back();
    return station;
}

// `cap` may be said to be done by hand, where somebody else has seen it.
config::Station done_by_hand() {
    config::Station station = two_joints();
    config::Joint& cap = station.joints[1];
    config::Joint by_hand = done_as(cap, "by-hand", {}, true);
    by_hand.method = config::Method::confirmed_check;
    by_hand.passes.clear();
    cap.alternates = {by_hand};
    return station;
}

protocol::CurveReport read_of(Torque torque, Torque seated) {
    const protocol::CurveOrigin start = protocol::FromStart{};
    return {{},
            {{protocol::FinalTorque{}, torque},
             {protocol::FinalAngle{start}, deg(45)},
             {protocol::TorqueAtAngle{start, deg(5)}, seated}}};
}

Interval made_in(MadeIn when) {
    switch (when) {
    case MadeIn::nobodys_time: return {5, 6, "boot"};
    case MadeIn::last_stay: return {15, 16, "boot"};
    case MadeIn::across: return {15, 35, "boot"};
    case MadeIn::this_stay: return {35, 36, "boot"};
    }
    return {5, 6, "boot"};
}

const BayState& bay_in_state(const State& state) { return state.bays.front(); }
const Stay* stay_in(const State& state) { return stay_at(bay_in_state(state)); }

// One thing that happens to a situation, in the making.
class Making {
  public:
    Making(const Situation& before, std::string name, bool mishap) : before_(before) {
        act.name = std::move(name);
        act.mishap = mishap;
        act.after = before;
        if (mishap)
            --act.after.mishaps_left;
    }

    // `utc_us`: on the station's clock, which stands still unless somebody says so.
    Making& event(Payload payload, std::int64_t utc_us = 0) {
        Situation& at = act.after;
        if (!at.durable)
            at.durable = at.newest;
        at.undurable += 1;
        const Event happened{
            EventNumber{at.newest.newest.value + 1}, {utc_us, 40, "boot"}, std::move(payload)};
        const bool had_stay = stay_in_any(at.newest);
        const Token before = had_stay ? stay_in(at.newest)->token : Token{};
        auto [next, record] = decide(rulebook(), std::move(at.newest), happened);
        at.newest = std::move(next);
        if (had_stay && !stay_in_any(at.newest))
            age_results();
        if (stay_in_any(at.newest) && stay_in(at.newest)->token != before)
            at.equipment.units_own = stay_in(at.newest)->token;  // begun for what is there
        if (decided_to_leave(before_.newest, at.newest))
            at.equipment.units_own = stay_in(at.newest)->token;  // they stand before it
        act.events.push_back(happened);
        act.records.push_back(std::move(record));
        return *this;
    }

    // What the equipment says now; what stood on the wire until now goes with it.
    Making& report() {
        const Equipment& real = act.after.equipment;
        std::vector<PermissiveId> standing;
        for (const PermissiveState& each : bay_in_state(before_.newest).permissives) {
            if (on_wire(before_, each).code != OnWire::withheld)
                standing.push_back(each.id);
        }
        return event(ControllerReported{bay_id,
                                        real.unit_there ? Presence::present : Presence::absent,
                                        real.arrivals,
                                        real.departures,
                                        real.starts,
                                        real.moved,
                                        real.echoed,
                                        real.fault,
                                        Token{1000},
                                        standing,
                                        {}});
    }

    Making& durable_at_once() {
        act.after.durable.reset();
        act.after.undurable = 0;
        for (std::size_t i = 0; i < act.after.tools.size(); ++i)
            drop_acknowledged(act.after.tools[i], act.after.newest.tools[i]);
        return *this;
    }

    Act act;

  private:
    static bool stay_in_any(const State& state) { return !state.bays.empty() && stay_in(state) != nullptr; }
    static bool decided_to_leave(const State& before, const State& after) {
        const Stay* was = stay_in_any(before) ? stay_in(before) : nullptr;
        const Stay* now = stay_in_any(after) ? stay_in(after) : nullptr;
        return now != nullptr && now->tickets.empty() && now->leaves_incomplete && was != nullptr &&
               !was->leaves_incomplete;
    }
    static void drop_acknowledged(ToolOnFloor& real, const ToolState& known) {
        const auto* following = std::get_if<Following>(&known.count);
        if (following == nullptr)
            return;
        std::erase_if(real.kept,
                      [&](const Kept& kept) { return kept.reading.counter <= following->counter; });
    }
    void age_results() {
        for (ToolOnFloor& tool : act.after.tools) {
            for (Kept& kept : tool.kept)
                kept.when = kept.when == MadeIn::this_stay ? MadeIn::last_stay : MadeIn::nobodys_time;
        }
    }

    const Situation& before_;
};

// Everything that may happen next, gathered by the part of the floor where it does.
class Possible {
  public:
    explicit Possible(const Situation& now)
        : now_(now), bay_(bay_in_state(now.newest)), stay_(stay_in(now.newest)) {}

    std::vector<Act> all() {
        disk();
        if (now_.undurable > 0) {
            overtaking();
            return std::move(acts_);
        }
        if (now_.takes_orders) {
            orders();
            return std::move(acts_);
        }
        if (now_.limits_curves) {
            with_curves();
            return std::move(acts_);
        }
        if (now_.checks) {
            with_checks();
            return std::move(acts_);
        }
        if (now_.bypasses) {
            with_bypasses();
            return std::move(acts_);
        }
        equipment();
        scans();
        for (std::size_t i = 0; i < now_.tools.size(); ++i)
            tool(i);
        deciding();
        record_itself();
        return std::move(acts_);
    }

  private:
    // nullptr: a mishap too many.
    Making* start(std::string name, bool mishap = false) {
        if (mishap && now_.mishaps_left == 0)
            return nullptr;
        making_.emplace(now_, std::move(name), mishap);
        return &*making_;
    }
    // What is decided and not yet on the disk is looked at with tools and orders.
    void done() {
        if (now_.limits_curves || now_.checks || now_.bypasses)
            making_->durable_at_once();
        acts_.push_back(std::move(making_->act));
    }
    void happens(std::string name, Payload payload, bool mishap = false) {
        if (Making* making = start(std::move(name), mishap)) {
            making->event(std::move(payload));
            done();
        }
    }
    void mishap(std::string name, Payload payload) { happens(std::move(name), std::move(payload), true); }
    void repair(std::string name, Payload payload) { happens(std::move(name), std::move(payload), false); }

    [[nodiscard]] bool link_good() const { return bay_.controller.link == Quality::good; }
    // The stay is about the unit that is there.
    [[nodiscard]] bool its_own() const {
        return stay_ != nullptr && now_.equipment.unit_there && now_.equipment.units_own == stay_->token;
    }
    [[nodiscard]] bool something_went_wrong() const { return now_.mishaps_left < most_mishaps; }

    // ---- the disk, the process
    void disk() {
        if (now_.durable) {
            if (Making* making = start("everything is on the disk"))
                making->durable_at_once();
            done();
        }
        if (Making* making = start("power is lost; the station starts from the disk", true)) {
            making->act.after.newest = now_.on_disk();
            making->event(StationStarted{"test", false, {}}).durable_at_once();
            done();
        }
        if (now_.durable)
            return;
        if (Making* making = start("the station is stopped and started in order", true)) {
            making->event(StationStopped{}).event(StationStarted{"test", true, {}}).durable_at_once();
            done();
        }
    }

    // A second event before the first is on the disk.
    void overtaking() {
        if (now_.undurable > 1)
            return;
        link();
        if (stay_ != nullptr && stay_->doubt != Doubt::none && its_own())
            repair("D1 is scanned again", ticket("D", "D1"));
    }

    // ---- the equipment
    void link() {
        if (link_good()) {
            mishap("the link to the equipment is lost", ControllerLinkChanged{bay_id, Quality::stale, "", 1});
            return;
        }
        if (Making* making = start("the link to the equipment is good again")) {
            making->event(ControllerLinkChanged{bay_id, Quality::good, "", 1}).report();
            done();
        }
    }

    [[nodiscard]] Moved* moved(Situation& at, const std::string& id) const {
        return &*std::ranges::find(at.equipment.moved, PermissiveId{id}, &Moved::permissive);
    }

    void moves(const std::string& id, bool as_mishap) {
        Making* making = start("it moves over " + id, as_mishap);
        if (making == nullptr)
            return;
        moved(making->act.after, id)->count += 1;
        if (link_good())
            making->report();
        else
            making->act.recorded = false;
        done();
    }

    void departs(bool as_mishap) {
        Making* making = start("the unit departs", as_mishap);
        if (making == nullptr)
            return;
        making->act.after.equipment.unit_there = false;
        making->act.after.equipment.departures += 1;
        if (link_good())
            making->report();
        else
            making->act.recorded = false;
        done();
    }

    void changes(const std::string& name, bool as_mishap, const auto& change) {
        Making* making = start(name, as_mishap);
        if (making == nullptr)
            return;
        change(making->act.after.equipment);
        if (link_good())
            making->report();
        else
            making->act.recorded = false;
        done();
    }

    // Where another unit could profit most: something was decided about a unit that bears no ticket. (At
    // every moment, it would take as many situations again.) Two units are told apart here, not three.
    [[nodiscard]] bool worth_swapping() const {
        return stay_->tickets.empty() && (stay_->leaves_incomplete || !stay_->proposals.empty());
    }

    // While the station cannot see it, people move units as they must. The equipment counts on, or starts
    // anew and takes up the token that stood in its registers.
    void swapped_unseen() {
        const Token standing = stay_ != nullptr ? stay_->token : bay_.offered;
        changes("another unit takes the place, unseen", false, [&](Equipment& e) {
            e.departures += 1;
            e.arrivals += 1;
            e.echoed = standing;
            e.units_own = Token{};
        });
        changes("another unit takes the place while the equipment is off", false, [&](Equipment& e) {
            e.starts += 1;
            e.echoed = standing;
            e.units_own = Token{};
        });
    }

    // Somebody tries the wiring of the empty bay.
    void wiring() {
        if (bay_.wiring_test) {
            happens("the test of the wiring is ended", WiringTestEnded{bay_id, quality});
            changes("the equipment shows that it receives the test", false,
                    [&](Equipment& e) { e.echoed = bay_.wiring_test->token; });
        } else if (link_good() && stay_ == nullptr) {
            mishap("the wiring is tried", WiringTestBegan{bay_id, std::nullopt, quality, reserved_token});
        }
    }

    void equipment() {
        link();
        const Equipment& real = now_.equipment;
        if (!real.unit_there) {
            wiring();
            if (link_good())
                changes("a unit arrives", false, [&](Equipment& e) {
                    e.unit_there = true;
                    e.arrivals += 1;
                    e.echoed = stay_ != nullptr ? stay_->token : bay_.offered;
                    e.units_own = Token{};
                });
            return;
        }
        if (!link_good() && its_own() && worth_swapping())
            swapped_unseen();
        for (const PermissiveState& each : bay_.permissives) {
            const bool allowed = on_wire(now_, each).code != OnWire::withheld;
            moves(each.id.text, !allowed || each.id.text == "lift");
        }
        departs(!bay_.departure_due);
        changes("the equipment's controller starts anew", true, [](Equipment& e) { e.starts += 1; });
        changes("the equipment counts another arrival", true, [](Equipment& e) { e.arrivals += 1; });
        if (real.fault) {
            changes("the equipment's fault is cleared", false, [](Equipment& e) { e.fault = false; });
        } else if (link_good()) {
            changes("the equipment reports a fault", true, [](Equipment& e) { e.fault = true; });
            changes("the equipment loses the token", true, [](Equipment& e) { e.echoed = Token{}; });
        }
        if (stay_ != nullptr && link_good() && real.echoed != stay_->token)
            changes("the unit is set down anew", false, [&](Equipment& e) { e.echoed = stay_->token; });
    }

    // ---- the scanner
    [[nodiscard]] static TicketScanned ticket(std::string kind, std::string serial, std::string order = "O1",
                                              std::string type = {}, std::uint32_t earlier = 0) {
        if (type.empty())
            type = kind + "V";
        return {bay_id, std::move(kind), Serial{std::move(serial)}, std::move(order), std::move(type),
                "",     earlier};
    }
    [[nodiscard]] bool has_ticket(const std::string& kind) const {
        return stay_ != nullptr &&
               std::ranges::find(stay_->tickets, kind, &interlock::Ticket::kind) != stay_->tickets.end();
    }

    static bool is_anothers(const interlock::Ticket& ticket) {
        return ticket.serial.text == "D2" || ticket.order == "O2";
    }
    void first_scan(std::string name, TicketScanned scanned, bool as_mishap) {
        Making* making = start(std::move(name), as_mishap);
        if (making == nullptr)
            return;
        making->event(std::move(scanned));
        // It says which unit the stay is about, unless something was decided about a unit without a ticket.
        if (const Stay* stay = stay_in(making->act.after.newest); stay != nullptr && !stay->leaves_incomplete)
            making->act.after.equipment.units_own = stay->token;
        done();
    }
    // The stay is about the unit there once every ticket in it is that unit's.
    void scan_beside(std::string name, TicketScanned scanned) {
        Making* making = start(std::move(name), its_own());
        if (making == nullptr)
            return;
        making->event(std::move(scanned));
        const Stay* stay = stay_in(making->act.after.newest);
        const bool all_others =
            stay != nullptr && !stay->leaves_incomplete && std::ranges::all_of(stay->tickets, is_anothers);
        if (all_others)
            making->act.after.equipment.units_own = stay->token;
        done();
    }

    // What is scanned is what is there: the tickets of another unit bear other serials.
    void scans() {
        if (!now_.equipment.unit_there || bay_.departure_due)
            return;
        if (!has_ticket("D")) {
            first_scan("D1 is scanned", ticket("D", "D1"), false);
            first_scan("D1 is scanned, which was here before", ticket("D", "D1", "O1", "DV", 1), true);
            first_scan("D1 of an unknown type is scanned", ticket("D", "D1", "O1", "DX"), true);
        } else if (!has_ticket("F")) {
            if (its_own())
                repair("F1 is scanned", ticket("F", "F1"));
            scan_beside("F1 of another order is scanned", ticket("F", "F1", "O2"));
        }
        if (stay_ == nullptr)
            return;
        if (stay_->doubt != Doubt::none && has_ticket("D") && its_own())
            repair("D1 is scanned again", ticket("D", "D1"));
        if (has_ticket("D") && stay_->refused_tickets.empty())
            scan_beside("D2 is scanned", ticket("D", "D2"));
        if (std::holds_alternative<WrongPair>(stay_->identity)) {
            repair("the right F1 is said",
                   proposed(supervisor, CorrectTicket{"F", Serial{"F1"}, "O1", "FV", "", 0}));
        }
        if (std::holds_alternative<UnknownVariant>(stay_->identity)) {
            repair("the right D1 is said",
                   proposed(supervisor, CorrectTicket{"D", Serial{"D1"}, "O1", "DV", "", 0}));
        }
    }

    // ---- the tools
    [[nodiscard]] ResultReceived result(std::size_t index, const Kept& kept) const {
        return {now_.newest.tools[index].id, now_.tools[index].epoch, kept.reading, made_in(kept.when), 1};
    }

    // It makes one; it arrives, or stays in the tool.
    void hit(std::size_t index, const std::string& name, const Hit& hit, bool as_mishap,
             MadeIn when = MadeIn::this_stay) {
        Making* making = start(name, as_mishap);
        if (making == nullptr)
            return;
        ToolOnFloor& real = making->act.after.tools[index];
        Kept kept{reading(hit), when};
        kept.reading.counter = ++real.made;
        real.kept.push_back(kept);
        making->event(result(index, kept));
        done();
    }
    void hit_unheard(std::size_t index, const std::string& name, const Hit& hit) {
        Making* making = start(name, true);
        if (making == nullptr)
            return;
        ToolOnFloor& real = making->act.after.tools[index];
        Kept kept{reading(hit), MadeIn::this_stay};
        kept.reading.counter = ++real.made;
        real.kept.push_back(kept);
        making->act.recorded = false;
        done();
    }

    [[nodiscard]] static protocol::Reading reading(const Hit& hit) {
        protocol::Reading made;
        made.program = hit.program;
        made.direction = hit.direction;
        made.torque = nm(hit.torque_nm);
        made.angle = deg(hit.angle_deg);
        made.tool_verdict = protocol::ToolVerdict::ok;
        return made;
    }

    [[nodiscard]] std::uint64_t known_count(const ToolState& known) const {
        if (const auto* following = std::get_if<Following>(&known.count))
            return following->counter;
        const auto* broken = std::get_if<Broken>(&known.count);
        return broken != nullptr ? broken->newest : 0;
    }

    [[nodiscard]] static bool never_came(const ToolState& known, const Kept& kept) {
        return std::ranges::any_of(known.missing, [&](const MissingRange& range) {
            return range.from <= kept.reading.counter && kept.reading.counter <= range.to;
        });
    }

    void tool(std::size_t index) {
        const ToolState& known = now_.newest.tools[index];
        const ToolOnFloor& real = now_.tools[index];
        const std::string name = known.id.text;
        if (known.link != Quality::good || !known.asked) {
            if (Making* making = start(name + " is connected and says its count")) {
                making->event(ToolLinkChanged{known.id, Quality::good, "", 1})
                    .event(ToolAnswered{known.id, real.epoch, real.made});
                done();
            }
            if (!known.asked)
                repair("a person looked at " + name, proposed(supervisor, AcceptSource{known.id}));
        } else {
            mishap(name + " falls silent", ToolLinkChanged{known.id, Quality::stale, "", 1});
        }
        const bool broken = std::holds_alternative<Broken>(known.count);
        if (broken || known.conflict || known.outstanding_to)
            repair("nobody brings what " + name + " lacks", proposed(supervisor, AcceptGap{known.id}));
        if (known.link != Quality::good)
            return;
        for (const Kept& kept : real.kept) {
            const bool counted =
                kept.reading.counter <= known_count(known) && !broken && !never_came(known, kept);
            if (Making* making = start(name + " sends a result that it kept", counted)) {
                making->event(result(index, kept));
                making->act.resent = counted;
                done();
            }
        }
        if (!known.recent.empty() && known.recent.back().counter == real.made && !known.conflict) {
            auto twin = result(index, Kept{reading(mount_ok), MadeIn::this_stay});
            twin.reading.counter = real.made;
            ++twin.digest;
            mishap(name + " sends another result under the same number", twin);
        }
        if (!known.recent.empty() && known.recent.back().counter == real.made && real.kept.empty()) {
            if (Making* making = start(name + " sends its last result again", true)) {
                Kept again{reading(mount_ok), MadeIn::this_stay};
                again.reading.counter = real.made;
                making->event(result(index, again));
                making->act.resent = true;
                done();
            }
        }
        if (stay_ == nullptr || !bay_.signed_on) {
            hit(index, name + " makes a result while no unit is there", mount_ok, true, MadeIn::nobodys_time);
            return;
        }
        hits(index, name);
    }

    void hits(std::size_t index, const std::string& name) {
        const bool is_mount = index == 0;
        const Hit good = is_mount ? mount_ok : cap_ok;
        Hit low = good;
        low.torque_nm = 15;
        Hit second = good;
        second.angle_deg = 1;
        Hit loosening = good;
        loosening.direction = Direction::loosen;
        loosening.torque_nm = 0;
        const JointState* joint = joint_of(*stay_, is_mount ? "mount" : "cap");
        const bool waits =
            joint != nullptr && std::ranges::any_of(joint->fasteners, &FastenerState::loosening_due);
        const bool open =
            joint != nullptr && std::ranges::any_of(joint->fasteners, [](const FastenerState& f) {
                return !f.passes.front().proof.has_value();
            });
        const ToolOnFloor& real = now_.tools[index];
        if (!real.kept.empty())
            return mishap_after_kept(index, name, good);
        // Who goes on while a question is open, or on a locked fastener, does not work as he should.
        const bool locked =
            joint != nullptr && std::ranges::any_of(joint->fasteners, [](const FastenerState& f) {
                return f.locked || f.replacement_due;
            });
        const bool smooth = stay_->unassigned.empty() && stay_->doubt == Doubt::none && !locked &&
                            stay_->refused_tickets.empty() &&
                            std::holds_alternative<Following>(now_.newest.tools[index].count);
        hit(index, name + " tightens well", good, !open || waits || !smooth);
        hit(index, name + " tightens too low", low, true);
        hit(index, name + " loosens", loosening,
            !waits || !stay_->unassigned.empty() || stay_->doubt != Doubt::none ||
                !stay_->refused_tickets.empty());
        hit(index, name + " hits a tight fastener", second, true);
        hit(index, name + " tightens while the units change", good, true, MadeIn::across);
        after_a_lost_one(index, name, good);
        hit_unheard(index, name + " loosens, unheard", loosening);
        hit_unheard(index, name + " tightens well, unheard", good);
    }

    void after_a_lost_one(std::size_t index, const std::string& name, const Hit& good) {
        Making* making = start(name + " tightens well after a result that is lost for good", true);
        if (making == nullptr)
            return;
        ToolOnFloor& real = making->act.after.tools[index];
        real.made += 2;
        Kept kept{reading(good), MadeIn::this_stay};
        kept.reading.counter = real.made;
        real.kept.push_back(kept);
        making->event(result(index, kept));
        done();
    }

    void mishap_after_kept(std::size_t index, const std::string& name, const Hit& good) {
        hit(index, name + " tightens well after a result that it kept", good, true);
    }

    // ---- people
    [[nodiscard]] Proposed proposed(PersonNumber by, Action action) const {
        return {bay_id, std::move(action), by, "checked", "checked by hand", now_.newest.newest};
    }
    [[nodiscard]] static OverrideJoint over(const std::string& id) {
        return {JointId{id}, "turned by hand", nm(50)};
    }

    void lift_holds() {
        for (const UnitHold& hold : now_.newest.holds)
            repair("quality lifts the hold", proposed(quality, LiftHold{hold.unit}));
        for (const SourceHold& hold : now_.newest.source_holds)
            repair("quality lifts the hold on " + text_of(hold.source),
                   proposed(quality, LiftHoldFrom{hold.source}));
    }

    [[nodiscard]] Proposed calibrated(std::int64_t done_utc_us) const {
        return proposed(quality, RecordCalibration{ToolId{"T1"}, done_utc_us, "C-17"});
    }
    void calibrations() {
        constexpr std::int64_t long_ago = -500LL * 86'400'000'000;
        if (is_out_of_calibration(now_.newest.tools.front()))
            repair("T1 is calibrated", calibrated(0));
        else if (stay_->joints.size() == 2 && has_open(0) && !something_went_wrong())
            mishap("T1 turns out not to have been calibrated for long", calibrated(long_ago));
    }

    void deciding() {
        if (!bay_.signed_on)
            repair("the operator signs on", OperatorSignedOn{bay_id, worker});
        lift_holds();
        if (stay_ == nullptr)
            return;
        questions();
        calibrations();
        joints();
        results();
        two_people();
        if (has_ticket("F") && now_.newest.holds.empty())
            mishap("F1 is put on hold", proposed(supervisor, PlaceHold{Serial{"F1"}}));
        mishap("the operator signs off", OperatorSignedOff{bay_id, {}});
        if (stay_->tickets.empty() && !person_of(now_.newest, quality)->suspended)
            mishap("quality is suspended", PersonSuspended{quality, admin, other_supervisor});
        if (stay_->checks.empty()) {
            repair("the look is confirmed", CheckConfirmed{bay_id, "look", worker, now_.newest.newest});
            if (bay_.signed_on)
                repair("the look is confirmed by its button",
                       ButtonPressed{bay_id, "IO/1", "look", made_in(MadeIn::this_stay)});
            mishap("a button is pressed that names no open step", ButtonPressed{bay_id, "IO/1", "none", {}});
        }
    }

    void questions() {
        if (!stay_->refused_tickets.empty())
            repair("the unit is still here", proposed(supervisor, UnitStillHere{}));
        if (!now_.equipment.unit_there || !its_own())
            repair("the unit has left", proposed(supervisor, UnitHasLeft{Token{1000}}));
        if (has_ticket("D") && stay_->tickets.front().earlier_stays > 0 && !stay_->return_accepted)
            repair("the return is accepted", proposed(supervisor, AcceptReturn{}));
        for (const MovementSeen& moved : stay_->moved_unproven)
            repair("the movement is acknowledged", proposed(supervisor, AcknowledgeMove{moved.permissive}));
        for (const MovementSeen& used : stay_->used)
            repair("the movement may be made once more",
                   proposed(supervisor, RearmPermissive{used.permissive}));
        for (const EventNumber& event : stay_->set_aside)
            repair("the event set aside was looked at", proposed(supervisor, DisposeSetAside{event}));
        if (stay_->differs)
            repair("the difference was looked at", proposed(supervisor, AcceptDifference{}));
    }

    void hand_checks() {
        const auto checked = [&](Torque torque) {
            return HandChecked{bay_id, JointId{"mount"}, 0, torque, "", "", quality, now_.newest.newest};
        };
        mishap("a hand check of mount is outside its limits", checked(nm(1)));
        if (Making* making = start("a hand check of mount is inside its limits", false)) {
            making->event(checked(nm(50))).durable_at_once();
            done();
        }
    }

    void joints() {
        for (const JointState& joint : stay_->joints) {
            const std::string& id = joint.id.text;
            bool in_trouble = false;
            for (std::uint32_t i = 0; i < joint.fasteners.size(); ++i) {
                const FastenerState& fastener = joint.fasteners[i];
                in_trouble = in_trouble || fastener.passes.front().not_ok;
                if (fastener.locked || fastener.replacement_due)
                    repair(id + " may be tried once more", proposed(supervisor, UnlockFastener{joint.id, i}));
            }
            if (id == "mount" && joint.fasteners.front().passes.front().proof && !now_.limits_curves &&
                !now_.checks && !now_.bypasses) {
                hand_checks();
                if (now_.newest.source_holds.empty() && !now_.limits_curves)
                    mishap("its tool is put on hold",
                           proposed(supervisor, PlaceHoldOn{HeldTool{ToolId{"T1"}}}));
            }
            if (joint.override_)
                repair("the override of " + id + " is taken back",
                       proposed(quality, TakeBackOverride{joint.id}));
            else if (stay_->proposals.empty())
                happens("a supervisor overrides " + id, proposed(supervisor, over(id)), !in_trouble);
        }
    }

    void results() {
        for (const UnassignedResult& result : stay_->unassigned) {
            repair("a result is set aside", proposed(supervisor, SetResultAside{result.result}));
            const JointId joint{result.tool.text == "T1" ? "mount" : "cap"};
            if (stay_->proposals.empty() && joint_of(*stay_, joint.text) != nullptr)
                repair("a result is filed to " + joint.text,
                       proposed(supervisor, AssignResult{result.result, joint, 0}));
        }
    }

    void two_people() {
        // With passes it would only be another way out of everything.
        if (stay_->proposals.empty() && something_went_wrong() && !stay_->leaves_incomplete && !now_.checks)
            repair("a supervisor lets it leave incomplete", proposed(supervisor, LeaveIncomplete{}));
        for (const Proposal& proposal : stay_->proposals) {
            const EventNumber seen = now_.newest.newest;
            repair("quality seconds it", Seconded{bay_id, proposal.number, quality, seen});
            // He signs what stood on a screen that nobody refreshed.
            mishap("quality seconds what it saw before",
                   Seconded{bay_id, proposal.number, quality, proposal.what.seen});
            mishap("the same person seconds it", Seconded{bay_id, proposal.number, supervisor, seen});
            mishap("the worker seconds it", Seconded{bay_id, proposal.number, worker, seen});
            repair("it is taken back", ProposalEnded{bay_id, proposal.number, supervisor, ""});
            const Person* first = person_of(now_.newest, quality);
            if (first != nullptr && first->suspended)
                while_quality_is_away(proposal, seen);
        }
    }

    void while_quality_is_away(const Proposal& proposal, EventNumber seen) {
        repair("another supervisor seconds it", Seconded{bay_id, proposal.number, other_supervisor, seen});
        if (now_.newest.deputies.empty())
            repair("the worker is to stand in for quality",
                   DeputyNamed{worker, Role::quality_engineer, deputy_until, admin, supervisor});
        else
            repair("the deputy seconds it", Seconded{bay_id, proposal.number, worker, seen});
    }

    // ---- orders
    [[nodiscard]] static OrdersReceived sent(protocol::OrderAction action) {
        return {.source = OrderSource::request,
                .number = 0,
                .name = {},
                .sha256 = {},
                .by = supervisor,
                .orders = {{2, "O1", std::move(action)}},
                .closed = {}};
    }
    [[nodiscard]] static protocol::OrderContent for_variant(std::string variant) {
        return {.variant = std::move(variant), .tickets = {}, .sequence = {}, .due_utc_us = {}};
    }

    void planning() {
        const auto& open = now_.newest.orders;
        const auto& closed = now_.newest.closed_orders;
        if (open.empty() && (closed.empty() || closed.front().end == OrderEnd::cancelled)) {
            repair("planning sends order O1", sent(protocol::AddOrder{for_variant("V")}));
            return;
        }
        if (open.empty()) {
            mishap("planning sends order O1 once more", sent(protocol::AddOrder{for_variant("V")}));
            return;
        }
        mishap("planning cancels order O1", sent(protocol::CancelOrder{}));
        if (open.front().content.variant == "V")
            mishap("planning changes order O1", sent(protocol::ChangeOrder{for_variant("W")}));
        else
            repair("planning changes order O1 back", sent(protocol::ChangeOrder{for_variant("V")}));
    }

    void deciding_about_orders() {
        if (stay_->order && stay_->order->standing != OrderStanding::as_taken && !stay_->order->settled) {
            repair("the unit is built by the order as it was",
                   proposed(supervisor, SettleOrder{OrderChoice::as_taken}));
            repair("the unit is built by the order as it is now",
                   proposed(supervisor, SettleOrder{OrderChoice::as_now}));
        }
        for (const interlock::Ticket& ticket : stay_->tickets) {
            if (ticket.joined && stay_->reuses.empty())
                repair("the sub-assembly was taken out", proposed(supervisor, AcceptReuse{ticket.serial}));
        }
        lift_holds();
        if (stay_->checks.empty())
            repair("the look is confirmed", CheckConfirmed{bay_id, "look", worker, now_.newest.newest});
        two_people();
    }

    void scans_of_orders() {
        if (!now_.equipment.unit_there || bay_.departure_due)
            return;
        if (!has_ticket("D")) {
            first_scan("D1 is scanned", ticket("D", "D1"), false);
            first_scan("D2 of the same order is scanned", ticket("D", "D2"), true);
        } else if (!has_ticket("F")) {
            repair("F1 is scanned", ticket("F", "F1"));
            TicketScanned used = ticket("F", "F1", "O1", "FV", 1);
            used.joined = JoinedBefore{Serial{"D9"}, EventNumber{1}, 0};
            mishap("F1, which is in another unit, is scanned", used);
        }
        if (stay_ != nullptr && stay_->doubt != Doubt::none && has_ticket("D"))
            repair("D is scanned again", ticket("D", stay_->tickets.front().serial.text));
    }

    void orders() {
        planning();
        const Equipment& real = now_.equipment;
        if (!link_good())
            link();
        if (!real.unit_there && link_good())
            changes("a unit arrives", false, [&](Equipment& e) {
                e.unit_there = true;
                e.arrivals += 1;
                e.echoed = stay_ != nullptr ? stay_->token : bay_.offered;
                e.units_own = Token{};
            });
        if (real.unit_there)
            departs(on_wire(now_, bay_.permissives[1]).code == OnWire::withheld);
        if (!bay_.signed_on)
            repair("the operator signs on", OperatorSignedOn{bay_id, worker});
        scans_of_orders();
        for (std::size_t i = 0; i < now_.tools.size(); ++i)
            tool_with_orders(i);
        if (stay_ != nullptr)
            deciding_about_orders();
    }

    // ---- curves
    void arrives_and_departs() {
        if (!link_good())
            link();
        if (!now_.equipment.unit_there && link_good())
            changes("a unit arrives", false, [&](Equipment& e) {
                e.unit_there = true;
                e.arrivals += 1;
                e.echoed = stay_ != nullptr ? stay_->token : bay_.offered;
                e.units_own = Token{};
            });
        if (now_.equipment.unit_there)
            departs(on_wire(now_, bay_.permissives[1]).code == OnWire::withheld);
    }

    // Of the newest result, and of whatever is waited for.
    void curves_of(std::size_t index) {
        const ToolState& known = now_.newest.tools[index];
        const std::string& name = known.id.text;
        const Torque torque = nm(index == 0 ? 50 : 25);
        for (const SeenResult& seen : known.recent) {
            if (seen.counter != now_.tools[index].made && !is_awaited(known.id, seen.counter))
                continue;
            const auto bring = [&](const std::string& what, const protocol::CurveReport& read) {
                return TraceReceived{known.id, seen.epoch, seen.counter, what, 1, 1, read};
            };
            const std::string whose =
                " of " + name + (seen.counter == now_.tools[index].made ? "" : ", an earlier one");
            happens("the curve comes" + whose, bring(good_curve, read_of(torque, nm(15))));
            mishap("a curve that breaks a limit comes" + whose, bring("bad", read_of(torque, nm(25))));
            mishap("a damaged curve comes" + whose, bring("damaged", {protocol::CurveFault::turns_back, {}}));
            mishap("no curve will come" + whose, CurveGivenUp{known.id, seen.epoch, seen.counter, ""});
        }
        if (!has_open(index) || (index == 1 && has_open(0)))
            return;
        if (Making* making = start("a curve comes before its result, of " + name, true)) {
            ToolOnFloor& real = making->act.after.tools[index];
            making->event(TraceReceived{known.id, real.epoch, real.made + 1, good_curve, 1, 1,
                                        read_of(torque, nm(15))});
            making->durable_at_once();
            done();
        }
    }

    [[nodiscard]] bool is_awaited(const ToolId& tool, std::uint64_t counter) const {
        return stay_ != nullptr && std::ranges::any_of(stay_->joints, [&](const JointState& joint) {
                   return std::ranges::any_of(joint.fasteners, [&](const FastenerState& fastener) {
                       const auto& awaited = fastener.passes.front().awaited;
                       return awaited && awaited->of.tool == tool && awaited->of.counter == counter;
                   });
               });
    }

    [[nodiscard]] bool has_open(std::size_t index) const {
        const JointState* joint =
            stay_ != nullptr && bay_.signed_on ? joint_of(*stay_, index == 0 ? "mount" : "cap") : nullptr;
        return joint != nullptr && stay_->doubt == Doubt::none &&
               std::holds_alternative<Identified>(stay_->identity) &&
               std::ranges::any_of(joint->fasteners, [](const FastenerState& f) {
                   return !f.passes.front().proof && !f.passes.front().awaited && !f.locked &&
                          !f.replacement_due && !f.loosening_due;
               });
    }

    void tool_with_curves(std::size_t index) {
        const ToolState& known = now_.newest.tools[index];
        const std::string& name = known.id.text;
        if (known.link != Quality::good || !known.asked) {
            tool_with_orders(index);
            return;
        }
        curves_of(index);
        // One joint after the other, though curves of the first may still be to come.
        if (has_open(index) && (index == 0 || !has_open(0)))
            hit(index, name + " tightens well", index == 0 ? mount_ok : cap_ok, false);
        const JointState* joint = stay_ != nullptr ? joint_of(*stay_, index == 0 ? "mount" : "cap") : nullptr;
        if (joint == nullptr || !bay_.signed_on)
            return;
        Hit loosening = index == 0 ? mount_ok : cap_ok;
        loosening.direction = Direction::loosen;
        loosening.torque_nm = 0;
        const bool waits = std::ranges::any_of(joint->fasteners, &FastenerState::loosening_due);
        hit(index, name + " loosens", loosening, !waits);
    }

    void with_curves() {
        arrives_and_departs();
        if (!bay_.signed_on)
            repair("the operator signs on", OperatorSignedOn{bay_id, worker});
        scans_of_orders();
        for (std::size_t i = 0; i < now_.tools.size(); ++i)
            tool_with_curves(i);
        lift_holds();
        if (stay_ == nullptr)
            return;
        questions();
        results();
        joints();
        two_people();
        if (stay_->checks.empty() && !stay_->joints.empty() && !has_open(0) && !has_open(1))
            repair("the look is confirmed", CheckConfirmed{bay_id, "look", worker, now_.newest.newest});
    }

    // ---- passes and positions
    // What turns a fastener of mount lets it relax anew.
    void turn(const std::string& name, const Hit& made, bool as_mishap) {
        if (as_mishap && now_.mishaps_left == 0)
            return;
        hit(0, name, made, as_mishap);
        constexpr std::int64_t good_check_at_most = 8;
        const bool only_checked =
            made.program == "K1" && made.angle_deg <= good_check_at_most && now_.relaxed;
        // What counts for no fastener is a question to people, and holds until they answer it.
        const bool asked = std::holds_alternative<Unassigned>(acts_.back().records.back().outcome);
        if (made.angle_deg > 1 && !only_checked && !asked)
            acts_.back().after.relaxed = false;
    }

    [[nodiscard]] static bool is_open(const JointState& joint, std::size_t pass) {
        return std::ranges::any_of(joint.fasteners,
                                   [&](const FastenerState& f) { return !f.passes[pass].proof; });
    }

    // Whatever is made while a question is open waits for people, as often as it is made.
    [[nodiscard]] bool is_clear() const {
        return stay_->doubt == Doubt::none && stay_->refused_tickets.empty();
    }

    void mount_with_checks(const JointState& mount) {
        for (std::uint32_t i = 0; i < mount.fasteners.size(); ++i) {
            const std::size_t pass = is_open(mount, 0) ? 0 : 1;
            const bool first_open = !mount.fasteners[i].passes[pass].proof &&
                                    (i == 0 || mount.fasteners[0].passes[pass].proof.has_value());
            if (!stay_->selection || stay_->selection->fastener != i)
                happens("fastener " + std::to_string(i + 1) + " of mount is selected",
                        FastenerSelected{bay_id, JointId{"mount"}, i, worker, now_.newest.newest},
                        !first_open);
        }
        if (mount.wait && !mount.wait->over) {
            if (Making* making = start("mount has relaxed, and its check is due")) {
                making->act.after.relaxed = true;
                making->event(CheckDue{stay_->id, JointId{"mount"}, mount.wait->pass, mount.wait->began});
                done();
            }
        }
        const bool locked = std::ranges::any_of(
            mount.fasteners, [](const FastenerState& f) { return f.locked || f.loosening_due; });
        const bool ready = stay_->selection && !locked && is_clear();
        const Hit good_check{"T1", "K1", 50, 3};
        Hit second = mount_ok;
        second.angle_deg = 1;
        turn("T1 tightens well", mount_ok, !ready || !is_open(mount, 0));
        turn("T1 checks well", good_check,
             !ready || is_open(mount, 0) || !is_open(mount, 1) || !now_.relaxed);
        turn("T1 checks and turns far", {"T1", "K1", 50, 20}, true);
        turn("T1 hits a tight fastener", second, true);
        Hit loosened = mount_ok;
        loosened.direction = Direction::loosen;
        loosened.torque_nm = 0;
        const bool due = std::ranges::any_of(mount.fasteners, &FastenerState::loosening_due);
        turn("T1 loosens", loosened, !due || !is_clear());
    }

    void cap_with_arm(const JointState& cap) {
        // Also at one that the joint does not have.
        for (std::uint32_t place = 0; place <= cap.fasteners.size() + 1; ++place) {
            const bool told = !now_.newest.tools[1].arm.empty();
            if (place == now_.arm_at && told)
                continue;
            const std::string where = place == 0 ? "nowhere" : "fastener " + std::to_string(place);
            if (Making* making = start("the arm of T2 goes to " + where)) {
                making->act.after.arm_at = place;
                making->event(ArmMoved{
                    ToolId{"T2"}, place == 0 ? std::nullopt : std::optional(place), {30, 31, "boot"}});
                done();
            }
        }
        const bool at_one = now_.arm_at != 0 && now_.arm_at <= cap.fasteners.size();
        const auto& arm = now_.newest.tools[1].arm;
        const bool told = !arm.empty() && arm.back().position == now_.arm_at;
        const bool here = at_one && told && is_clear() && !cap.fasteners[now_.arm_at - 1].passes[0].proof;
        hit(1, "T2 tightens well", cap_ok, !here);
        Hit loosened = cap_ok;
        loosened.direction = Direction::loosen;
        loosened.torque_nm = 0;
        hit(1, "T2 loosens", loosened, true);
    }

    // What has nothing to do with passes is made ready in one order: it has been looked at in every other.
    [[nodiscard]] bool makes_ready() {
        for (std::size_t i = 0; i < now_.tools.size(); ++i) {
            const ToolState& known = now_.newest.tools[i];
            if (known.link == Quality::good && known.asked)
                continue;
            tool_with_orders(i);
            return true;
        }
        if (bay_.signed_on)
            return false;
        repair("the operator signs on", OperatorSignedOn{bay_id, worker});
        return true;
    }

    void tickets_for_checks() {
        if (!now_.equipment.unit_there || bay_.departure_due)
            return;
        if (!has_ticket("D"))
            first_scan("D1 is scanned", ticket("D", "D1"), false);
        else if (!has_ticket("F"))
            repair("F1 is scanned", ticket("F", "F1"));
        else if (stay_ != nullptr && stay_->doubt != Doubt::none)
            repair("D is scanned again", ticket("D", stay_->tickets.front().serial.text));
    }

    void with_checks() {
        if (makes_ready())
            return;
        arrives_and_departs();
        tickets_for_checks();
        lift_holds();
        if (stay_ == nullptr)
            return;
        questions();
        results();
        joints();
        two_people();
        if (Making* making = start("the station is stopped and started in order", true)) {
            making->event(StationStopped{}).event(StationStarted{"test", true, {}});
            done();
        }
        const JointState* mount = joint_of(*stay_, "mount");
        const JointState* cap = joint_of(*stay_, "cap");
        const bool works = std::holds_alternative<Identified>(stay_->identity);
        if (mount == nullptr || cap == nullptr || !works)
            return;
        // One joint after the other.
        if (is_open(*mount, 0) || is_open(*mount, 1))
            mount_with_checks(*mount);
        else if (is_open(*cap, 0))
            cap_with_arm(*cap);
        else if (stay_->checks.empty())
            repair("the look is confirmed", CheckConfirmed{bay_id, "look", worker, now_.newest.newest});
    }

    // ---- bypasses
    void ordering() {
        const JointId cap{"cap"};
        const Bypass* bypass = bypass_of(now_.newest, cap);
        if (bypass == nullptr || bypass->ended) {
            for (const std::uint32_t units : {1U, 2U})
                happens("cap is to be done by hand, for " + std::to_string(units),
                        proposed(quality, PlaceBypass{cap, "by-hand", bypass_until, units}));
        }
        if (bypass != nullptr && bypass->ended)
            repair("cap works as planned again", proposed(quality, VerifyRestart{cap, "tried"}));
        if (bypass != nullptr && !bypass->ended) {
            happens("cap is to be done as planned again", proposed(supervisor, EndBypass{cap}));
            if (Making* making = start("the time of the bypass is over")) {
                making->event(SnapshotTaken{""}, bypass_until);
                done();
            }
        }
    }

    void cap_by_hand(const JointState& cap) {
        if (!cap.confirmed)
            repair("the worker says that cap is done",
                   CheckConfirmed{bay_id, "cap", worker, now_.newest.newest});
        else if (!cap.witnessed) {
            repair("the supervisor has seen that cap is done", proposed(supervisor, WitnessJoint{cap.id}));
            mishap("the worker has seen that cap is done", proposed(worker, WitnessJoint{cap.id}));
        } else {
            mishap("the worker says once more that cap is done",
                   CheckConfirmed{bay_id, "cap", worker, now_.newest.newest});
        }
        hit(1, "T2 tightens, though cap is done by hand", cap_ok, true);
    }

    void with_bypasses() {
        if (makes_ready())
            return;
        ordering();
        arrives_and_departs();
        tickets_for_checks();
        lift_holds();
        if (stay_ == nullptr)
            return;
        questions();
        results();
        joints();
        two_people();
        for (std::size_t i = 0; i < now_.tools.size(); ++i)
            tool_with_orders(i);
        const JointState* cap = joint_of(*stay_, "cap");
        if (cap != nullptr && cap->fasteners.empty())
            cap_by_hand(*cap);
        if (stay_->checks.empty() && cap != nullptr && !has_open(0) && !has_open(1))
            repair("the look is confirmed", CheckConfirmed{bay_id, "look", worker, now_.newest.newest});
    }

    void tool_with_orders(std::size_t index) {
        const ToolState& known = now_.newest.tools[index];
        if (known.link != Quality::good || !known.asked) {
            if (Making* making = start(known.id.text + " is connected and says its count")) {
                making->event(ToolLinkChanged{known.id, Quality::good, "", 1})
                    .event(ToolAnswered{known.id, now_.tools[index].epoch, now_.tools[index].made});
                done();
            }
            return;
        }
        const JointState* joint =
            stay_ != nullptr && bay_.signed_on ? joint_of(*stay_, index == 0 ? "mount" : "cap") : nullptr;
        const bool open = joint != nullptr && stay_->doubt == Doubt::none &&
                          std::holds_alternative<Identified>(stay_->identity) &&
                          std::ranges::any_of(joint->fasteners, [](const FastenerState& f) {
                              return !f.passes.front().proof.has_value();
                          });
        if (open)
            hit(index, known.id.text + " tightens well", index == 0 ? mount_ok : cap_ok, false);
    }

    // ---- the record about itself
    void record_itself() {
        if (stay_ == nullptr) {
            for (Payload payload : {Payload{SnapshotTaken{""}}, Payload{SignInRefused{worker, ""}},
                                    Payload{InputRefused{"", "", "", 1}},
                                    Payload{LabelMisread{bay_id, "", ""}}, Payload{TraceReceived{}}}) {
                if (Making* making = start("something is noted", false)) {
                    making->event(std::move(payload)).durable_at_once();
                    done();
                }
            }
            return;
        }
        if (stay_->set_aside.empty())
            mishap("an event is set aside", EventSetAside{bay_id, "", "", {}, "", 0, 0});
        if (!stay_->differs)
            mishap("a newer program differs", DecisionDiffered{EventNumber{1}, "next"});
    }

    const Situation& now_;
    const BayState& bay_;
    const Stay* stay_;
    std::optional<Making> making_;
    std::vector<Act> acts_;
};

}  // namespace

const RuleBook& rulebook() {
    static const RuleBook rules{{Revision{"r0"}, std::make_shared<const config::Station>(without_lift())},
                                {Revision{"r1"}, std::make_shared<const config::Station>(two_joints())},
                                {Revision{"r2"}, std::make_shared<const config::Station>(with_orders())},
                                {Revision{"r3"}, std::make_shared<const config::Station>(curve_limits())},
                                {Revision{"r4"}, std::make_shared<const config::Station>(checked_later())},
                                {Revision{"r5"}, std::make_shared<const config::Station>(done_by_hand())}};
    return rules;
}

Situation in_service(std::uint32_t mishaps, About about, std::vector<Act>& told) {
    Situation at;
    at.takes_orders = about == About::orders;
    at.limits_curves = about == About::curves;
    at.checks = about == About::passes;
    at.bypasses = about == About::bypasses;
    at.mishaps_left = mishaps;
    at.tools.resize(2);
    for (const std::string id : {"lift", "leave", "side"})
        at.equipment.moved.push_back({PermissiveId{id}, 10});
    const auto happens = [&](Payload payload) {
        Making making(at, "coming into service", false);
        making.event(std::move(payload));
        at = making.act.after;
        at.durable.reset();
        at.undurable = 0;
        told.push_back(std::move(making.act));
    };
    const auto persons_come_and_go = [&] {
        const PersonNumber other{9};
        happens(SignInRefused{worker, "", 900});
        happens(PersonUnlocked{worker, quality});
        happens(SecretRenewed{worker, "m"});
        happens(DeputyNamed{worker, Role::quality_engineer, deputy_until, admin, supervisor});
        happens(DeputyEnded{worker, Role::quality_engineer, worker});
        happens(AdministratorReplaced{Person{other, {Role::administrator}, false, "m", "m"}, {admin}});
        happens(PersonEnrolled{Person{admin, {Role::administrator}, false}, other, supervisor});
        happens(PersonSuspended{other, admin, supervisor});
        happens(NameErased{other, admin, supervisor});
    };
    const auto person = [&](PersonNumber number, Role role, bool two) {
        happens(PersonEnrolled{Person{number, {role}, false},
                               at.newest.people.empty() ? std::nullopt : std::optional(admin),
                               two ? std::optional(supervisor) : std::nullopt});
    };
    happens(StationStarted{"test", true, {}});
    person(admin, Role::administrator, false);
    person(supervisor, Role::production_supervisor, false);
    person(quality, Role::quality_engineer, true);
    person(worker, Role::line_operator, true);
    person(other_supervisor, Role::production_supervisor, true);
    persons_come_and_go();
    const std::string rules = at.takes_orders    ? "r2"
                              : at.limits_curves ? "r3"
                              : at.checks        ? "r4"
                              : at.bypasses      ? "r5"
                                                 : "r1";
    happens(RulesApproved{Revision{rules}, admin, supervisor, {{bay_id, Token{1000}}}});
    const auto revision = at.newest.rules;
    happens(RulesApproved{Revision{"r0"}, admin, supervisor, {}});
    happens(RulesApproved{*revision, admin, supervisor, {}});
    happens(Proposed{bay_id, RecordCalibration{ToolId{"T1"}, 0, "C-17"}, quality, "checked",
                     "checked by hand", at.newest.newest});
    happens(ControllerLinkChanged{bay_id, Quality::good, "", 1});
    happens(ControllerReported{
        bay_id, Presence::absent, 10, 10, 10, at.equipment.moved, Token{}, false, Token{1001}, {}, {}});
    ResultReceived old{ToolId{"T1"}, "e1", {}, made_in(MadeIn::nobodys_time), 1};
    old.reading.counter = 10;
    happens(old);
    for (const std::string id : {"T1", "T2"}) {
        happens(ToolLinkChanged{ToolId{id}, Quality::good, "", 1});
        happens(ToolAnswered{ToolId{id}, "e1", 10});
    }
    return at;
}

std::vector<Act> everything_possible(const Situation& situation) { return Possible(situation).all(); }

WireOrder on_wire(const Situation& at, const PermissiveState& permissive) {
    return gate(bay_in_state(at.newest), permissive, at.on_disk().newest);
}

}  // namespace tautgate::exploration
