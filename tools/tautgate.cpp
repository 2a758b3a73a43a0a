// tautgate: the command line of a station, for people and scripts. Asks the service over its HTTP interface,
// or a journal's file itself; decides nothing. The exit codes stand in --help and in cli/questions.hpp.
#include <algorithm>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <functional>
#include <limits>
#include <map>
#include <optional>
#include <string>
#include <system_error>
#include <vector>

#include <sys/ioctl.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <fmt/ranges.h>

#include "protocol/text.hpp"
#include "tools/cli/acts.hpp"
#include "tools/cli/joints.hpp"
#include "tools/cli/keys.hpp"
#include "tools/cli/look.hpp"
#include "tools/cli/ports.hpp"
#include "tools/cli/questions.hpp"
#include "tools/cli/text.hpp"
#include "tools/cli/trace.hpp"
#include "tools/cli/try_rules.hpp"
#include "tools/cli/wiring_test.hpp"
#include "version.hpp"

namespace {

using namespace tautgate::cli;
namespace protocol = tautgate::protocol;

constexpr const char* examples =
    "Examples:\n"
    "  tautgate why                                 why is it held, and what to do\n"
    "  tautgate unit TM000871                       everything stored about a serial number\n"
    "  tautgate trace 812                           the curve of the result of event 812\n"
    "  tautgate follow                              events as they happen\n"
    "  tautgate health && echo all is well          for scripts: the exit code is the answer\n"
    "  tautgate check-config station.json           mistakes of form, then of meaning\n"
    "  tautgate joints station.json                 what the windows mean for bolts and tools\n"
    "  tautgate ports station.json                  which serial port is which, and who may open it\n"
    "  tautgate registers station.json              for whoever programs the equipment's controller\n"
    "  tautgate look station.json NR-16 --orders    what a tool says on its wire, and in every word order\n"
    "  tautgate make-keys station.json ~/station    keys for tools whose lines bear a seal\n"
    "  tautgate verify journal.db                   was the record changed or cut?\n"
    "  tautgate try-rules new.json --journal copy.db --newest 200\n"
    "                                               what would have gone otherwise by other limits?\n"
    "  tautgate decide override motor-mounts --as B-31 --second B-32 --reason tool-failed \\\n"
    "      --text 'checked with wrench 7' --verified 'all four by hand' --torque 498\n";

constexpr const char* exit_codes =
    "\nExit codes:\n"
    "  0  fine; of why: nothing is held; of health: good; of follow --count: all came\n"
    "  1  the answer is no: held, not healthy, never seen, refused, not valid, damaged, too few in time\n"
    "  2  the command line was not understood, or something in it is missing\n"
    "  3  could not ask: no service, no journal, no such file or no terminal, or the service had trouble of "
    "its own\n"
    "\nData goes to standard output, messages to standard error. NO_COLOR switches colours off.\n"
    "What the station releases is a process permissive, not a safety function.\n";

// Examples first; CLI11 would put them last.
class ExamplesFirst : public CLI::Formatter {
  public:
    std::string make_usage(const CLI::App* app, std::string name) const override {
        return "\n" + app->get_footer() + Formatter::make_usage(app, std::move(name));
    }
    std::string make_footer(const CLI::App* app) const override {
        return app->get_parent() == nullptr ? exit_codes : "";
    }
};

struct Options {
    std::string api = "http://127.0.0.1:8460";
    bool json = false;
    bool reinstate = false;
    std::string name;  // of the bay, the unit, the file: what the command is about
    std::uint64_t event = 0;
    std::string journal;
    std::string anchor;
    std::string digest;
    std::string account;  // of this computer
    std::string fastener;
    std::string instrument;
    bool strict = false;
    RegisterForm form = RegisterForm::list;
    Following following;
    LookOrder sight;
    WiringTestOrder wiring;
    KeyOrder keys;
    Signers signers;
    NewPerson person;
    DeputyWords deputy;
    Replacement replacement;
    DecisionWords decision;
    Proposal proposal;
    TypedOrder order;
    TraceAsked trace;
    TrialAsked trial;
    PastWhyQuestion past;
};

using Command = std::function<Asked<Exit>(const Desk&)>;

constexpr std::uint64_t any = std::numeric_limits<std::int64_t>::max();  // as far as the journal counts

CLI::Validator whole_from_one(std::uint64_t most = any) {
    return {[most](std::string& text) -> std::string {
                const auto number = whole_number<std::uint64_t>(text);
                return number && *number >= 1 && *number <= most
                           ? std::string()
                           : fmt::format("'{}' is no whole number from 1 {}", text,
                                         most == any ? "on" : fmt::format("to {}", most));
            },
            ""};
}

// A file that is to be read. That it can be is seen when it is opened.
CLI::Validator a_file() {
    return {[](std::string& path) -> std::string {
                std::error_code unknown;
                switch (std::filesystem::status(path, unknown).type()) {
                case std::filesystem::file_type::not_found: return fmt::format("there is no file {}", path);
                case std::filesystem::file_type::directory:
                    return fmt::format("{} is a folder; name the file in it", path);
                default: return {};
                }
            },
            ""};
}

CLI::Validator named_file() {
    return {[](std::string& path) -> std::string { return path.empty() ? "it is empty; name a file" : ""; },
            ""};
}

// A time as people write it becomes milliseconds.
CLI::Validator so_long() {
    return {[](std::string& text) -> std::string {
                constexpr std::uint64_t longest_ms = 604'800'000;  // a week
                const auto digits = std::min(text.find_first_not_of("0123456789"), text.size());
                const auto number = whole_number<std::uint64_t>(std::string_view(text).substr(0, digits));
                static const std::map<std::string, std::uint64_t> units{
                    {"ms", 1}, {"s", 1000}, {"min", 60'000}, {"h", 3'600'000}};
                if (number && digits == text.size())
                    return fmt::format("'{}' has no unit; give ms, s, min or h with it, as in {}s", text,
                                       text);
                const auto unit = units.find(text.substr(digits));
                if (!number || unit == units.end())
                    return fmt::format("'{}' is no time; give a whole number of ms, s, min or h, as in "
                                       "700ms, 60s or 5min",
                                       text);
                if (*number == 0 || *number > longest_ms / unit->second)
                    return fmt::format("'{}' is too short or too long; give 1ms to 168h", text);
                text = std::to_string(*number * unit->second);
                return {};
            },
            ""};
}

// The first word that is no option: what the person wants of the program.
std::optional<std::string_view> command_word(int argc, char** argv) {
    for (int i = 1; i < argc; ++i) {
        const std::string_view word = argv[i];
        if (word == "--api")
            ++i;
        else if (!word.starts_with('-'))
            return word;
    }
    return std::nullopt;
}

// Those that begin with the word, as "check" begins check-config; or else the nearest, if any is near.
std::vector<std::string> words_meant(std::string_view word, const std::vector<std::string>& names) {
    std::vector<std::string> meant;
    for (const auto& name : names)
        if (name.starts_with(std::string(word) + '-'))
            meant.push_back(name);
    if (const auto nearest = protocol::nearest_word(word, names); meant.empty() && !nearest.empty())
        meant.push_back(nearest);
    return meant;
}

// One sentence, where the command itself is unknown.
std::optional<std::string> command_fault(const CLI::App& app, std::string_view word) {
    std::vector<std::string> names;
    for (const auto* sub : app.get_subcommands([](const CLI::App*) { return true; }))
        names.push_back(sub->get_name());
    if (std::ranges::find(names, word) != names.end())
        return std::nullopt;
    const auto meant = words_meant(word, names);
    return fmt::format("there is no command '{}'; {}see tautgate --help", plain(word),
                       meant.empty() ? "" : fmt::format("did you mean {}? ", fmt::join(meant, " or ")));
}

// Characters in a line of the terminal; 0: it is none, and lines may be as long as they get.
std::size_t screen_width() {
    winsize size{};
    return ::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 ? size.ws_col : 0;
}

bool wants_colours() {
    // Nothing of this program changes the environment, and no other thread runs yet.
    const char* none = std::getenv("NO_COLOR");  // NOLINT(concurrency-mt-unsafe)
    const char* terminal = std::getenv("TERM");  // NOLINT(concurrency-mt-unsafe)
    return ::isatty(STDOUT_FILENO) == 1 && (none == nullptr || *none == '\0') &&
           (terminal == nullptr || std::string_view(terminal) != "dumb");
}

// Builds the commands; each writes what it was asked into `options` and, when it was the one named, `chosen`.
class Commands {
  public:
    Commands(CLI::App& app, Options& options, Command& chosen)
        : app_(app), options_(options), chosen_(chosen) {
        look();
        record();
        devices();
        keys();
        people();
        wiring();
        wiring_test();
        rules();
        try_on_past();
        decisions();
        orders();
        at_the_bay();
    }

  private:
    CLI::App* add(const char* name, const char* what, const char* example, Command command) {
        auto* sub = app_.add_subcommand(name, what);
        sub->footer(
            std::string("Example:\n  ") + example +
            "\n\nEvery command also takes --json (the answer for programs) and --api URL (where the service "
            "listens).\n");
        sub->callback([this, command = std::move(command)] { chosen_ = command; });
        return sub;
    }
    void signers(CLI::App* sub, bool second) {
        auto& who = options_.signers;
        sub->add_option("--as", who.first.badge, "badge of who does this (or '#7': person 7)");
        sub->add_option("--secret-file", who.first.secret_file,
                        "a file of mode 600 with the secret; otherwise it is asked for");
        if (!second)
            return;
        sub->add_option("--second", who.second.badge, "badge of the second person");
        sub->add_option("--second-secret-file", who.second.secret_file, "the same for the second person");
    }
    void bay(CLI::App* sub, std::string& where) {
        sub->add_option("--bay", where, "id of the bay; not needed where there is only one");
    }

    void look() {
        auto& o = options_;
        add("state", "who and what stands in each bay, and what is released", "tautgate state --json",
            [](const Desk& desk) { return show_state(desk); });
        auto* why =
            add("why", "everything that holds each permissive, worst first, and what to do",
                "tautgate why J1\n"
                "  tautgate why --serial TM000871 --at 2026-11-26T10:42:00Z\n"
                "  tautgate why J1 --event 812 --journal copy.db",
                [&o](const Desk& desk) {
                    return o.past.is_asked() ? show_past_why(desk, o.name, o.past) : show_why(desk, o.name);
                });
        auto* named = why->add_option("bay", o.name, "id of a bay; otherwise all");
        why->add_option("--bay", o.name, "the same")->excludes(named);
        why->add_option("--at", o.past.at, "as it was at this time, as in 2026-11-26T10:42:00Z");
        why->add_option("--event", o.past.event, "as it was with the event of this number")
            ->check(whole_from_one());
        why->add_option("--serial", o.past.serial,
                        "at the bay where this unit then was; without a moment, as it left");
        why->add_option("--journal", o.past.journal, "asks this file, not the service")->check(a_file());
        add("health", "how far each input can be believed; the exit code tells", "tautgate health",
            [](const Desk& desk) { return show_health(desk); });
        auto* events =
            add("follow", "events as they are stored", "tautgate follow --count 10 --timeout 60 --json",
                [&o](const Desk& desk) { return follow(desk, o.following); });
        events->add_option("--from", o.following.from, "number of the first event; otherwise the next one")
            ->check(whole_from_one());
        events->add_option("--count", o.following.count, "ends after so many events")
            ->check(whole_from_one());
        events->add_option("--timeout", o.following.timeout_s, "ends after so many seconds, 604800 at most")
            ->check(whole_from_one(604'800));
    }
    void record() {
        auto& o = options_;
        auto* unit = add("unit", "history of a serial number", "tautgate unit TM000871 --journal copy.db",
                         [&o](const Desk& desk) { return show_unit(desk, o.name, o.journal); });
        unit->add_option("serial", o.name, "of a unit or of a sub-assembly")->required();
        unit->add_option("--journal", o.journal, "asks this file, not the service")->check(a_file());
        auto* bypassed =
            add("bypassed", "the units that were done in another way because of a bypass",
                "tautgate bypassed 812", [&o](const Desk& desk) { return show_bypassed(desk, o.event); });
        bypassed->add_option("event", o.event, "that placed the bypass, as state and unit show it")
            ->required()
            ->check(whole_from_one());
        auto* trace = add("trace", "the curve of a result: torque over angle or time",
                          "tautgate trace 812\n  tautgate trace 812 --csv --journal copy.db >curve.csv",
                          [&o](const Desk& desk) { return show_trace(desk, o.trace); });
        trace
            ->add_option("event", o.trace.event,
                         "number of the result's event, as unit shows it, or the trace's")
            ->check(whole_from_one());
        trace->add_option("--journal", o.trace.journal, "asks this file, not the service")->check(a_file());
        trace->add_flag("--csv", o.trace.csv, "comma-separated values, with the units in the head");
        trace->add_flag("--ascii", o.trace.ascii, "draws with letters only");
        trace->add_flag_callback(
            "--over-time", [&o] { o.trace.over = Over::time; }, "draws over the time where both are known");
        trace->add_flag("--without-result", o.trace.without_result,
                        "lists the traces whose result never came");
        auto* record =
            add("verify", "whether a journal's file is what was written", "tautgate verify journal.db",
                [&o](const Desk& desk) { return verify_journal(desk, o.name, o.anchor); });
        record->add_option("journal", o.name, "the file")->required();
        record->add_option("--anchor", o.anchor, "NUMBER:HASH, kept from an earlier verify");
        auto* config = add("check-config", "every mistake of a station's description",
                           "tautgate check-config station.json",
                           [&o](const Desk& desk) { return check_config(desk, o.name, o.strict); });
        config->add_option("file", o.name, "the file")->required();
        config->add_flag("--strict", o.strict, "warnings count as mistakes");
        auto* joints =
            add("joints", "preload, share of the proof load and of the tool's range, pass by pass",
                "tautgate joints station.json", [&o](const Desk& desk) { return show_joints(desk, o.name); });
        joints->add_option("file", o.name, "the station's description")->required();
        auto* registers =
            add("registers", "what the equipment's controller must be told, register by register",
                "tautgate registers station.json --csv",
                [&o](const Desk& desk) { return show_registers(desk, o.name, o.form); });
        registers->add_option("file", o.name, "the station's description")->required();
        registers
            ->add_flag_callback(
                "--csv", [&o] { o.form = RegisterForm::csv; }, "one line for each register")
            ->excludes(registers->add_flag_callback(
                "--checklist", [&o] { o.form = RegisterForm::checklist; },
                "what is to be tried at the machine, to print and to sign"));
    }
    void wiring() {
        auto& o = options_;
        auto& sight = o.sight;
        auto* sub = add("look", "what one tool or I/O module says on its wire, without the service",
                        "tautgate look station.json NR-16 --orders\n"
                        "  tautgate look station.json NR-16 --for 60s --record nr16.capture\n"
                        "  tautgate look station.json IO-1\n"
                        "  tautgate look station.json --replay nr16.capture",
                        [&o](const Desk& desk) { return look_at(desk, o.sight); });
        sub->add_option("file", sight.file, "the station's description")->required();
        sub->add_option("tool", sight.tool, "id of a tool or of an I/O module; not needed with --replay");
        sub->add_flag("--orders", sight.orders, "numbers of several registers in every word order");
        auto* once = sub->add_flag("--once", sight.once, "one look, then the exit code is the answer");
        sub->add_option("--for", sight.for_ms, "ends after so long: 700ms, 60s, 5min, 1h")
            ->transform(so_long())
            ->excludes(once);
        sub->add_option("--record", sight.record, "keeps every byte in this file, which must be new")
            ->check(named_file());
        sub->add_option("--replay", sight.replay, "shows such a file, and asks no device")
            ->check(named_file());
        sub->add_flag("--acknowledge", sight.acknowledge,
                      "tells the tool that results are stored, though they are not: for trials");
        sub->add_option("--keys", sight.keys,
                        "folder of the keys of tools that have one: the state folder of the service")
            ->check(CLI::ExistingDirectory);
        sub->add_option("--port", sight.port, "where a tool of the line protocol calls, if not as described")
            ->check(CLI::Range(1, 65535));
    }
    void wiring_test() {
        auto& o = options_;
        auto* sub = add("wiring-test", "shows an empty bay's controller released, on which it must not move",
                        "tautgate wiring-test J1 --as B-44\n  tautgate wiring-test J1 lift --as B-44\n"
                        "  tautgate wiring-test J1 --end --as B-44\n\n"
                        "Maintenance and manufacturing engineers may, or whom the description names in "
                        "wiring_tests/roles.",
                        [&o](const Desk& desk) { return test_wiring(desk, o.wiring, o.signers); });
        sub->add_option("bay", o.wiring.bay, "id of the bay")->required();
        auto* one = sub->add_option("permissive", o.wiring.permissive, "id of one; otherwise all of the bay");
        sub->add_flag("--end", o.wiring.end, "ends one that is under way")->excludes(one);
        signers(sub, false);
    }

    void devices() {
        auto& o = options_;
        auto* ports = add("ports", "the serial ports of this computer, and who may open them",
                          "tautgate ports station.json --user tautgate",
                          [&o](const Desk& desk) { return show_ports(desk, o.name, o.account); });
        ports->add_option("file", o.name, "a station's description: what of it uses which port");
        ports->add_option("--user", o.account, "under whom tautgated runs; otherwise whoever runs this");
    }
    void keys() {
        auto& o = options_;
        auto* sub = add("make-keys", "draws the keys of tools that have none yet",
                        "tautgate make-keys station.json ~/station\n"
                        "  tautgate make-keys station.json ~/station NR-20",
                        [&o](const Desk& desk) { return make_keys(desk, o.keys); });
        sub->add_option("file", o.keys.file, "the station's description")->required();
        sub->add_option("folder", o.keys.folder, "the state folder of the service")->required();
        sub->add_option("tool", o.keys.tool, "id of the one that must get a key now");
    }
    void people() {
        auto& o = options_;
        auto* sub =
            add("enrol", "enrols a person",
                "tautgate enrol --name 'Ada Vale' --badge B-12 --role administrator --code-file enrol.code\n"
                "  tautgate enrol --name 'Bo Reed' --badge B-20 --role line_operator --as B-12",
                [&o](const Desk& desk) { return enrol(desk, o.person, o.signers); });
        sub->add_option("--name", o.person.name, "as others will read it")->required();
        sub->add_option("--badge", o.person.badge, "text of the badge");
        sub->add_option("--role", o.person.roles, "may be given several times")
            ->required()
            ->check(CLI::IsMember({"line_operator", "production_supervisor", "quality_engineer",
                                   "manufacturing_engineer", "maintenance", "administrator"}));
        sub->add_option("--new-secret-file", o.person.secret_file,
                        "a file of mode 600 with the person's secret; otherwise it is asked for, twice");
        sub->add_option("--code-file", o.person.code_file,
                        "for the first administrator: enrol.code in the service's state folder");
        signers(sub, true);
        person_act("suspend", "nobody can act under this person's name any more",
                   "tautgate suspend B-20 --as B-12",
                   [&o](const Desk& desk) { return suspend(desk, o.name, o.signers); });
        person_act("unlock", "lets somebody try again who typed several wrong secrets",
                   "tautgate unlock B-20 --as B-12",
                   [&o](const Desk& desk) { return unlock(desk, o.name, o.signers); });
        auto* renew =
            person_act("renew-secret", "gives somebody a new secret in place of a lost one",
                       "tautgate renew-secret B-20 --as B-12 --second B-31", [&o](const Desk& desk) {
                           return renew_secret(desk, o.name, o.person.secret_file, o.reinstate, o.signers);
                       });
        renew->add_option("--new-secret-file", o.person.secret_file,
                          "a file of mode 600 with the new secret; otherwise it is asked for, twice");
        renew->add_flag("--reinstate", o.reinstate, "of somebody who is suspended: they may act again");
        own_secret();
        standing_in();
        person_act("erase-name", "takes the name and badge of somebody suspended out for good; two people",
                   "tautgate erase-name '#20' --as B-12 --second B-31",
                   [&o](const Desk& desk) { return erase_name(desk, o.name, o.signers); });
        lost_administrators();
        signers(add("people", "who is enrolled, with number and badge", "tautgate people --as B-12",
                    [&o](const Desk& desk) { return list_people(desk, o.signers); }),
                false);
    }
    void own_secret() {
        auto& o = options_;
        auto* sub = add("renew-own-secret", "puts another secret in the place of your own",
                        "tautgate renew-own-secret --as B-20", [&o](const Desk& desk) {
                            return renew_own_secret(desk, o.person.secret_file, o.signers.first);
                        });
        sub->add_option("--new-secret-file", o.person.secret_file,
                        "a file of mode 600 with the new secret; otherwise it is asked for, twice");
        signers(sub, false);
    }
    void standing_in() {
        auto& o = options_;
        auto* sub =
            person_act("deputy", "lets somebody stand in for a role until a date; two people",
                       "tautgate deputy B-20 --role production_supervisor --until "
                       "2026-11-30T22:00:00Z --as B-31 --second B-12\n"
                       "  tautgate deputy B-20 --role production_supervisor --end --as B-31",
                       [&o](const Desk& desk) { return deputise(desk, o.name, o.deputy, o.signers); });
        sub->add_option("--role", o.deputy.role, "that they stand in for")
            ->required()
            ->check(CLI::IsMember(
                {"production_supervisor", "quality_engineer", "manufacturing_engineer", "maintenance"}));
        sub->add_option("--until", o.deputy.until, "date and time at which it ends by itself");
        sub->add_flag("--end", o.deputy.end, "it ends now");
    }
    void lost_administrators() {
        auto& o = options_;
        auto* sub =
            add("replace-administrator",
                "as root, when every administrator is lost: enrols a new one in their place",
                "sudo tautgate replace-administrator --state-folder /var/lib/tautgate --lost 1 \\\n"
                "      --name 'Eve Stone' --badge B-40",
                [&o](const Desk& desk) { return replace_administrator(desk, o.replacement, o.person); });
        sub->add_option("--state-folder", o.replacement.state_folder, "of the service")->required();
        sub->add_option("--lost", o.replacement.lost,
                        "number of an administrator that is there; name every one of them")
            ->required();
        sub->add_option("--name", o.person.name, "as others will read it")->required();
        sub->add_option("--badge", o.person.badge, "text of the badge");
        sub->add_option("--new-secret-file", o.person.secret_file,
                        "a file of mode 600 with the person's secret; otherwise it is asked for, twice");
    }
    CLI::App* person_act(const char* name, const char* what, const char* example, Command command) {
        auto* sub = add(name, what, example, std::move(command));
        sub->add_option("person", options_.name, "badge (or '#7': person 7) of whom it is about")->required();
        signers(sub, true);
        return sub;
    }
    void rules() {
        auto& o = options_;
        add("rules", "the rules in force, and the file that is staged", "tautgate rules",
            [](const Desk& desk) { return show_rules(desk); });
        auto* sub = add("approve-rules", "puts the staged rules in force; two people",
                        "tautgate approve-rules --as B-12 --second B-31",
                        [&o](const Desk& desk) { return approve_rules(desk, o.digest, o.signers); });
        sub->add_option("--digest", o.digest, "of the rules that were looked at; otherwise they are shown");
        signers(sub, true);
    }
    void try_on_past() {
        auto& o = options_;
        auto* sub = add("try-rules", "what a proposed description would have made of past units",
                        "tautgate try-rules new.json --journal copy.db --newest 200\n"
                        "  tautgate try-rules new.json --journal copy.db --from 2026-11-01T00:00:00Z --csv",
                        [&o](const Desk& desk) { return try_rules(desk, o.trial); });
        sub->add_option("file", o.trial.file, "the proposed description of the station")->required();
        sub->add_option("--journal", o.trial.journal, "the journal's file, or a copy; it is only read")
            ->required()
            ->check(a_file());
        sub->add_option("--newest", o.trial.newest, "so many of the units that left last; otherwise 100")
            ->check(whole_from_one(std::numeric_limits<std::uint32_t>::max()));
        sub->add_option("--serial", o.trial.serials, "a unit or sub-assembly; may be given several times");
        sub->add_option("--from", o.trial.from, "units that came from then on, as in 2026-11-26T06:00:00Z");
        sub->add_option("--to", o.trial.to, "units that came until then");
        sub->add_flag("--csv", o.trial.csv, "one line for each difference, comma-separated");
    }
    void decisions() {
        auto& o = options_;
        std::string kinds =
            "tautgate decide override motor-mounts --as B-31 --second B-32 --reason tool-failed \\\n"
            "      --text 'checked with wrench 7' --verified 'all four by hand' --torque 498\n"
            "\nDecisions:\n";
        for (const auto& kind : decision_kinds())
            kinds += fmt::format("  {:<46}{}\n",
                                 fmt::format("{} {}", kind.word, fmt::join(kind.parameters, " ")), kind.help);
        auto* sub =
            add("decide", "what only people may decide; proposes it where two must agree", kinds.c_str(),
                [&o](const Desk& desk) { return decide(desk, o.decision, o.signers); });
        sub->add_option("decision", o.decision.word, "one of those above")->required();
        sub->add_option("what", o.decision.values, "what it is about");
        bay(sub, o.decision.bay);
        sub->add_option("--reason", o.decision.reason_code, "reason code, from the station's description");
        sub->add_option("--text", o.decision.reason_text, "the reason in words");
        sub->add_option("--verified", o.decision.check.verified,
                        "override, verify-restart: what was verified, and how");
        sub->add_option("--torque", o.decision.check.torque, "override: the value measured by hand");
        sub->add_option("--unit", o.decision.check.unit, "of --torque")
            ->check(CLI::IsMember({"N.m", "cN.m", "lbf.ft", "lbf.in", "kgf.m"}))
            ->capture_default_str();
        sub->add_option(
            "--units-since", o.decision.units_since,
            "place-hold-on: with the units that it touched since then, as in 2026-11-26T06:00:00Z");
        sub->add_option("--seen", o.decision.seen, "event number that why showed; otherwise it is shown now")
            ->check(whole_from_one());
        signers(sub, true);

        auto* consents =
            add("second", "consents to what another person proposed", "tautgate second 812 --as B-32",
                [&o](const Desk& desk) { return second(desk, o.proposal, o.signers); });
        consents->add_option("proposal", o.proposal.number, "its number")
            ->required()
            ->check(whole_from_one());
        consents
            ->add_option("--seen", o.proposal.seen, "event number that why showed; otherwise it is shown now")
            ->check(whole_from_one());
        bay(consents, o.proposal.bay);
        signers(consents, false);
        auto* ends = add("refuse", "refuses a proposal, or takes one's own back",
                         "tautgate refuse 812 --why 'measure again first' --as B-32",
                         [&o](const Desk& desk) { return end_proposal(desk, o.proposal, o.signers); });
        ends->add_option("proposal", o.proposal.number, "its number")->required()->check(whole_from_one());
        ends->add_option("--why", o.proposal.why, "in words")->required();
        bay(ends, o.proposal.bay);
        signers(ends, false);
    }
    void orders() {
        auto& o = options_;
        add("orders", "orders that wait to be built", "tautgate orders",
            [](const Desk& desk) { return show_orders(desk); });
        auto* sub = add("order", "adds, changes or cancels an order by hand",
                        "tautgate order add 40017 --variant express --serial D=000123 --as B-31\n"
                        "  tautgate order cancel 40017 --as B-31",
                        [&o](const Desk& desk) { return type_order(desk, o.order, o.signers); });
        sub->add_option("action", o.order.action, "add, change or cancel")
            ->required()
            ->check(CLI::IsMember({"add", "change", "cancel"}));
        sub->add_option("number", o.order.number, "of the order, as on the tickets")->required();
        sub->add_option("--variant", o.order.variant, "what is to be built");
        sub->add_option("--type", o.order.types, "K=TYPE: what the ticket of kind K must say");
        sub->add_option("--serial", o.order.serials, "K=SERIAL: likewise");
        sub->add_option("--sequence", o.order.sequence, "place in the row of orders")
            ->check(whole_from_one(std::numeric_limits<std::uint32_t>::max()));
        sub->add_option("--due", o.order.due, "as in 2026-11-26T06:00:00+01:00");
        signers(sub, false);
        auto* file = add("send-orders", "sends a file of orders and prints its answer",
                         "tautgate send-orders monday.csv --as B-31",
                         [&o](const Desk& desk) { return send_orders(desk, o.name, o.signers); });
        file->add_option("file", o.name, "in the form of protocol/ORDERS.md")->required();
        signers(file, false);
    }
    void at_the_bay() {
        auto& o = options_;
        const auto act = [&o](std::string_view what, std::string_view key, const std::string& fixed,
                              bool about_the_unit = false) {
            return [&o, what, key, fixed, about_the_unit](const Desk& desk) {
                return act_at_bay(desk,
                                  {o.decision.bay, what, key, fixed.empty() ? o.name : fixed, about_the_unit},
                                  o.signers);
            };
        };
        auto* on = add("sign-on", "signs on as the operator of a bay", "tautgate sign-on --as B-20",
                       act("operator", "act", "sign_on"));
        auto* off = add("sign-off", "signs off at a bay", "tautgate sign-off --as B-20",
                        act("operator", "act", "sign_off"));
        auto* scan = add("scan", "labels typed by hand, or by a scanner that types like a keyboard",
                         "tautgate scan --as B-20\n  tautgate scan 'LABEL' --as B-20",
                         [&o, one = act("scans", "text", "")](const Desk& desk) {
                             return o.name.empty() ? scan_labels(desk, o.decision.bay, o.signers) : one(desk);
                         });
        scan->add_option("label", o.name, "its text; without it they come on standard input, one a line")
            ->check([](const std::string& label) {
                return label.empty() ? "it is empty; give its text, or leave it out to type labels" : "";
            });
        auto* confirm = add("confirm", "confirms that a step was done",
                            "tautgate confirm cable-clamps --as B-20", act("checks", "step", "", true));
        confirm->add_option("step", o.name, "id of the step, or of a joint that is confirmed")->required();
        auto* check =
            add("hand-check", "a torque that was measured by hand at a tightened fastener",
                "tautgate hand-check motor-mounts 'front left' --torque 498 --with 'wrench 7' --as B-31",
                [&o](const Desk& desk) {
                    return check_by_hand(desk,
                                         {o.decision.bay, o.name, o.fastener, o.decision.check.torque,
                                          o.decision.check.unit, o.instrument},
                                         o.signers);
                });
        check->add_option("joint", o.name, "its id")->required();
        check->add_option("fastener", o.fastener, "its name")->required();
        check->add_option("--torque", o.decision.check.torque, "the value that was measured")->required();
        check->add_option("--unit", o.decision.check.unit, "of --torque")
            ->check(CLI::IsMember({"N.m", "cN.m", "lbf.ft", "lbf.in", "kgf.m"}))
            ->capture_default_str();
        check->add_option("--with", o.instrument, "with what it was measured")->required();
        auto* select = add("select", "says which fastener is tightened next, where people select it",
                           "tautgate select motor-mounts 'front left' --as B-20", [&o](const Desk& desk) {
                               return select_fastener(desk, {o.decision.bay, o.name, o.fastener}, o.signers);
                           });
        select->add_option("joint", o.name, "its id")->required();
        select->add_option("fastener", o.fastener, "its name")->required();
        auto* call = add("call-tool", "calls a tool that bays share to this one",
                         "tautgate call-tool NR-1 --bay table-2 --as B-20", act("tools", "tool", ""));
        call->add_option("tool", o.name, "its id")->required();
        for (auto* sub : {on, off, scan, confirm, check, select, call}) {
            bay(sub, o.decision.bay);
            signers(sub, false);
        }
    }

    CLI::App& app_;
    Options& options_;
    Command& chosen_;
};

int code(Exit exit) { return static_cast<int>(exit); }

int run(const Options& options, const Command& command) {
    const auto address = parse_api(options.api);
    if (!address) {
        complain(address.error());
        return code(Exit::wrong_usage);
    }
    const Desk desk{Http{*address}, Style{wants_colours(), screen_width()}, options.json};
    const auto exit = command(desk);
    if (!exit)
        complain(exit.error().message);
    if (std::ferror(stdout) != 0) {
        complain("standard output could not be written; see that its disk is not full");
        return code(Exit::could_not_ask);
    }
    return code(exit ? *exit : exit.error().exit);
}

}  // namespace

int main(int argc, char** argv) {
    Options options;
    options.decision.check.unit = "N.m";
    Command chosen;
    CLI::App app{"Asks a Tautgate station, and decides at it"};
    app.formatter(std::make_shared<ExamplesFirst>());
    app.footer(examples);
    app.fallthrough();
    app.require_subcommand(1);
    app.add_option("--api", options.api, "where the service listens")->capture_default_str();
    app.add_flag("--json", options.json, "for programs: the answer as JSON");
    app.set_version_flag("--version",
                         fmt::format("tautgate {} {}", tautgate::program_version, tautgate::source_commit));
    const Commands commands{app, options, chosen};
    const auto word = command_word(argc, argv);
    if (const auto fault = word ? command_fault(app, *word) : std::nullopt) {
        complain(*fault);
        return code(Exit::wrong_usage);
    }
    try {
        app.parse(argc, argv);
    } catch (const CLI::Success& asked_for_help) {
        return app.exit(asked_for_help);
    } catch (const CLI::ParseError& error) {
        const std::string why = argc < 2 ? "it names no command" : plain(error.what());
        complain(fmt::format("the command line was not understood: {}; see tautgate {}--help", why,
                             word ? fmt::format("{} ", *word) : ""));
        return code(Exit::wrong_usage);
    }
    return run(options, chosen);
}
