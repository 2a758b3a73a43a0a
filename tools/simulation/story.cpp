#include "tools/simulation/story.hpp"

#include <algorithm>
#include <utility>

#include <fmt/format.h>
#include <fmt/ranges.h>

namespace tautgate::simulation {

using nlohmann::json;
using protocol::Movement;

namespace {

// Longest that the station may take for anything it does by itself: settling times and a slow disk included.
constexpr std::chrono::milliseconds patience{15'000};

const std::string beam = "lift-beam";
const std::string carrier = "carrier";

bool is_identified(const json& bay, const std::string& unit) {
    const auto& occupant = bay.at("occupant");
    return occupant.is_object() && occupant.at("identity").at("unit") == unit;
}

bool is_empty(const json& bay) {
    return bay.at("occupant").is_null() && !bay.at("departure_due").get<bool>();
}

}  // namespace

std::expected<std::string, std::string> plan_of(const config::Station& station, const std::string& variant) {
    const auto found = std::ranges::find(station.variants, variant, &config::Variant::id);
    if (found != station.variants.end())
        return found->plan;
    std::vector<std::string> known;
    known.reserve(station.variants.size());
    for (const auto& one : station.variants)
        known.push_back(one.id);
    return std::unexpected(
        fmt::format("the station knows no variant '{}'; give one of {}", variant, fmt::join(known, ", ")));
}

bool Shift::check(bool good, const std::string& claim) {
    say_((good ? "ok     " : "WRONG  ") + claim);
    if (!good)
        ++wrong_;
    return good;
}

bool Shift::done(const std::expected<void, std::string>& step, const std::string& doing) {
    return step ? true : check(false, fmt::format("{}: {}", doing, step.error()));
}

UnitPapers Shift::next_papers(const std::string& variant) {
    const std::uint32_t n = next_unit_++;
    return {.order = fmt::format("LT26-{:04}", 417 + n),
            .variant = variant,
            .motor = fmt::format("TM{:06}", 871 + n),
            .frame = fmt::format("BF{:06}", 1203 + n)};
}

bool Shift::wait_until_ready() {
    std::string missing = "the station";
    const bool ready = ask_until(
        [&] {
            const auto now = crew_.station();
            if (!now)
                return false;
            missing.clear();
            for (const auto& tool : now->at("tools"))
                if (tool.at("link") != "good")
                    missing += fmt::format(" {}", tool.at("id").get<std::string>());
            for (const auto& bay : now->at("bays"))
                if (bay.at("controller").at("link") != "good")
                    missing += fmt::format(" controller of {}", bay.at("id").get<std::string>());
            return missing.empty();
        },
        patience);
    return check(ready, ready ? "tools and controller are connected" : "no good link:" + missing);
}

// ---- stories
// ------------------------------------------------------------------------------------------------

bool Shift::good_unit() {
    const auto papers = next_papers("MB1");
    say_(fmt::format("A good unit: {}", papers.name()));
    return bring(papers) && held(beam, "joint_open", "its joints are open") && tighten_from("motor-mounts") &&
           lift(papers) && leave(papers);
}

bool Shift::low_torque_repaired() {
    const auto papers = next_papers("MB4");
    say_(fmt::format("A low torque, repaired: {}", papers.name()));
    const std::string mounts = "motor-mounts-heavy";
    const Where second{mounts, 1, 0};
    if (!bring(papers) || !run({mounts, 0, 0}, Mishap::none, true, "motor mount front left is snug") ||
        !run(second, Mishap::let_go_early, false, "motor mount rear right: the trigger is let go early") ||
        !held(beam, "joint_not_ok", "a motor mount is not OK"))
        return false;
    // The tool does not say which bolt it loosens: the station takes the proof of the whole joint, and so all
    // of it is loosened and tightened again.
    for (const Where& loosened : {second, Where{mounts, 0, 0}})
        if (const auto off = floor_.loosen(loosened); !off)
            return check(false, off.error());
    for (std::size_t i = 0; i < 4; ++i)
        if (!run({mounts, i, 0}, Mishap::none, true, fmt::format("motor mount {} is snug", i + 1)))
            return false;
    for (std::size_t i = 0; i < 4; ++i)
        if (!run({mounts, i, 1}, Mishap::none, true, fmt::format("motor mount {} is tight", i + 1)))
            return false;
    return stored(mounts) && tighten_from("axle-box-caps") && lift(papers) && leave(papers);
}

bool Shift::bad_joint_overridden() {
    const auto papers = next_papers("MB1");
    say_(fmt::format("A joint that stays bad, and an override: {}", papers.name()));
    const std::string mounts = "motor-mounts";
    const Where snug{mounts, 0, 0};
    const Where tight{mounts, 0, 1};
    // The thread is cut too shallow: it carries the snug torque, not the final one, and then not even that.
    if (!bring(papers) || !run(snug, Mishap::stripped, true, "motor mount front left is snug"))
        return false;
    for (std::size_t i = 1; i < 4; ++i)
        if (!run({mounts, i, 0}, Mishap::none, true, fmt::format("motor mount {} is snug", i + 1)))
            return false;
    if (!run(tight, Mishap::none, false, "motor mount front left gives way") ||
        !held(beam, "joint_not_ok", "a motor mount is not OK"))
        return false;
    if (const auto off = floor_.loosen(tight); !off)
        return check(false, off.error());
    if (!run(snug, Mishap::none, false, "motor mount front left does not even get snug again") ||
        !held(beam, "fastener_locked", "its attempts are used up"))
        return false;

    const json action{
        {"override_joint",
         {{"joint", mounts},
          {"verified", "Thread recut, all four bolts tightened by hand and checked with a dial wrench"},
          {"checked_torque", {{"value", "500"}, {"unit", "N.m"}}}}}};
    const auto nobody = crew_.decide_unsigned(bay_, action);
    if (!check(nobody && *nobody == 401, "an override without a signed-in person is refused"))
        return false;
    bool waited = false;
    const auto overridden =
        crew_.decide(bay_, action, "thread-repaired", "Thread recut with the plant's own tap", [&] {
            waited = held(beam, "fastener_locked", "one signature is not enough");
            floor_.account().overridden(mounts);
        });
    return done(overridden, "override") && waited &&
           check(true, "two people let the motor mounts count without proof") &&
           tighten_from("axle-box-caps") && lift(papers) && leave(papers);
}

bool Shift::wrong_pair_corrected() {
    auto papers = next_papers("MB2");
    auto stranger = next_papers("MB2");
    say_(fmt::format("The frame of another order: {}", papers.name()));
    if (!set_down(papers, false) || !done(floor_.scan(papers.motor_label()), "scan") ||
        !done(floor_.scan(stranger.frame_label()), "scan") ||
        !held(beam, "wrong_pair", "frame and motor are of different orders"))
        return false;
    // Whatever the tool says now proves nothing.
    if (!run({"motor-mounts", 0, 0}, Mishap::none, true, "a bolt is tightened all the same") ||
        !stored("motor-mounts") || !held(beam, "wrong_pair", "tightening does not cure it") ||
        !held(carrier, "wrong_pair", "nor may it leave"))
        return false;

    // The right frame is fetched; its bolts are new, and the wrong scan stays in the record.
    if (!done(floor_.exchange_parts(), "fetching the right frame") ||
        !done(crew_.decide(bay_, {{"correct_ticket", {{"text", papers.frame_label()}}}},
                           "engineering-release", "The wrong frame was set in; the right one is here now"),
              "correcting the ticket"))
        return false;
    if (!check(crew_.await_bay(
                   bay_, [&](const json& bay) { return is_identified(bay, papers.motor); }, patience),
               "the right frame is known"))
        return false;
    const auto now = crew_.bay(bay_);
    if (!now)
        return check(false, now.error());
    // What was tightened before the pair was right belongs to nothing; people set it aside.
    for (const auto& result : now->at("occupant").at("unassigned"))
        if (!done(crew_.decide(bay_, {{"set_result_aside", {{"result", result.at("result")}}}},
                               "engineering-release", "Made on the wrong frame, which is gone"),
                  "setting a result aside"))
            return false;
    return tighten_from("motor-mounts") && lift(papers) && leave(papers);
}

bool Shift::nothing_moved_wrongly() {
    const auto violations = floor_.controller().violations();
    for (const auto& violation : violations)
        say_("WRONG  " + violation);
    wrong_ += violations.size();
    if (!violations.empty())
        return false;
    return check(true, "no permissive was released that the bolts did not bear out");
}

// ---- parts
// --------------------------------------------------------------------------------------------------

bool Shift::set_down(const UnitPapers& papers, bool matched) {
    const auto plan = plan_of(floor_.station(), papers.variant);
    if (!plan)
        return done(std::unexpected(plan.error()), "setting the unit down");
    const bool empty = crew_.await_bay(bay_, is_empty, patience) && floor_.await_next_token(patience);
    const bool seen =
        check(empty, empty ? "the bay is empty" : "the bay is not empty: type away first") &&
        done(floor_.set_down(*plan, matched), "setting the unit down") &&
        check(crew_.await_bay(
                  bay_, [](const json& bay) { return bay.at("occupant").is_object(); }, patience),
              "the station sees a unit arrive");
    floor_.unit_was_seen();
    return seen;
}

bool Shift::bring(const UnitPapers& papers) {
    return set_down(papers, true) && done(floor_.scan(papers.motor_label()), "scan") &&
           done(floor_.scan(papers.frame_label()), "scan") &&
           check(crew_.await_bay(
                     bay_, [&](const json& bay) { return is_identified(bay, papers.motor); }, patience),
                 fmt::format("both tickets of {} are scanned", papers.name()));
}

bool Shift::run(const Where& where, Mishap mishap, bool ok, const std::string& claim) {
    const auto measured = floor_.tighten(where, mishap);
    if (!measured)
        return check(false, measured.error());
    return check(measured->ok == ok,
                 fmt::format("{} ({:.1f} N.m, {:.1f} deg{}{})", claim, measured->torque, measured->angle,
                             measured->reason.empty() ? "" : ": ", measured->reason));
}

bool Shift::stored(const std::string& joint) {
    const auto* tool = floor_.tool_for(joint);
    return check(tool && tool->await_acknowledged(patience),
                 fmt::format("every result of {} is stored", tool ? tool->description().id : joint));
}

bool Shift::tighten(const std::string& joint) {
    return done(floor_.tighten_all(joint), "tightening") && stored(joint);
}

bool Shift::tighten_from(const std::string& first_joint) {
    bool begun = false;
    for (const auto& joint : floor_.joints_to_tighten()) {
        begun = begun || joint == first_joint;
        if (begun && !tighten(joint))
            return false;
    }
    return begun || check(false, fmt::format("the plan has no joint {}", first_joint));
}

bool Shift::held(const std::string& permissive, const std::string& reason, const std::string& because) {
    const bool named = crew_.await_reason(bay_, permissive, reason, patience);
    const bool still = floor_.controller().try_move(permissive) == Movement::refused;
    std::string found;
    if (!named)
        if (const auto why = crew_.why(bay_, permissive))
            found = fmt::format(" (found {})", fmt::join(why->codes, ", "));
    return check(named && still, fmt::format("{} held: {}{}{}", permissive, because, found,
                                             still ? "" : " (the PLC would have moved)"));
}

bool Shift::released(const std::string& permissive, const UnitPapers& papers) {
    if (floor_.controller().await_movement(permissive, Movement::allowed, patience))
        return check(floor_.controller().try_move(permissive) == Movement::allowed,
                     fmt::format("{} released for {}", permissive, papers.name()));
    std::string found;
    if (const auto why = crew_.why(bay_, permissive))
        found = fmt::format("{}", fmt::join(why->sentences, " "));
    return check(false, fmt::format("{} released for {}: {}", permissive, papers.name(), found));
}

// Confirms what people confirm, as far as `permissive` needs it.
bool Shift::confirm_until(const std::string& permissive) {
    const auto known = std::ranges::find(floor_.station().permissives, permissive, &config::Permissive::id);
    if (known == floor_.station().permissives.end() || known->scope != config::Scope::every_joint)
        return true;
    for (const auto& step : floor_.checks_to_confirm()) {
        floor_.account().confirmed(step);
        if (!done(crew_.confirm(bay_, step), "confirming"))
            return false;
    }
    return true;
}

bool Shift::lift(const UnitPapers& papers) {
    return confirm_until(beam) && released(beam, papers) &&
           held(beam, "movement_used", "the beam was raised once for this unit");
}

bool Shift::leave(const UnitPapers& papers) {
    if (!held(carrier, "check_open", "the clamps are not confirmed") || !confirm_until(carrier) ||
        !released(carrier, papers))
        return false;
    floor_.take_away();
    return check(crew_.await_bay(bay_, is_empty, patience), fmt::format("{} has left", papers.name()));
}

}  // namespace tautgate::simulation
