// tautgate-simulator: the shop floor of a simulated bay as one program. Tools tighten bolts, a controller
// moves or refuses to, people sign and decide; the daemon is reached over its sockets like any other. Plays a
// scripted stretch of shift (--once), or takes one-line commands from its standard input or a pipe. With
// --replay it is one tool instead, out of a capture.
//
// Exit codes: 0 everything did what it had to; 1 something was WRONG; 2 the command line was not understood;
// 3 the station or the floor could not be set up.
#include <charconv>
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <map>
#include <sstream>
#include <string>
#include <system_error>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>

#include "config/reader.hpp"
#include "config/whole_file.hpp"
#include "protocol/capture.hpp"
#include "tools/simulation/crew.hpp"
#include "tools/simulation/played_tool.hpp"
#include "tools/simulation/shop_floor.hpp"
#include "tools/simulation/story.hpp"
#include "version.hpp"

namespace {

using namespace tautgate;
using namespace tautgate::simulation;

constexpr int exit_wrong = 1;
constexpr int exit_wrong_usage = 2;
constexpr int exit_not_set_up = 3;

struct Options {
    std::string config;
    std::string bay;
    std::string enrolment_code;
    std::string control;
    std::string keys;
    std::string replay;
    std::uint64_t seed = 1;
    bool traces = false;
    bool once = false;
};

void say(const std::string& line) {
    fmt::print("{}\n", line);
    std::fflush(stdout);  // who reads along in a pipe sees each line when it happens
}
void complain_of(const std::string& what) { fmt::print(stderr, "tautgate-simulator: {}\n", what); }

// Of an option that names what is to be read; whether it can be is seen when it is opened.
CLI::Validator named(std::filesystem::file_type wanted) {
    return {[wanted](std::string& path) -> std::string {
                std::error_code unknown;
                const auto type = std::filesystem::status(path, unknown).type();
                const bool file = wanted == std::filesystem::file_type::regular;
                if (type == std::filesystem::file_type::not_found)
                    return fmt::format("there is no {} {}", file ? "file" : "folder", path);
                if ((type == std::filesystem::file_type::directory) == file)
                    return fmt::format("{} is a {}; name {}", path, file ? "folder" : "file",
                                       file ? "the file in it" : "the folder that it is in");
                return {};
            },
            ""};
}
CLI::Validator whole_number_of_seed() {
    return {[](std::string& text) -> std::string {
                std::uint64_t seed = 0;
                const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), seed);
                return fault == std::errc{} && end == text.data() + text.size()
                           ? std::string()
                           : fmt::format("'{}' is no whole number; give one, as in 7", text);
            },
            ""};
}

// What one can try by hand. Each command is a line of words; unknown ones are answered, never guessed.
class Desk {
  public:
    Desk(ShopFloor& floor, Crew& crew, std::string bay)
        : floor_(floor), crew_(crew), bay_(std::move(bay)), shift_(floor, crew, bay_, say) {}

    // The first word of each.
    [[nodiscard]] static std::vector<std::string> commands() {
        std::vector<std::string> names{"quit"};
        for (const auto& [name, command] : table)
            names.push_back(name);
        return names;
    }
    [[nodiscard]] Shift& shift() noexcept { return shift_; }
    // False: the line asked to end.
    bool obey(const std::string& line) {
        std::istringstream words{line};
        std::vector<std::string> all{std::istream_iterator<std::string>{words}, {}};
        if (all.empty())
            return true;
        if (all.front() == "quit")
            return false;
        const auto known = table.find(all.front());
        if (known == table.end()) {
            say(fmt::format("no command '{}'; try: help", all.front()));
            return true;
        }
        all.erase(all.begin());
        (this->*known->second.run)(all);
        return true;
    }

  private:
    using Words = std::vector<std::string>;
    struct Command {
        std::string usage;
        void (Desk::*run)(const Words&);
    };

    void help(const Words& /*words*/) {
        for (const auto& [name, command] : table)
            say(fmt::format("  {}", command.usage));
        say("  quit                         ends the simulator");
    }
    void story(bool (Shift::*tell)()) {
        // A session ends when it was not used for some minutes.
        if (const auto signed_in = crew_.sign_in(); !signed_in)
            return say(signed_in.error());
        say((shift_.*tell)() ? "the story ended as it had to" : "the story went WRONG; see above");
    }
    void good(const Words& /*words*/) { story(&Shift::good_unit); }
    void low_torque(const Words& /*words*/) { story(&Shift::low_torque_repaired); }
    void bad_joint(const Words& /*words*/) { story(&Shift::bad_joint_overridden); }
    void wrong_pair(const Words& /*words*/) { story(&Shift::wrong_pair_corrected); }

    void unit(const Words& words) {
        const std::string variant = words.empty() ? "MB1" : words[0];
        if (const auto plan = plan_of(floor_.station(), variant); !plan)
            return say(plan.error());
        const auto papers = shift_.next_papers(variant);
        if (shift_.bring(papers))
            say(fmt::format("{} stands in bay {}; try: tighten {}", papers.name(), bay_,
                            fmt::join(floor_.joints_to_tighten(), " | tighten ")));
    }
    void away(const Words& /*words*/) { floor_.take_away(); }
    void scan(const Words& words) {
        const auto scanned = floor_.scan(fmt::format("{}", fmt::join(words, " ")));
        say(scanned ? "scanned" : scanned.error());
    }
    void tighten(const Words& words) {
        if (words.empty())
            return say("tighten what? " + table.at("tighten").usage);
        if (words.size() == 1) {
            const auto done = floor_.tighten_all(words[0]);
            return say(done ? fmt::format("{} is tightened", words[0]) : done.error());
        }
        const auto where = place(words);
        if (!where)
            return say(where.error());
        static const std::map<std::string, Mishap> mishaps{{"early", Mishap::let_go_early},
                                                           {"crossed", Mishap::cross_threaded},
                                                           {"stripped", Mishap::stripped},
                                                           {"wrong-program", Mishap::wrong_program},
                                                           {"wrong-bolt", Mishap::wrong_bolt},
                                                           {"short-hole", Mishap::short_hole},
                                                           {"burr", Mishap::burr},
                                                           {"slips-off", Mishap::slips_off}};
        const auto mishap = words.size() > 3 ? mishaps.find(words[3]) : mishaps.end();
        if (words.size() > 3 && mishap == mishaps.end())
            return say(
                "mishaps: early, crossed, stripped, wrong-program, wrong-bolt, short-hole, burr, slips-off");
        show(floor_.tighten(*where, mishap == mishaps.end() ? Mishap::none : mishap->second));
    }
    void loosen(const Words& words) {
        const auto where = words.size() < 2 ? std::unexpected(table.at("loosen").usage) : place(words);
        if (!where)
            return say(where.error());
        show(floor_.loosen(*where));
    }
    void confirm(const Words& words) {
        for (const auto& step : words.empty() ? floor_.checks_to_confirm() : words) {
            if (const auto signed_in = crew_.sign_in(); !signed_in)
                return say(signed_in.error());
            floor_.account().confirmed(step);
            const auto done = crew_.confirm(bay_, step);
            say(done ? fmt::format("{} is confirmed", step) : done.error());
        }
    }
    void move(const Words& words) {
        if (words.empty())
            return say("move what? " + table.at("move").usage);
        const auto said = floor_.controller().try_move(words[0]);
        say(fmt::format("the controller says: {}",
                        said == protocol::Movement::refused ? "refused" : "moved"));
    }
    void force(const Words& words) {
        if (words.empty())
            return say("force what? " + table.at("force").usage);
        floor_.controller().force_move(words[0]);
        say(fmt::format("{} was moved by hand", words[0]));
    }
    void with_tool(const Words& words, void (*act)(SimulatedTool&), const std::string& told) {
        auto* tool = words.empty() ? nullptr : floor_.tool(words[0]);
        if (!tool)
            return say("name a tool of this bay");
        act(*tool);
        say(fmt::format("{}: {}", words[0], told));
    }
    void cut(const Words& words) {
        with_tool(
            words, [](SimulatedTool& tool) { tool.cut(); }, "link cut; results stay in the tool");
    }
    void mend(const Words& words) {
        with_tool(
            words, [](SimulatedTool& tool) { tool.mend(); }, "link mended");
    }
    void hold(const Words& words) {
        with_tool(
            words, [](SimulatedTool& tool) { tool.hold_back(true); }, "holds its results back");
    }
    void deliver(const Words& words) {
        with_tool(
            words, [](SimulatedTool& tool) { tool.hold_back(false); }, "delivers its results");
    }
    void lose(const Words& words) {
        with_tool(
            words, [](SimulatedTool& tool) { tool.lose_one(); }, "lost a result; its count goes on");
    }
    void power(const Words& words) {
        with_tool(
            words, [](SimulatedTool& tool) { tool.restart(); }, "power off and on; its count starts again");
    }
    void twice(const Words& words) {
        with_tool(
            words,
            [](SimulatedTool& tool) {
                if (auto* line = tool.line())
                    line->send_twice(1);
            },
            "sends its next result twice (tools on the line protocol only)");
    }
    void plc(const Words& words) {
        auto& controller = floor_.controller();
        const std::string what = words.empty() ? "" : words[0];
        if (what == "cut")
            controller.cut();
        else if (what == "mend")
            controller.mend();
        else if (what == "freeze" || what == "thaw")
            controller.freeze(what == "freeze");
        else if (what == "restart")
            controller.restart();
        else
            return say(table.at("plc").usage);
        say(fmt::format("plc: {}", what));
    }
    void status(const Words& /*words*/) {
        for (const auto& permissive : floor_.station().permissives) {
            const auto why = crew_.why(bay_, permissive.id);
            const auto movement = floor_.controller().movement(permissive.id);
            say(fmt::format("{}: {}", permissive.id,
                            movement == protocol::Movement::refused ? "held at the PLC" : "free to move"));
            for (std::size_t i = 0; why && i < why->sentences.size(); ++i)
                say("    " + why->sentences[i]);
            if (!why)
                say("    " + why.error());
        }
        for (const auto& violation : floor_.controller().violations())
            say("WRONG  " + violation);
    }

    [[nodiscard]] std::expected<Where, std::string> place(const Words& words) const {
        const auto* joint = floor_.joint(words[0]);
        if (!joint)
            return std::unexpected(fmt::format("the station has no joint '{}'", words[0]));
        Where where{words[0], 0, joint->passes.empty() ? 0 : joint->passes.size() - 1};
        const auto number = [](const std::string& word) -> std::size_t {
            return word.size() < 4 && word.find_first_not_of("0123456789") == std::string::npos
                       ? std::stoul(word)
                       : 0;
        };
        where.fastener = number(words[1]);
        if (where.fastener == 0)
            return std::unexpected("fasteners are numbered from 1 in the order of the joint's list");
        --where.fastener;
        if (words.size() > 2) {
            where.pass = number(words[2]);
            if (where.pass == 0)
                return std::unexpected("passes are numbered from 1");
            --where.pass;
        }
        return where;
    }
    static void show(const std::expected<Run, std::string>& run) {
        say(run ? fmt::format("{:.1f} N.m, {:.1f} deg, {}", run->torque, run->angle,
                              run->ok ? "OK" : run->reason)
                : run.error());
    }

    static const std::map<std::string, Command> table;

    ShopFloor& floor_;
    Crew& crew_;
    std::string bay_;
    Shift shift_;
};

const std::map<std::string, Desk::Command> Desk::table{
    {"help", {"help                         this list", &Desk::help}},
    {"good", {"good                         story: a good unit, released and gone", &Desk::good}},
    {"low-torque", {"low-torque                   story: a low torque, repaired", &Desk::low_torque}},
    {"bad-joint",
     {"bad-joint                    story: a joint stays bad, two people override it", &Desk::bad_joint}},
    {"wrong-pair", {"wrong-pair                   story: the frame of another order", &Desk::wrong_pair}},
    {"unit",
     {"unit [VARIANT]               sets down a unit and scans its tickets (MB1 to MB5)", &Desk::unit}},
    {"away", {"away                         takes the unit away, past every permissive", &Desk::away}},
    {"scan", {"scan LABEL...                scans a label", &Desk::scan}},
    {"tighten",
     {"tighten JOINT [N [PASS [MISHAP]]]  one bolt, or all in order; MISHAP is early, crossed, stripped,\n"
      "                               wrong-program, wrong-bolt, short-hole, burr or slips-off",
      &Desk::tighten}},
    {"loosen", {"loosen JOINT N               turns one bolt back", &Desk::loosen}},
    {"confirm",
     {"confirm [STEP...]            the operator confirms checks; without a name all", &Desk::confirm}},
    {"move", {"move PERMISSIVE              the equipment moves, if its controller allows it", &Desk::move}},
    {"force", {"force PERMISSIVE             somebody moves it by hand", &Desk::force}},
    {"cut", {"cut TOOL                     the tool's link breaks (or its battery dies)", &Desk::cut}},
    {"mend", {"mend TOOL                    the link is back, kept results follow", &Desk::mend}},
    {"hold", {"hold TOOL                    results come late", &Desk::hold}},
    {"deliver", {"deliver TOOL                 late results arrive", &Desk::deliver}},
    {"twice", {"twice TOOL                   the next result is sent twice", &Desk::twice}},
    {"lose", {"lose TOOL                    a result is lost for good", &Desk::lose}},
    {"power", {"power TOOL                   the tool restarts", &Desk::power}},
    {"plc", {"plc cut|mend|freeze|thaw|restart   what happens to the controller", &Desk::plc}},
    {"status", {"status                       what is held, and why", &Desk::status}},
};

std::expected<void, std::string> staff(Crew& crew, const Options& options) {
    if (auto ready = crew.await_station(std::chrono::seconds(20)); !ready)
        return ready;
    if (options.enrolment_code.empty())
        return {};
    if (auto enrolled = crew.enrol(options.enrolment_code); !enrolled)
        return enrolled;
    say("people of this station (invented; the PINs were drawn just now and hold for this run):");
    for (const auto& who : crew.members())
        say(fmt::format("  {:<12} badge {}  PIN {}  {}", who.name, who.badge, who.pin,
                        fmt::join(who.roles, ", ")));
    if (auto approved = crew.approve_rules(); !approved)
        return approved;
    say("the configuration was approved by two of them");
    return crew.sign_on(options.bay);
}

// One line of talk after the other, until the source ends or says quit.
int take_commands(Desk& desk, const Options& options) {
    std::string line;
    if (options.control.empty()) {
        while (std::getline(std::cin, line) && desk.obey(line)) {
        }
        return 0;
    }
    // Opened for both directions, so that the pipe does not end when a writer closes it.
    std::fstream pipe{options.control, std::ios::in | std::ios::out};
    if (!pipe) {
        complain_of(fmt::format("cannot open the pipe {}; make it with mkfifo", options.control));
        return exit_not_set_up;
    }
    while (std::getline(pipe, line) && desk.obey(line)) {
    }
    return 0;
}

int play_once(Shift& shift) {
    // Each story leaves the bay empty; one that went wrong may not, and those after it would only repeat
    // that.
    const bool told = shift.good_unit() && shift.low_torque_repaired() && shift.bad_joint_overridden() &&
                      shift.wrong_pair_corrected();
    const bool clean = shift.nothing_moved_wrongly();
    say(fmt::format("{}", told && clean && shift.wrong() == 0 ? "every permissive did what it had to"
                                                              : "something was WRONG; see above"));
    return told && clean && shift.wrong() == 0 ? 0 : exit_wrong;
}

int work(const Options& options, const config::Station& station) {
    const auto now = std::chrono::system_clock::now().time_since_epoch();
    const auto micros = std::chrono::duration_cast<std::chrono::microseconds>(now).count();
    auto floor = ShopFloor::open(station, {.bay = options.bay,
                                           .seed = options.seed,
                                           .traces = options.traces,
                                           .first_epoch = static_cast<std::uint64_t>(micros),
                                           .keys = options.keys});
    if (!floor) {
        complain_of(floor.error());
        return exit_not_set_up;
    }
    Crew crew{ApiClient{station.api.address, station.api.port}};
    if (const auto staffed = staff(crew, options); !staffed) {
        complain_of(staffed.error());
        return exit_not_set_up;
    }
    Desk desk{**floor, crew, options.bay};
    if (!desk.shift().wait_until_ready() && options.once)
        return exit_wrong;
    if (options.once)
        return play_once(desk.shift());
    say("ready");
    return take_commands(desk, options);
}

std::expected<PlayedTool, std::string> played_tool(const Options& options, const config::Station& station) {
    constexpr std::uintmax_t most_bytes = std::uintmax_t{1024} * 1024 * 1024;
    const auto text = config::whole_file(options.replay, most_bytes);
    if (!text)
        return std::unexpected(
            fmt::format("{} cannot be read: {}; check its name and rights", options.replay, text.error()));
    const auto capture = protocol::read_capture(*text);
    if (!capture)
        return std::unexpected(fmt::format("{}:{}: {}; {}", options.replay, capture.error().line,
                                           capture.error().what, capture.error().remedy));
    return PlayedTool::open(station, *capture);
}

// Until everything was said once (--once), or until its input ends or says quit.
int play_back(const Options& options, const config::Station& station) {
    constexpr std::chrono::minutes longest{10};
    auto tool = played_tool(options, station);
    if (!tool) {
        complain_of(tool.error());
        return exit_not_set_up;
    }
    say(fmt::format("the recorded tool {}", tool->where()));
    if (options.once) {
        const bool all = tool->await_said_all(longest);
        say(all ? "everything that was recorded was said"
                : "not everything that was recorded was asked for; see that the service runs with this "
                  "description");
        return all ? 0 : exit_wrong;
    }
    std::string line;
    while (std::getline(std::cin, line) && line != "quit")
        say(line == "status" ? (tool->said_all() ? "everything was said" : "it has more to say")
                             : "say status or quit");
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    Options options;
    CLI::App app{"The simulated shop floor of one bay: tools, controller, scanner and people"};
    app.set_version_flag("--version",
                         fmt::format("tautgate-simulator {} {}", program_version, source_commit));
    app.add_option("--config", options.config, "the station's description")
        ->check(named(std::filesystem::file_type::regular));
    app.add_option("--bay", options.bay, "id of the bay; the first one otherwise");
    app.add_option("--seed", options.seed, "the same seed gives the same bolts and runs")
        ->check(whole_number_of_seed());
    app.add_option(
        "--enrol", options.enrolment_code,
        "enrols invented people at a fresh station, by the code in this file, and approves its rules");
    app.add_option("--control", options.control,
                   "a named pipe to take commands from, instead of standard input");
    app.add_option("--keys", options.keys,
                   "folder of the keys of tools that have one: the state folder of the service")
        ->check(named(std::filesystem::file_type::directory));
    app.add_option("--replay", options.replay,
                   "plays the one tool of this capture (tautgate look --record) and nothing else")
        ->check(named(std::filesystem::file_type::regular));
    app.add_flag("--traces", options.traces, "the tools send the curve of each tightening, too");
    app.add_flag("--once", options.once, "plays the scripted shift, or the capture once, and ends");
    app.add_flag_callback(
        "--commands",
        [] {
            say(fmt::format("{}", fmt::join(Desk::commands(), "\n")));
            throw CLI::Success();
        },
        "names the commands that it takes, and ends");
    try {
        app.parse(argc, argv);
    } catch (const CLI::Success& asked_for_help) {
        return app.exit(asked_for_help);
    } catch (const CLI::ParseError& error) {
        complain_of(fmt::format("the command line was not understood: {}; see tautgate-simulator --help",
                                error.what()));
        return exit_wrong_usage;
    }
    if (options.config.empty()) {
        complain_of("--config is missing: name the file with the station's description");
        return exit_wrong_usage;
    }
    const auto loading = config::load_station_file(options.config);
    if (!loading.station) {
        for (const auto& finding : loading.findings)
            complain_of(config::to_text(finding));
        return exit_not_set_up;
    }
    if (options.bay.empty())
        options.bay = loading.station->bays.front().id;
    return options.replay.empty() ? work(options, *loading.station) : play_back(options, *loading.station);
}
