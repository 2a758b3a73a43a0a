#include "tools/benchmark/plant.hpp"

#include <algorithm>
#include <fstream>

#include <fmt/format.h>

#include "config/key_file.hpp"

namespace tautgate::benchmark {
namespace {

constexpr std::chrono::seconds plant_patience{30};

// Drawn for this run; nothing: its lines bear no seal.
std::optional<protocol::SharedKey> key_for(const config::Station& station, const std::string& id,
                                           const std::filesystem::path& folder) {
    const auto tool = std::ranges::find(station.tools, id, &config::Tool::id);
    const std::string& file = std::get<config::LineLink>(tool->link).key;
    if (file.empty())
        return std::nullopt;
    if (const auto made = config::make_key_file(folder / file); !made)
        give_up(made.error());
    const auto key = config::read_key_file(folder / file);
    if (!key)
        give_up(key.error());
    return *key;
}

}  // namespace

Plant::Plant(Surroundings around, const StationSize& size, const std::string& name)
    : around_(std::move(around)), size_(size), folder_(around_.folder / name), station_(bench_station(size)),
      crew_(simulation::ApiClient{"127.0.0.1", station_.api_port}) {
    std::filesystem::create_directories(state_folder());
    if (std::ofstream out{folder_ / "station.json"}; !(out << station_.description.dump(2)))
        give_up("cannot write the station's description in " + folder_.string());
    for (unsigned bay = 0; bay < size.bays; ++bay) {
        std::vector<protocol::BlockAddress> permissives;
        for (const auto& permissive : station_.read.permissives)
            if (permissive.bay == BenchStation::bay_id(bay))
                permissives.push_back(
                    {station_.read.number, static_cast<std::uint16_t>(bay + 1), permissive.number});
        controllers_.push_back(
            std::make_unique<ControllerDevice>(station_.controller_ports.at(bay), permissives));
        shop_.add(*controllers_.back());
        for (unsigned one = 0; one < size.tools_per_bay; ++one) {
            const std::string id = BenchStation::tool_id(bay, one);
            tools_.push_back(std::make_unique<LineTool>(id, key_for(station_.read, id, state_folder())));
            shop_.add(*tools_.back());
        }
    }
    for (const std::uint16_t port : station_.polled_ports) {
        polled_.push_back(std::make_unique<PolledTool>(port));
        shop_.add(*polled_.back());
    }
}

Plant::~Plant() = default;

void Plant::start(const std::vector<std::string>& before, const std::vector<std::string>& environment) {
    for (const auto& controller : controllers_)
        controller->forget();
    std::vector<std::string> words = before;
    const std::vector<std::string> daemon{(around_.programs / "tautgated").string(), "--config",
                                          (folder_ / "station.json").string(), "--state-dir",
                                          state_folder().string()};
    words.insert(words.end(), daemon.begin(), daemon.end());
    daemon_ =
        std::make_unique<Child>(Launch{words, folder_ / "tautgated.log", around_.measured_cpu, environment});
}

void Plant::stop() {
    shop_.pump_during([this] { daemon().end_in_order(); });
    for (const auto& tool : tools_)
        tool->hang_up();
}

Child& Plant::daemon() {
    if (!daemon_)
        give_up("the daemon was never started");
    return *daemon_;
}

LineTool& Plant::tool(unsigned bay, unsigned tool) { return *tools_.at(bay * size_.tools_per_bay + tool); }

nlohmann::json Plant::state() const {
    const auto now = crew_.station();
    if (!now)
        give_up("the daemon does not show its state");
    return *now;
}

void Plant::need(const simulation::Crew::Done& done) {
    if (!done)
        give_up(done.error() + told());
}

std::string Plant::told() { return "\nthe daemon's last words:\n" + last_words(folder_ / "tautgated.log"); }

void Plant::await_answer() {
    need(shop_.pump_during([this] { return crew_.await_station(plant_patience); }));
}

void Plant::set_up() {
    await_answer();
    need(shop_.pump_during([this] { return crew_.enrol(state_folder() / "enrol.code"); }));
    need(shop_.pump_during([this] { return crew_.approve_rules(); }));
    for (unsigned bay = 0; bay < size_.bays; ++bay)
        need(shop_.pump_during([this, bay] { return crew_.sign_on(BenchStation::bay_id(bay)); }));
}

bool Plant::links_are_good() const {
    const auto now = crew_.station();
    if (!now)
        return false;
    const auto good = [](const nlohmann::json& view) { return view.at("link") == "good"; };
    return std::ranges::all_of(now->at("tools"), good) &&
           std::ranges::all_of(now->at("bays"), [&](const auto& bay) { return good(bay.at("controller")); });
}

bool Plant::file_is_checked() const {
    const auto health = crew_.api().get("/v1/health");
    return health && !health->body.at("journal").at("file_check").is_null();
}

void Plant::await_file_check() {
    const bool checked = shop_.pump_during(
        [this] { return simulation::ask_until([this] { return file_is_checked(); }, plant_patience); });
    if (!checked)
        give_up("the daemon does not check its journal" + told());
}

void Plant::connect() {
    for (const auto& tool : tools_) {
        const bool called =
            shop_.pump_until([&] { return tool->connect(station_.tool_port); }, plant_patience) &&
            shop_.pump_until([&] { return tool->welcomed(); }, plant_patience);
        if (!called)
            give_up("a tool is not welcomed by the daemon" + told());
    }
    const bool good = shop_.pump_during(
        [this] { return simulation::ask_until([this] { return links_are_good(); }, plant_patience); });
    if (!good)
        give_up("the links do not become good" + told());
}

// As a label that the operator types.
simulation::Crew::Done Plant::scan(const std::string& bay, const std::string& label) const {
    const auto worker = std::ranges::find_if(crew_.members(), [](const simulation::CrewMember& who) {
        return who.roles.front() == "line_operator";
    });
    const auto answer = crew_.api().post(fmt::format("/v1/bays/{}/scans", bay), {{"text", label}},
                                         {.session = worker->session, .second = {}});
    if (!answer)
        return std::unexpected(answer.error());
    if (!answer->good())
        return std::unexpected("scanning a ticket: " + simulation::words_of(*answer));
    return {};
}

void Plant::receive_units() {
    for (const auto& controller : controllers_)
        controller->set_present(true);
    for (unsigned bay = 0; bay < size_.bays; ++bay) {
        const std::string id = BenchStation::bay_id(bay);
        const bool there = shop_.pump_during([&] {
            return crew_.await_bay(
                id,
                [](const nlohmann::json& view) { return view.at("controller").at("present") == "present"; },
                plant_patience);
        });
        if (!there)
            give_up("the arrival at bay " + id + " is not seen" + told());
        need(shop_.pump_during([&] { return scan(id, BenchStation::ticket(bay)); }));
    }
    shop_.pump_for(undecided_after_arrival);
}

void Plant::run_all(unsigned bay, unsigned index, const std::vector<Run>& runs) {
    LineTool& by = tool(bay, index);
    for (const Run& run : runs) {
        by.send(run);
        if (!shop_.pump_until([&] { return by.acknowledged(); }, plant_patience))
            give_up("a result is not acknowledged" + told());
    }
}

void Plant::await(protocol::Code code) {
    if (shop_.pump_until([&] { return controller().code() == code; }, plant_patience))
        return;
    const auto why =
        shop_.pump_during([this] { return crew_.why(BenchStation::bay_id(0), watched_permissive); });
    std::string reasons;
    if (why)
        for (const auto& sentence : why->sentences)
            reasons += "\n  " + sentence;
    give_up(fmt::format("the permissive does not become what it should; its reasons:{}{}", reasons, told()));
}

}  // namespace tautgate::benchmark
