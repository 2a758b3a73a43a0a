#include "tests/end_to_end/reason_stand.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <stdexcept>
#include <thread>
#include <utility>

namespace tautgate::end_to_end {

using nlohmann::json;
using protocol::Movement;
using simulation::UnitPapers;

namespace {

bool is_empty(const json& bay) {
    return bay.at("occupant").is_null() && !bay.at("departure_due").get<bool>();
}

bool is_identified(const json& bay, const std::string& unit) {
    const auto& occupant = bay.at("occupant");
    return occupant.is_object() && occupant.at("identity").at("unit") == unit;
}

json& named(json& list, const std::string& id) {
    return *std::ranges::find_if(list, [&](const json& entry) { return entry.at("id") == id; });
}

std::string name_of(interlock::ReasonCode code) {
    std::string name;
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<interlock::ReasonCode>>([&](auto each) {
        if (each.value == code)
            name = each.name;
    });
    return name;
}

json text_or_null(const std::string& text) { return text.empty() ? json(nullptr) : json(text); }

}  // namespace

void shorten_plans(json& station) {
    const auto without = [](json& stages, const std::string& joint) {
        const auto found = std::ranges::find_if(stages, [&](const json& stage) {
            return stage.at("steps").front().value("tighten", "") == joint;
        });
        stages.erase(found);
    };
    auto& first = named(station["plans"], "plan-mb1")["stages"];
    without(first, "axle-box-caps");
    without(first, "bracket");
    auto& second = named(station["plans"], "plan-mb2")["stages"];
    without(second, "motor-mounts");
    without(second, "axle-box-caps");
    named(station["joints"], "bracket-mirrored")["retry"]["replace_fastener"] = true;
    station["people"]["sign_in_lasts_s"] = 3600;  // a test under a sanitizer takes its time
}

Plant::Arrangement with_short_plans() {
    Plant::Arrangement arrangement;
    arrangement.change = shorten_plans;
    return arrangement;
}

Plant::Arrangement taking_orders() {
    Plant::Arrangement arrangement;
    arrangement.change = [](json& station) {
        shorten_plans(station);
        station["orders"] = {{"folder", "orders"}, {"separator", "comma"}, {"still_for_ms", 100}};
    };
    return arrangement;
}

Plant::Arrangement watching_calibrations() {
    Plant::Arrangement arrangement;
    arrangement.change = [](json& station) {
        shorten_plans(station);
        named(station["tools"], "NR-20")["calibration"] = {{"every_days", 3653}};
    };
    return arrangement;
}

// The simulated curve is coarse, so that what it says may lie off what the tool says.
Plant::Arrangement limiting_curves(std::chrono::milliseconds waited) {
    Plant::Arrangement arrangement;
    arrangement.change = [waited](json& station) {
        shorten_plans(station);
        auto& snug = named(station["joints"], "motor-mounts")["passes"][0];
        snug["window"]["curve"] = {
            {"agreement", {{"torque_percent", 20}, {"angle", {{"value", 20}, {"unit", "deg"}}}}},
            {"patience_ms", waited.count()}};
    };
    return arrangement;
}

Plant::Arrangement checking_later(std::chrono::seconds relaxed) {
    Plant::Arrangement arrangement;
    arrangement.change = [relaxed](json& station) {
        shorten_plans(station);
        auto& mounts = named(station["joints"], "motor-mounts");
        mounts["placement"] = "selected";
        mounts["fasteners"] = {{{"name", "front left"}}, {{"name", "rear right"}}};
        mounts["retry"] = {{"attempts", 3}};
        mounts["passes"].push_back(
            {{"name", "check"},
             {"program", "M20-check"},
             {"check", {{"wait_s", relaxed.count()}}},
             {"window",
              {{"torque", {{"unit", "N.m"}, {"min", 450}, {"target", 480}, {"max", 530}}},
               {"angle", {{"unit", "deg"}, {"min", 0}, {"max", 20}, {"origin", "start"}}}}}});
        auto& tool = named(station["tools"], "NR-20");
        tool["longest_run_ms"] = 100;
        tool["silence_limit_ms"] = 1000;
    };
    return arrangement;
}

// ---- a unit
// -------------------------------------------------------------------------------------------------

simulation::SimulatedTool& Stand::tool(const std::string& id) {
    auto* found = floor().tool(id);
    if (found == nullptr)
        give_up("there is no tool " + id);
    return *found;
}

void Stand::arrives(const std::string& variant) { arrives(plant_.shift().next_papers(variant)); }

void Stand::arrives(const UnitPapers& papers) {
    papers_ = papers;
    const auto& variants = plant_.station().variants;
    const auto variant = std::ranges::find(variants, papers.variant, &config::Variant::id);
    need(floor().await_next_token(patience), "the equipment is offered no token for the next unit");
    need(floor().set_down(variant == variants.end() ? variants.front().plan : variant->plan));
    need(await([this] { return bay().at("occupant").is_object(); }), "no unit is seen to arrive");
    floor().unit_was_seen();
}

void Stand::scans(const std::string& label) { need(floor().scan(label)); }

void Stand::types(const std::string& label) { asks_as("line_operator", "/scans", {{"text", label}}); }

void Stand::identified(const std::string& variant) {
    arrives(variant);
    scans(papers_.motor_label());
    scans(papers_.frame_label());
    need(await([this] { return is_identified(bay(), papers_.motor); }), "the unit is not identified");
}

void Stand::finished() {
    identified("MB1");
    need(plant_.shift().tighten("motor-mounts"), "the motor mounts are not tightened");
    need(await_released("lift-beam"), "the lifting beam is not released");
}

void Stand::clear() {
    const bool occupied = bay().at("occupant").is_object();
    const auto token = controller().state("lift-beam").code_token;
    floor().take_away();
    need(await([this] { return is_empty(bay()); }), "the bay does not fall empty");
    if (occupied)
        need(controller().await(
                 "lift-beam", [token](const protocol::PlcState& plc) { return plc.code_token != token; },
                 patience),
             "the next unit is offered no token of its own");
}

// ---- work
// ---------------------------------------------------------------------------------------------------

simulation::Run Stand::turns(const simulation::Where& where, simulation::Mishap mishap) {
    auto run = floor().tighten(where, mishap);
    if (!run)
        give_up(run.error());
    return *run;
}

void Stand::loosens(const simulation::Where& where) {
    if (const auto run = floor().loosen(where); !run)
        give_up(run.error());
}

void Stand::stored(const std::string& id) {
    need(tool(id).await_acknowledged(patience), "not everything of tool " + id + " is stored");
}

// ---- people
// -------------------------------------------------------------------------------------------------

void Stand::selects(const std::string& joint, const std::string& fastener) {
    const auto seen = plant_.crew().newest_event();
    if (!seen)
        give_up(seen.error());
    asks_as("line_operator", "/selection", {{"joint", joint}, {"fastener", fastener}, {"seen", *seen}});
    const auto& tools = plant_.station().tools;
    const auto used = std::ranges::find(tools, std::string("NR-20"), &config::Tool::id);
    std::this_thread::sleep_for(used->longest_run + used->silence_limit + std::chrono::milliseconds{50});
}

void Stand::tightens_selected() {
    for (const std::size_t pass : {std::size_t{0}, std::size_t{1}}) {
        for (const std::size_t fastener : {std::size_t{0}, std::size_t{1}}) {
            selects("motor-mounts", fastener == 0 ? "front left" : "rear right");
            need(turns({"motor-mounts", fastener, pass}).ok, "a motor mount is not tightened well");
            stored("NR-20");
        }
    }
}

void Stand::decides(const json& action) {
    need(plant_.crew().decide(plant_.bay(), action, "engineering-release",
                              "Looked at with the team leader, all is well"));
}

void Stand::decides_as(const std::string& role, const json& action) {
    const auto seen = plant_.crew().newest_event();
    if (!seen)
        give_up(seen.error());
    asks_as(role, "/decisions",
            {{"action", action},
             {"reason_code", "engineering-release"},
             {"reason_text", "Looked at with the team leader, all is well"},
             {"seen", *seen}});
}

void Stand::asks_as(const std::string& role, const std::string& path, const json& body) {
    const auto& members = plant_.crew().members();
    const auto who = std::ranges::find_if(
        members, [&](const simulation::CrewMember& member) { return member.roles.front() == role; });
    if (who == members.end())
        give_up("nobody is there who is " + role);
    const auto answer = plant_.crew().api().post("/v1/bays/" + plant_.bay() + path, body, {who->session, ""});
    if (!answer)
        give_up(answer.error());
    if (!answer->good())
        give_up(simulation::words_of(*answer));
}

// ---- the daemon
// ---------------------------------------------------------------------------------------------

void Stand::starts_again() {
    plant_.start();
    need(plant_.crew().await_station(patience));
    need(plant_.crew().sign_in());
}

void Stand::links_are_good() { need(plant_.shift().wait_until_ready(), "the links do not become good"); }

// ---- asking
// -------------------------------------------------------------------------------------------------

json Stand::reasons(const std::string& permissive) const {
    const auto answer = plant_.crew().api().get("/v1/bays/" + plant_.bay() + "/why");
    if (!answer)
        give_up(answer.error());
    if (!answer->good())
        give_up(simulation::words_of(*answer));
    for (const auto& about : answer->body.at("permissives"))
        if (about.at("id") == permissive)
            return about.at("reasons");
    give_up("the bay has no permissive " + permissive);
}

std::vector<std::string> Stand::codes(const std::string& permissive) const {
    std::vector<std::string> codes;
    for (const auto& reason : reasons(permissive))
        if (const std::string code = reason.at("code"); codes.empty() || codes.back() != code)
            codes.push_back(code);
    return codes;
}

json Stand::bay() const {
    auto now = plant_.crew().bay(plant_.bay());
    if (!now)
        give_up(now.error());
    return std::move(*now);
}

bool Stand::await(const std::function<bool()>& question) const {
    return simulation::ask_until(question, patience);
}

bool Stand::await_released(const std::string& permissive) const {
    return plant_.floor().controller().await_movement(permissive, Movement::allowed, patience);
}

void Stand::give_up(const std::string& what) const { throw std::runtime_error(what + "\n" + plant_.told()); }

void Stand::need(const std::expected<void, std::string>& done) const {
    if (!done)
        give_up(done.error());
}

void Stand::need(bool done, const std::string& what) const {
    if (!done)
        give_up(what);
}

// ---- the check
// ----------------------------------------------------------------------------------------------

namespace {

void explained(const json& reason, const Told& told, interlock::ReasonCode code) {
    CHECK(reason.at("number") == static_cast<int>(code));
    CHECK(reason.at("sentence") == told.sentence);
    CHECK(reason.at("remedy") == told.remedy);
    CHECK(reason.at("clears") == told.clears);
    CHECK(reason.at("override") == told.override_);
    CHECK(reason.at("overridable") == !told.override_.is_null());
    CHECK(reason.at("joint") == text_or_null(told.joint));
    CHECK(reason.at("fastener") == text_or_null(told.fastener));
    CHECK(reason.at("tool") == text_or_null(told.tool));
    auto facts = json::object();
    for (const auto& fact : reason.at("facts"))
        facts[fact.at("name").get<std::string>()] = fact.at("value");
    CHECK(facts == told.facts);
}

}  // namespace

void held_and_explained(Stand& stand, const ReasonCase& one) {
    const std::string code = name_of(one.code);
    UNSCOPED_INFO(code << ": " << one.title);
    const Told told = one.bring_about(stand);
    // Links and scans take their time; in the end exactly these hold it, and this is said.
    static_cast<void>(stand.await([&] {
        const auto reasons = stand.reasons(one.permissive);
        return stand.codes(one.permissive) == one.codes &&
               std::ranges::any_of(
                   reasons, [&](const json& reason) { return reason.at("sentence") == told.sentence; });
    }));
    CHECK(stand.codes(one.permissive) == one.codes);
    CHECK(stand.controller().await_movement(one.permissive, Movement::refused, patience));
    CHECK(stand.controller().try_move(one.permissive) == Movement::refused);
    const auto reasons = stand.reasons(one.permissive);
    const auto found =
        std::ranges::find_if(reasons, [&](const json& reason) { return reason.at("code") == code; });
    REQUIRE(found != reasons.end());
    explained(*found, told, one.code);

    one.way_out(stand);
    const bool gone = stand.await([&] {
        const auto left = stand.codes(one.permissive);
        return std::ranges::find(left, code) == left.end();
    });
    CHECK(gone);
    if (one.released_after)
        CHECK(stand.await_released(one.permissive));
    CHECK(stand.controller().violations().empty());
}

void each_held_and_explained(const std::vector<ReasonCase>& cases, const Plant::Arrangement& arrangement) {
    Plant plant{arrangement};
    plant.open_for_work();
    Stand stand{plant};
    for (const ReasonCase& one : cases) {
        INFO(name_of(one.code) << ": " << one.title);
        held_and_explained(stand, one);
        stand.clear();
    }
}

}  // namespace tautgate::end_to_end
