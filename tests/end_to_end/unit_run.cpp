#include "tests/end_to_end/unit_run.hpp"

#include <algorithm>
#include <csignal>
#include <fstream>
#include <set>
#include <stdexcept>
#include <tuple>
#include <utility>

#include <fmt/format.h>

namespace tautgate::end_to_end {

using nlohmann::json;
using protocol::Movement;
using simulation::ask_until;
using simulation::Where;

namespace {

const std::string beam = "lift-beam";
const std::string carrier = "carrier";
const std::string clamps = "cable-clamps";
constexpr std::chrono::milliseconds long_patience{40'000};  // a death and a start may lie in between

const json* find(const json& list, const std::string& id) {
    const auto found = std::ranges::find_if(list, [&](const json& entry) { return entry.at("id") == id; });
    return found == list.end() ? nullptr : &*found;
}

}  // namespace

namespace {
std::filesystem::path armed_by(const Plant& plant) { return plant.config_file().parent_path() / "armed"; }
}  // namespace

void arm(const Plant& plant) {
    if (std::ofstream file{armed_by(plant)}; !file)
        throw std::runtime_error("cannot arm the fault");
}
void disarm(const Plant& plant) { std::filesystem::remove(armed_by(plant)); }
std::vector<std::string> fault_at(const Plant& plant, const std::string& point, std::uint64_t pass,
                                  const std::string& act) {
    return {"--at",  point, "--pass",     std::to_string(pass),
            "--act", act,   "--armed-by", armed_by(plant).string()};
}

void make_quick(json& station) {
    for (json& bay : station["bays"]) {
        bay["controller"]["settling_ms"] = 200;
        bay["controller"]["echo_timeout_ms"] = 800;
    }
    for (json& tool : station["tools"]) {
        tool["silence_limit_ms"] = 1200;
        tool["longest_run_ms"] = 100;
        tool["settling_ms"] = 100;
    }
    for (json& joint : station["joints"]) {
        json& fasteners = joint["fasteners"];
        fasteners.erase(fasteners.begin() + 2, fasteners.end());
        if (joint.contains("passes"))
            joint["passes"].erase(joint["passes"].begin(), joint["passes"].end() - 1);
    }
}

UnitRun::UnitRun(Plant& plant, Arrangement arrangement)
    : plant_(plant), arrangement_(std::move(arrangement)), papers_(plant.shift().next_papers("MB1")),
      watch_(plant.floor()) {
    for (const std::string id : {"motor-mounts", "axle-box-caps", "bracket"}) {
        const config::Joint* joint = plant.floor().joint(id);
        for (std::size_t pass = 0; pass < joint->passes.size(); ++pass)
            for (std::size_t fastener = 0; fastener < joint->fasteners.size(); ++fastener)
                bolts_.push_back({id, fastener, pass});
    }
}

// ---- waiting, dying, coming back
// ------------------------------------------------------------------------------

void UnitRun::wrong(std::string what) { faults_.push_back(std::move(what)); }

bool UnitRun::until(const std::string& claim, const std::function<bool()>& wanted) {
    const bool reached = ask_until(
        [&] {
            if (ended_)
                return true;
            if (!plant_.daemon().running()) {
                come_back();
                return ended_;
            }
            if (wanted())
                return true;
            settle();
            return false;
        },
        long_patience);
    if (!reached)
        wrong("waited in vain: " + claim);
    return reached && !ended_;
}

void UnitRun::come_back() {
    const auto end = plant_.daemon().await_end(patience);
    if (end->signal != SIGKILL)
        wrong("the daemon ended by itself\n" + plant_.told());
    look_at_record();
    const std::size_t death = deaths_++;
    ended_ = arrangement_.ends_with_death || end->signal != SIGKILL;
    if (ended_)
        return;
    plant_.start(death < arrangement_.after_death.size() ? arrangement_.after_death[death]
                                                         : std::vector<std::string>{});
    // Should it die once more on the way, the next round sees that.
    static_cast<void>(ask_until(
        [&] { return !plant_.daemon().running() || plant_.crew().station().has_value(); }, patience));
    static_cast<void>(plant_.crew().sign_in());
    static_cast<void>(plant_.crew().sign_on(plant_.bay()));
}

void UnitRun::look_at_record() {
    for (auto& fault : faults_in_record(plant_.journal(), plant_.floor(), watch_.seen()))
        wrong(std::move(fault));
}

// What people do after a restart, as far as it is to be done. Each act may be too late or refused: what
// counts is whether the work goes on.
void UnitRun::settle() {
    const json unit = occupant();
    if (!unit.is_object())
        return;
    if (unit.at("doubt") != "none" && !papers_.motor.empty() && has_ticket(papers_.motor))
        static_cast<void>(plant_.floor().scan(papers_.motor_label()));
    file_by_hand(unit);
    dispose_of_set_aside();
}

void UnitRun::file_by_hand(const json& unit) {
    const config::Joint* joint = plant_.floor().joint(in_hand_.joint);
    if (joint == nullptr)
        return;
    for (const json& result : unit.at("unassigned"))
        static_cast<void>(plant_.crew().decide(plant_.bay(),
                                               {{"assign_result",
                                                 {{"result", result.at("result")},
                                                  {"joint", joint->id},
                                                  {"fastener", joint->fasteners[in_hand_.fastener].name}}}},
                                               "result-lost",
                                               "Made while the station was down, as its operator says"));
}

// The daemon died just while it decided: the event is not decided again.
void UnitRun::dispose_of_set_aside() {
    const auto why = plant_.crew().api().get(fmt::format("/v1/bays/{}/why", plant_.bay()));
    if (!why || !why->good())
        return;
    for (const json& reason : find(why->body.at("permissives"), beam)->at("reasons"))
        if (reason.at("code") == "event_set_aside" &&
            plant_.crew().decide(
                plant_.bay(),
                {{"dispose_set_aside",
                  {{"event", std::stoull(reason.at("facts").front().at("value").get<std::string>())}}}},
                "engineering-release", "The unit was looked at; it may go on"))
            set_aside_ = true;
}

json UnitRun::occupant() const {
    const auto bay = plant_.crew().bay(plant_.bay());
    return bay ? bay->at("occupant") : json(nullptr);
}

// ---- the parts
// -----------------------------------------------------------------------------------------------

bool UnitRun::has_ticket(const std::string& serial) const {
    const json unit = occupant();
    return unit.is_object() && std::ranges::any_of(unit.at("tickets"), [&](const json& ticket) {
               return ticket.at("serial") == serial;
           });
}

bool UnitRun::bring() {
    if (!until("the bay is empty", [&] {
            const auto bay = plant_.crew().bay(plant_.bay());
            return bay && bay->at("occupant").is_null() && !bay->at("departure_due").get<bool>();
        }))
        return false;
    if (const auto down = plant_.floor().set_down("plan-mb1"); !down) {
        wrong(down.error());
        return false;
    }
    return until("the station sees the unit", [&] { return occupant().is_object(); }) &&
           scan(papers_.motor_label(), papers_.motor) && scan(papers_.frame_label(), papers_.frame);
}

// A scanner gets no answer: who does not see the ticket on the screen scans again, once it is certain which
// unit is here.
bool UnitRun::scan(const std::string& label, const std::string& serial) {
    int tries = 0;
    return until("ticket " + serial + " is known", [&] {
        if (has_ticket(serial))
            return true;
        const json unit = occupant();
        if (unit.is_object() && (unit.at("doubt") == "none" || unit.at("tickets").empty()) &&
            tries++ % 10 == 0)
            static_cast<void>(plant_.floor().scan(label));
        return false;
    });
}

bool UnitRun::is_proven(const Where& where) const {
    const json unit = occupant();
    const json* joint = unit.is_object() ? find(unit.at("joints"), where.joint) : nullptr;
    return joint != nullptr &&
           !joint->at("fasteners").at(where.fastener).at("passes").at(where.pass).at("proof").is_null();
}

bool UnitRun::tighten_one(const Where& where) {
    in_hand_ = where;
    if (const auto run = plant_.floor().tighten(where); !run || !run->ok) {
        wrong(run ? "a bolt did not become tight" : run.error());
        return false;
    }
    return until_recorded(where);
}

bool UnitRun::take_up(std::size_t bolt) {
    in_hand_ = bolts_.at(bolt);
    return until_recorded(in_hand_);
}

bool UnitRun::until_recorded(const Where& where) {
    const auto* tool = plant_.floor().tool_for(where.joint);
    return until(fmt::format("{} {} is proven", where.joint, where.fastener + 1), [&] {
        if (!tool->await_acknowledged(std::chrono::milliseconds(0)))
            return false;
        if (is_proven(where))
            return true;
        if (std::exchange(set_aside_, false))
            once_more(where);
        return false;
    });
}

// The station died while it decided the result: it is set aside, and does not prove the bolt.
void UnitRun::once_more(const Where& where) {
    ++done_again_;
    if (const auto loose = plant_.floor().loosen(where); !loose)
        wrong(loose.error());
    if (const auto run = plant_.floor().tighten(where); !run || !run->ok)
        wrong(run ? "a bolt did not become tight" : run.error());
}

bool UnitRun::tighten(std::size_t first, std::size_t end) {
    return std::all_of(bolts_.begin() + static_cast<std::ptrdiff_t>(first),
                       bolts_.begin() + static_cast<std::ptrdiff_t>(end),
                       [&](const Where& where) { return tighten_one(where); });
}

bool UnitRun::is_released(const std::string& permissive) const {
    return plant_.floor().controller().movement(permissive) == Movement::allowed;
}

bool UnitRun::until_released(const std::string& permissive) {
    return until(permissive + " is released", [&] { return is_released(permissive); });
}

// A daemon that dies in between takes the release along before the equipment starts.
bool UnitRun::move(const std::string& permissive) {
    return until(permissive + " moves", [&] {
        return is_released(permissive) &&
               plant_.floor().controller().try_move(permissive) == Movement::allowed;
    });
}

bool UnitRun::lift() {
    return move(beam) && until("the record knows that the beam moved", [&] {
               const auto why = plant_.crew().why(plant_.bay(), beam);
               return why && why->names("movement_used");
           });
}

bool UnitRun::leave() {
    plant_.floor().account().confirmed(clamps);
    const auto confirmed = [&] {
        const json unit = occupant();
        const json* joint = unit.is_object() ? find(unit.at("joints"), clamps) : nullptr;
        if (joint != nullptr && !joint->at("confirmed").is_null())
            return true;
        static_cast<void>(plant_.crew().confirm(plant_.bay(), clamps));
        return false;
    };
    if (!until("the clamps are confirmed", confirmed) || !move(carrier))
        return false;
    plant_.floor().take_away();
    return until("the record knows that the unit has left", [&] {
        const auto record = plant_.crew().unit(papers_.motor);
        return record && !record->at("stays").empty() && record->at("stays").back().at("ended").is_string();
    });
}

// ---- the books
// -----------------------------------------------------------------------------------------------

void UnitRun::close_the_books() {
    const auto record = plant_.crew().unit(papers_.motor);
    const auto station = plant_.crew().station();
    if (!record || !station)
        return wrong("the station does not answer at the end");
    if (record->at("stays").size() != 1)
        wrong(fmt::format("the unit has {} stays", record->at("stays").size()));
    if (!station->at("holds").empty())
        wrong("a good unit is on the hold list: " + station->at("holds").dump());
    std::set<std::tuple<std::string, std::string, std::string>> proven;
    std::size_t counted = 0;
    for (const json& line : record->at("stays").front().at("tightenings")) {
        if (line.at("outcome") == "repeated" || (done_again_ > 0 && line.at("outcome") == "loosened"))
            continue;
        ++counted;
        if (line.at("outcome") != "attributed" || line.at("verdict") != "ok")
            wrong("a tightening is not counted as it was: " + line.dump());
        else
            proven.emplace(line.at("joint"), line.at("fastener"), line.at("pass"));
    }
    if (counted != bolts_.size() || proven.size() != bolts_.size())
        wrong(fmt::format("{} results for {} of {} fasteners", counted, proven.size(), bolts_.size()));
    const auto& controller = plant_.floor().controller();
    if (controller.state(beam).moved_count != 1)
        wrong("the beam did not move once");
    for (const auto& violation : controller.violations())
        wrong(violation);
    plant_.stop();
    look_at_record();
}

std::string UnitRun::told() const {
    std::string text = fmt::format("deaths: {}\n", deaths_);
    for (const auto& fault : faults_)
        text += "WRONG  " + fault + "\n";
    return text + plant_.told();
}

}  // namespace tautgate::end_to_end
